"""spiflash erase"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from spiflash.cli.changing import leave_options, show_rewritten, verify_option
from spiflash.cli.options import (
    Amount,
    at_option,
    bench_options,
    json_option,
    passes_option,
    settings_from,
    shelf_from,
    shelf_option,
)
from spiflash.cli.screen import Bars, consent
from spiflash.work.connection import connect
from spiflash.work.erase import erase as erase_chip
from spiflash.work.restore import Leave
from spiflash.work.rewrite_proof import Verify


@click.command()
@bench_options
@shelf_option
@at_option
@click.option(
    "--length", type=Amount(), help="Bytes to blank, such as 64K; to the end when left out."
)
@passes_option
@verify_option
@leave_options
@json_option
def erase(
    shelf: Path | None,
    at: int,
    length: int | None,
    passes: int,
    verify: str,
    yes: bool,
    backup: Path | None,
    without_backup: bool,
    unprotect: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Blank the chip, or a part of it, and verify that it is blank.

    \b
    Example:
      spiflash erase --at 0x740000 --length 64K --adapter sim:./board
    """
    with connect(settings_from(options)) as connection:
        done = erase_chip(
            connection,
            shelf_from(shelf),
            Bars(),
            agree=lambda work: consent(work, yes=yes, as_json=as_json),
            leave=Leave(without_backup, backup, unprotect),
            at=at,
            length=length,
            passes=passes,
            verify=Verify(verify),
        )
    show_rewritten(done, "Blanked", as_json=as_json)
