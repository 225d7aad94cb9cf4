"""spiflash audit and compare: what a dump holds, and how two differ."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import (
    Command,
    bench_options,
    details_option,
    json_option,
    passes_option,
    settings_from,
    shelf_option,
)
from spiflash.cli.screen import Bars, show
from spiflash.cli.values import Amount, PathGiven, SourceGiven
from spiflash.files import write_page
from spiflash.jobs.connection import connect
from spiflash.jobs.image import audit as audit_source
from spiflash.jobs.image import compare_chip, compare_files, load_layout, save_layout
from spiflash.report.audit import audit_headline, audit_json, audit_text
from spiflash.report.changes import compare_json, compare_text
from spiflash.report.pages import audit_page


@click.command(cls=Command)
@click.argument("source", type=SourceGiven())
@shelf_option
@click.option("--layout", type=PathGiven(), metavar="FILE", help="A layout file.")
@click.option(
    "--save",
    type=PathGiven(),
    metavar="FILE",
    help="Write the layout to a new file.",
)
@details_option
@click.option("--show-secrets", is_flag=True, help="Print passphrases and keys unmasked.")
@click.option("--page", type=PathGiven(), metavar="FILE", help="Write a page (HTML).")
@click.option(
    "--fits",
    type=Amount(),
    multiple=True,
    metavar="SIZE",
    help="Say whether it fits a chip of this size, such as 8M. Can be given several times.",
)
@json_option
def audit(
    source: Path,
    shelf: Path | None,  # `SourceGiven` looks there
    layout: Path | None,
    save: Path | None,
    details: bool,
    show_secrets: bool,
    page: Path | None,
    fits: tuple[int, ...],
    as_json: bool,
) -> None:
    """Say what a dump or set holds, and what its checksums prove.

    The exit status is 1 when a checksum inside it fails.

    \b
    Examples:
      spiflash audit factory.bin --page factory.html
      spiflash audit factory.bin --fits 4M --save layout.toml
    """
    done = audit_source(source, layout=layout, sizes=fits, show_secrets=show_secrets)
    found = done.audit
    saved = []
    if save is not None:
        save_layout(found.layout, save)
        saved.append(("Layout file", save))
    if page is not None:
        write_page(page, audit_page(found, done.agreement))
        saved.append(("Page", page))
    text = audit_text(found, details=details, saved=saved).rstrip("\n")
    show(audit_json(found), text, as_json=as_json, tone=audit_headline(found).tone)
    click.get_current_context().exit(1 if found.coverage.damaged else 0)


@click.command(cls=Command)
@click.argument("a", type=SourceGiven())
@click.argument("b", type=SourceGiven(), required=False)
@shelf_option
@click.option("--chip", "with_chip", is_flag=True, help="Compare with the chip on the clip.")
@click.option("--layout", type=PathGiven(), metavar="FILE", help="A layout file.")
@details_option
@click.option("--show-secrets", is_flag=True, help="Print passphrases and keys unmasked.")
@bench_options
@passes_option
@json_option
def compare(
    a: Path,
    b: Path | None,
    shelf: Path | None,  # `SourceGiven` looks there
    with_chip: bool,
    layout: Path | None,
    details: bool,
    show_secrets: bool,
    passes: int,
    as_json: bool,
    **options: Any,
) -> None:
    """Say how B differs from A: two files or sets, or one and the chip.

    With --chip, the chip on the clip takes the place of B. Changes nothing. The exit status is 0
    when both are equal and 1 when they are not.

    \b
    Examples:
      spiflash compare factory.bin later.bin
      spiflash compare factory.bin --chip --adapter sim:heron
    """
    settings = settings_from(options)
    if with_chip == (b is not None):
        raise click.UsageError("give either B or --chip")
    regions = load_layout(layout) if layout is not None else None
    if b is not None:
        found = compare_files(a, b, layout=regions, show_secrets=show_secrets)
        other = str(b)
    else:
        with connect(settings) as connection:
            found = compare_chip(
                a, connection, Bars(), passes=passes, layout=regions, show_secrets=show_secrets
            )
            other = f"the chip, {connection.chip.name}"
    text = compare_text(found, str(a), other, details=details)
    tone = "good" if found.equal else "mixed"
    show(compare_json(found, str(a), other), text, as_json=as_json, tone=tone)
    click.get_current_context().exit(0 if found.equal else 1)
