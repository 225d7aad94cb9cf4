"""spiflash triage"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import (
    OWN_BACKUP,
    board_options,
    json_option,
    settings_from,
    shelf_from,
    words_given,
)
from spiflash.cli.screen import Bars, show
from spiflash.cli.values import PathGiven
from spiflash.dump.triage import Kind
from spiflash.jobs.connection import connect
from spiflash.jobs.triage import Asked, triage_chip
from spiflash.report.triage import Basis, Way, triage_json, triage_text

NOT_CHECKED = 3
"""Exit status: nothing is found wrong, and not everything could be checked."""


@click.command()
@click.option(
    "--image",
    type=PathGiven(),
    metavar="FILE",
    help="A known-good image of this model: a file, or the backup set of another board.",
)
@click.option("--backup", type=PathGiven(), metavar="SET", help=OWN_BACKUP)
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file.")
@click.option(
    "--save",
    type=PathGiven(),
    metavar="FILE",
    help="Write what the chip holds after the least repair to a new file.",
)
@click.option("--wider", is_flag=True, help="With --save: after the wider repair instead.")
@board_options
@json_option
def triage(
    image: Path | None,
    backup: Path | None,
    layout: Path | None,
    save: Path | None,
    wider: bool,
    shelf: Path | None,
    passes: int,
    as_json: bool,
    **options: Any,
) -> None:
    """Say what is wrong with the chip, and what the least repair is.

    For a board that does not start. Compares its chip with this board's own backup on the
    shelf and with the model's image, where there is one; with neither, only checksums speak.
    Changes nothing. The exit status is 0 when everything is proven right, 1 when something is
    wrong, and 3 when nothing is found wrong but parts are NOT CHECKED.

    \b
    Examples:
      spiflash triage --adapter sim:./board
      spiflash triage --image openfw.img --save repaired.bin
    """
    if wider and save is None:
        raise click.UsageError("--wider goes with --save")
    words = words_given(options, shelf)
    with connect(settings_from(options)) as connection:
        found = triage_chip(
            connection,
            shelf_from(shelf),
            Bars(),
            Asked(image, backup, layout, save, wider, words),
            passes=passes,
        )
    basis = Basis(
        found.backup,
        found.image,
        len(found.reading.passes),
        len(found.reading.unstable),
        found.journal,
        shlex.join(["spiflash", "restore", "--resume", *words]),
    )
    ways = [Way(each.repair, each.plan, each.commands) for each in found.proposals]
    show(
        triage_json(found.triage, basis, ways),
        triage_text(found.triage, basis, ways),
        as_json=as_json,
    )
    status = {Kind.INTACT: 0, Kind.NOT_CHECKED: NOT_CHECKED}.get(found.triage.kind, 1)
    click.get_current_context().exit(status)
