"""spiflash shelf"""

from __future__ import annotations

import shlex
from datetime import datetime
from pathlib import Path

import click

from spiflash.cli.options import Command, json_option, shelf_option, words_given
from spiflash.cli.screen import show
from spiflash.cli.values import shelf_from


@click.command(cls=Command)
@click.argument("words", nargs=-1)
@shelf_option
@click.option(
    "--by",
    "grouping",
    type=click.Choice(["board", "date", "chip", "verdict", "size"]),
    default="board",
    show_default=True,
    help="What the sets are grouped by.",
)
@click.option(
    "--since",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Only sets made on this day or later, such as 2026-05-04.",
)
@click.option(
    "--verified/--not-verified",
    default=None,
    help="Only sets that were verified, or only those that were not.",
)
@click.option("--check", is_flag=True, help="Read every file of the sets, which takes a while.")
@json_option
def shelf(
    words: tuple[str, ...],
    shelf: Path | None,
    grouping: str,
    since: datetime | None,
    verified: bool | None,
    check: bool,
    as_json: bool,
) -> None:
    """List the backup sets on the shelf, and interrupted work.

    With WORDS, only the sets in which all of them are found. A word can be part of a label, a chip,
    a unique ID, a date or a size. The name of a set can be given wherever a command takes one, and
    so can a board's label: then the newest verified set of that board is used.

    The exit status is 1 when a set or a journal cannot be used.

    \b
    Examples:
      spiflash shelf
      spiflash shelf heron W25Q64 --since 2026-05-01
      spiflash shelf --verified --by chip
    """
    from spiflash.report.shelf import Grouping, shelf_json, shelf_text

    day = None if since is None else since.date()
    view = shelf_from(shelf).overview(words, day, verified, check=check)
    searched = bool(words or since is not None or verified is not None)
    options = "".join(f" {shlex.quote(word)}" for word in words_given({}, shelf))
    show(
        shelf_json(view),
        shelf_text(view, Grouping(grouping), options, searched=searched),
        as_json=as_json,
    )
    click.get_current_context().exit(1 if view.broken or view.damaged else 0)
