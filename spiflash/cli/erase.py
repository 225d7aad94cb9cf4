"""spiflash erase"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from spiflash.cli.changing import change_from, change_options, show_rewritten
from spiflash.cli.options import board_options, json_option, settings_from, shelf_from
from spiflash.cli.screen import Bars
from spiflash.cli.values import Amount
from spiflash.jobs.connection import connect
from spiflash.jobs.write import erase as erase_chip


@click.command()
@board_options
@change_options
@click.option(
    "--length", type=Amount(), help="Bytes to blank, such as 64K; to the end when left out."
)
@json_option
def erase(
    shelf: Path | None, passes: int, length: int | None, as_json: bool, **options: Any
) -> None:
    """Blank the chip, or a part of it, and verify that it is blank.

    \b
    Example:
      spiflash erase --at 0x740000 --length 64K --adapter sim:./board
    """
    change = change_from(options)
    with connect(settings_from(options)) as connection:
        done = erase_chip(
            connection,
            shelf_from(shelf),
            Bars(),
            agree=change.consent(as_json=as_json),
            leave=change.leave,
            at=change.at,
            length=length,
            passes=passes,
            verify=change.verify,
        )
    show_rewritten(done, "Blanked", as_json=as_json)
