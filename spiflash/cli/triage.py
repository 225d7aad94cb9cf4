"""spiflash triage"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import (
    PathGiven,
    bench_options,
    json_option,
    passes_option,
    settings_from,
    shelf_from,
    shelf_option,
)
from spiflash.cli.screen import Bars, show
from spiflash.dump.triage import Kind
from spiflash.report.triage import Basis, Way, triage_json, triage_text
from spiflash.work.connection import connect
from spiflash.work.triage import Asked, triage_chip


@click.command()
@click.option(
    "--image",
    type=PathGiven(),
    metavar="FILE",
    help="A known-good image of this model: a file, or the backup set of another board.",
)
@click.option(
    "--backup",
    type=PathGiven(),
    metavar="SET",
    help="The backup set of this board, when it is not on the shelf or the chip has no unique ID.",
)
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file.")
@click.option(
    "--save",
    type=PathGiven(),
    metavar="FILE",
    help="Write what the chip holds after the least repair to a new file.",
)
@bench_options
@shelf_option
@passes_option
@json_option
def triage(
    image: Path | None,
    backup: Path | None,
    layout: Path | None,
    save: Path | None,
    shelf: Path | None,
    passes: int,
    as_json: bool,
    **options: Any,
) -> None:
    """Say what is wrong with the chip of a board that does not start, and the least repair.

    Compares the chip with this board's own backup on the shelf and with the model's image,
    where there is one; with neither, only checksums speak. Changes nothing. The exit status
    is 1 when something is wrong.

    \b
    Examples:
      spiflash triage --adapter sim:./board
      spiflash triage --image openfw.img --save repaired.bin
    """
    words = _words(options, shelf)
    with connect(settings_from(options)) as connection:
        found = triage_chip(
            connection,
            shelf_from(shelf),
            Bars(),
            Asked(image, backup, layout, save, words),
            passes=passes,
        )
    basis = Basis(found.backup, found.image, len(found.reading.passes), len(found.reading.unstable))
    ways = [Way(each.repair, each.plan, each.commands) for each in found.proposals]
    show(
        triage_json(found.triage, basis, ways),
        triage_text(found.triage, basis, ways),
        as_json=as_json,
    )
    click.get_current_context().exit(0 if found.triage.kind is Kind.INTACT else 1)


def _words(options: dict[str, Any], shelf: Path | None) -> tuple[str, ...]:
    """The options that the proposed commands need as well."""
    context = click.get_current_context()
    words: list[str] = []
    for name in ("adapter", "part"):
        source = context.get_parameter_source(name)
        if options.get(name) and source is click.core.ParameterSource.COMMANDLINE:
            words += [f"--{name}", str(options[name])]
    if shelf is not None and context.get_parameter_source("shelf") is (
        click.core.ParameterSource.COMMANDLINE
    ):
        words += ["--shelf", str(shelf)]
    return tuple(words)
