"""spiflash stage"""

from __future__ import annotations

from pathlib import Path

import click

from spiflash.cli.options import json_option
from spiflash.cli.screen import show
from spiflash.cli.values import Amount, PathGiven
from spiflash.jobs.stage import Staged
from spiflash.jobs.stage import stage as stage_files
from spiflash.text import amount, clean


@click.command()
@click.argument("folder", type=PathGiven(), metavar="DIR")
@click.option(
    "--image",
    type=PathGiven(),
    metavar="FILE",
    required=True,
    help="The image for the whole flash: a file or a backup set.",
)
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file.")
@click.option(
    "--name",
    "names",
    multiple=True,
    help="A file name that the board's boot loader looks for, instead of those that the image "
    "states. May be given several times.",
)
@click.option("--chip-size", type=Amount(), help="Size of the board's flash, such as 8M.")
@click.option("--yes", is_flag=True, help="Replace files of the same name.")
@json_option
def stage(
    folder: Path,
    image: Path,
    layout: Path | None,
    names: tuple[str, ...],
    chip_size: int | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Put the files for an SD-card update into DIR, a mounted card.

    Under the names that the boot loader in the image looks for, each checked against the size
    of the chip, written through to the card, and read back.

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
        "remarks": [clean(each) for each in done.remarks],
    }
    show(document, _text(done), as_json=as_json)


def _text(done: Staged) -> str:
    lines = []
    for each in done.files:
        state = "was there already" if each.name in done.kept else "written and read back"
        length = amount(len(each.contents))
        lines.append(f"{clean(each.name):<16} {length:>12}  {clean(each.what)}; {state}")
    return "\n".join((*lines, *(clean(each) for each in done.remarks)))
