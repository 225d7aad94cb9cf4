"""spiflash prove"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from spiflash.archive.adapters import keep
from spiflash.cli.options import (
    Command,
    bench_options,
    details_option,
    json_option,
    settings_from,
    shelf_option,
    words_given,
)
from spiflash.cli.screen import Bars, show
from spiflash.cli.values import PathGiven, shelf_from
from spiflash.files import write_page
from spiflash.jobs.prove import prove as prove_adapter
from spiflash.report.bench import prove_headline, prove_text
from spiflash.report.pages import prove_page, set_page

QUESTION = (
    "The checks that write use the chip's last block. The chip is backed up first, and what it "
    "holds is written back at the end. Use a chip that may be erased.\nWrite to this chip?"
)


@click.command(cls=Command)
@click.option("--read-only", is_flag=True, help="Only make the checks that write nothing.")
@click.option(
    "--unplug",
    is_flag=True,
    help="Also ask you to pull the USB cable while the chip is being written.",
)
@click.option("--page", type=PathGiven(), metavar="FILE", help="Write a page (HTML).")
@click.option("--yes", is_flag=True, help="Do not ask before the chip is written.")
@details_option
@bench_options
@shelf_option
@json_option
def prove(
    read_only: bool,
    unplug: bool,
    page: Path | None,
    yes: bool,
    details: bool,
    shelf: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Test on your bench what spiflash assumes about the adapter.

    Clip the adapter to a spare chip, or with --read-only to any chip. The result is kept for this
    adapter, by its serial number, and later commands use the settings that it needs. The exit
    status is 1 when an assumption is wrong.

    \b
    Examples:
      spiflash prove --read-only
      spiflash prove --adapter sim:heron --yes
    """
    words = words_given(options)
    settings = settings_from(options)

    def agree() -> bool:
        return yes or (sys.stdin.isatty() and click.confirm(QUESTION, err=True))

    def replug() -> bool:
        return click.confirm("Plug the cable in again. Is it in?", err=True)

    record = prove_adapter(
        settings,
        Bars(),
        shelf=None if read_only else shelf_from(shelf),
        agree=agree,
        replug=replug if unplug else None,
        page=set_page,
    )
    simulated = (settings.adapter or "").startswith("sim:")
    kept = "" if simulated or not record.serial else str(keep(record))
    if page is not None:
        write_page(page, prove_page(record))
    show(
        record.document() | {"kept": kept or None},
        prove_text(record, kept, details=details, page=page, words=words),
        as_json=as_json,
        tone=prove_headline(record).tone,
    )
    if record.failed:
        click.get_current_context().exit(1)
