"""spiflash chips"""

from __future__ import annotations

from pathlib import Path

import click

from spiflash.cli.options import Command, json_option
from spiflash.cli.screen import show
from spiflash.cli.values import Amount, PathGiven
from spiflash.nor.identify import ChipTable, chip_table, parts_of_file, select
from spiflash.report.chips import list_text, part_json, part_text


@click.command(cls=Command)
@click.argument("words", nargs=-1)
@click.option("--size", type=Amount(), help="Only parts of this capacity, such as 8M.")
@click.option(
    "--volts",
    type=click.FloatRange(0.5, 6),
    metavar="VOLTS",
    help="Only parts that run at this voltage, such as 1.8.",
)
@click.option(
    "--chips",
    "files",
    type=PathGiven(),
    multiple=True,
    metavar="FILE",
    help="Check this chip table file of your own, and search it along with the built-in one. "
    "Without WORDS its parts are listed.",
)
@json_option
def chips(
    words: tuple[str, ...],
    size: int | None,
    volts: float | None,
    files: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Look up parts in the chip table by name, maker or JEDEC ID.

    A word that is exactly the name of one part shows all its figures and where they come from.

    \b
    Examples:
      spiflash chips w25q64jv
      spiflash chips "EF 40 17"
      spiflash chips macronix --size 16M --volts 1.8
      spiflash chips --chips my-parts.toml
    """
    table = chip_table(files)
    text = " ".join(words)
    whole = ChipTable(parts_of_file(files)) if files and not text else table
    named = table.by_name(text) if text else ()
    if len(named) == 1 and size is None and volts is None:
        show({"parts": [part_json(named[0])]}, part_text(named[0]), as_json=as_json)
        return
    found = select(whole, text, size=size, volts=volts)
    show(
        {"parts": [part_json(part) for part in found], "of": len(table.parts)},
        list_text(found, len(table.parts)),
        as_json=as_json,
    )
