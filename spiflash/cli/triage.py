"""spiflash triage and stage: what a board that does not start needs, by clip or by SD card."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import (
    OWN_BACKUP,
    Command,
    board_options,
    json_option,
    settings_from,
    shelf_option,
    words_given,
)
from spiflash.cli.screen import Bars, show
from spiflash.cli.values import Amount, PathGiven, SourceGiven, shelf_from
from spiflash.dump.triage import Kind
from spiflash.jobs.connection import connect
from spiflash.jobs.stage import Staged
from spiflash.jobs.stage import stage as stage_files
from spiflash.jobs.triage import Asked, triage_chip
from spiflash.report import next_steps
from spiflash.report.triage import triage_json, triage_text
from spiflash.text import amount, clean, counted

NOT_CHECKED = 3
"""Exit status: nothing is found wrong, and not everything could be checked."""


@click.command(cls=Command)
@click.option(
    "--image",
    type=SourceGiven(),
    metavar="FILE",
    help="A known-good image of this model: a file, or the backup set of another board.",
)
@click.option("--backup", type=SourceGiven(), metavar="SET", help=OWN_BACKUP)
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file.")
@click.option(
    "--save",
    type=PathGiven(),
    metavar="FILE",
    help="Write what the chip holds after the smallest repair to a new file.",
)
@click.option(
    "--wider",
    count=True,
    help="With --save: after the next wider repair instead. Give it twice for the third one.",
)
@click.option("--details", is_flag=True, help="Show every region, repair and own item.")
@board_options
@json_option
def triage(
    image: Path | None,
    backup: Path | None,
    layout: Path | None,
    save: Path | None,
    wider: int,
    details: bool,
    shelf: Path | None,
    passes: int,
    as_json: bool,
    **options: Any,
) -> None:
    """Say what is wrong with the chip, and what the smallest repair is.

    For a board that does not start. Compares its chip with this board's own backup on the
    shelf and with the model's image, where there is one; with neither, only checksums speak.
    Changes nothing. The exit status is 0 when everything is proven correct, 1 when something is
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
    text = triage_text(found, details=details)
    tone = {Kind.INTACT: "good", Kind.NOT_CHECKED: "mixed"}.get(found.triage.kind, "bad")
    show(triage_json(found), text, as_json=as_json, tone=tone)
    status = {Kind.INTACT: 0, Kind.NOT_CHECKED: NOT_CHECKED}.get(found.triage.kind, 1)
    click.get_current_context().exit(status)


@click.command(cls=Command)
@click.argument("folder", type=PathGiven(), metavar="DIR")
@click.option(
    "--image",
    type=SourceGiven(),
    metavar="FILE",
    required=True,
    help="The image for the whole flash: a file or a backup set.",
)
@shelf_option
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file.")
@click.option(
    "--name",
    "names",
    multiple=True,
    help="A file name that the board's boot loader looks for, instead of those in the image. "
    "Can be given several times.",
)
@click.option("--chip-size", type=Amount(), help="Size of the board's flash, such as 8M.")
@click.option("--yes", is_flag=True, help="Replace files of the same name.")
@json_option
def stage(
    folder: Path,
    image: Path,
    shelf: Path | None,
    layout: Path | None,
    names: tuple[str, ...],
    chip_size: int | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Put the files for an SD-card update on a mounted card.

    DIR is the folder where the card is mounted. The files get the names that the boot loader in the
    image looks for. Each is checked against the size of the chip, written through to the card and
    read back.

    \b
    Example:
      spiflash stage /media/card --image openfw.img --chip-size 8M
    """
    done = stage_files(folder, image, layout=layout, names=names, chip_size=chip_size, replace=yes)
    document: dict[str, object] = {
        "folder": str(done.folder),
        "files": [
            {"name": clean(each.name), "bytes": len(each.contents), "holds": clean(each.what)}
            for each in done.files
        ],
        "written": [clean(each) for each in done.written],
        "kept": [clean(each) for each in done.kept],
        "overwrites": {
            clean(name): [clean(each.name) for each in regions]
            for name, regions in done.overwrites.items()
        },
        "remarks": [clean(each) for each in done.remarks],
    }
    show(document, _text(done, words_given({}, shelf)), as_json=as_json)


def _text(done: Staged, words: Sequence[str]) -> str:
    """What is on the card now, what to know about it, and what to do next; `words` are the options
    that the next command needs."""
    written, kept = len(done.written), len(done.kept)
    there = f"; {kept} already there" if kept else ""
    folder = clean(str(done.folder))
    lines = [f"{counted(written, 'file')} written to {folder} and read back{there}."]
    lines += [
        f"  {clean(each.name):<16} {amount(len(each.contents)):>12}  {clean(each.what)}"
        for each in done.files
    ]
    lines += [clean(each) for each in done.remarks]
    steps = [
        (
            "Back up the board before you put the card in",
            shlex.join(["spiflash", "backup", *words]),
        ),
        ("Unmount the card, put it into the board and switch the board on.", ""),
    ]
    return "\n".join([*lines, *next_steps(steps)])
