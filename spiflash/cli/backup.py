"""spiflash backup"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import board_options, json_option, settings_from, shelf_from
from spiflash.cli.screen import Bars, announce_adapter, answer
from spiflash.cli.values import Label
from spiflash.errors import UnstableReadError
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import connect
from spiflash.report.as_json import backup_json
from spiflash.report.backup_details import backup_details
from spiflash.report.backup_text import backup_text, set_text
from spiflash.report.page import set_page


@click.command()
@board_options
@click.option(
    "--board",
    type=Label(),
    default="",
    metavar="LABEL",
    help="What to call this board, in the set.",
)
@click.option(
    "--details", is_flag=True, help="Print all that the page of the set says, map and findings too."
)
@json_option
def backup(
    shelf: Path | None, passes: int, board: str, details: bool, as_json: bool, **options: Any
) -> None:
    """Read the chip in several passes; put a checked set on the shelf.

    The exit status is 0 only when the set is verified.

    \b
    Example:
      spiflash backup --adapter sim:heron --board gauge-23
    """
    with connect(replace(settings_from(options), announce_adapter=announce_adapter)) as connection:
        made = back_up(
            connection, shelf_from(shelf), Bars(), board=board, passes=passes, page=set_page
        )
    path, page = made.set.path, made.set.page
    if as_json:
        answer(backup_json(made.record, made.findings, made.coverage, path), as_json=True)
    else:
        text = backup_text(made.record, made.audit, path)
        if details:
            more = backup_details(made.record, made.contents, made.findings, made.coverage)
            text = f"{text}\n{more}"
        answer(f"{text}\n{set_text(made.record, made.audit, path, page)}")
    if not made.record.verified:
        raise UnstableReadError(
            f"The set is kept but not verified: {'; '.join(made.record.doubts)}.",
            state="The chip was only read.",
            remedy="Seat the clip again or set a lower --clock, then take another backup.",
        )
