"""spiflash restore and erase."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from spiflash.cli.changing import (
    after_plan,
    change_options,
    plan_option,
    question,
    show_rewritten,
    write_options,
)
from spiflash.cli.options import (
    Command,
    at_option,
    board_options,
    json_option,
    settings_from,
    words_given,
)
from spiflash.cli.screen import Bars, remark, show
from spiflash.cli.values import Amount, PathGiven, Range, SourceGiven, shelf_from
from spiflash.dump.audit import examine
from spiflash.dump.identity import OwnItem
from spiflash.dump.made_image import overwritten_items
from spiflash.jobs.connection import connect
from spiflash.jobs.image import load_image, load_layout, only_regions
from spiflash.jobs.write import Work, blank, prepare, refuse_other_boards_items
from spiflash.jobs.write import restore as restore_chip
from spiflash.report.changes import overwrites_text, plan_json, plan_text
from spiflash.report.plain import plain


@click.command(cls=Command)
@click.argument("source", type=SourceGiven(), required=False)
@board_options
@click.option(
    "--region",
    "regions",
    multiple=True,
    metavar="NAME",
    help="Write only this region of SOURCE, by its name in the layout or as 40000h+64K. "
    "Can be given several times.",
)
@click.option(
    "--layout",
    type=PathGiven(),
    metavar="FILE",
    help="Layout file with the regions; without it, the layout that SOURCE states.",
)
@at_option
@plan_option
@change_options
@click.option(
    "--other-board",
    is_flag=True,
    help="Write SOURCE although it holds another board's address or serial number.",
)
@click.option("--resume", is_flag=True, help="Finish a write to this chip that was interrupted.")
@click.option(
    "--undo",
    is_flag=True,
    help="Write back what the chip held before a write that was interrupted.",
)
@click.option(
    "--erase-again",
    "again",
    type=Range(),
    multiple=True,
    metavar="RANGE",
    help="Erase these whole sectors whatever they read, such as 70000h+64K, because an erase "
    "was interrupted in them. They then get SOURCE, or what they held.",
)
@json_option
def restore(
    source: Path | None,
    shelf: Path | None,
    passes: int,
    regions: tuple[str, ...],
    layout: Path | None,
    resume: bool,
    undo: bool,
    other_board: bool,
    again: tuple[tuple[int, int], ...],
    only_plan: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Write an image file or a set to the chip, and verify it.

    Only what differs is erased and programmed. Everything outside SOURCE stays as it is.

    \b
    Examples:
      spiflash restore factory.bin --adapter sim:./board
      spiflash restore factory.bin --region boot --region env
    """
    wanted = write_options(options)
    if (source is not None) + resume + undo != 1:
        raise click.UsageError("name a SOURCE, or give --resume or --undo and no SOURCE")
    if layout is not None and not regions:
        raise click.UsageError("--layout goes with --region")
    if regions and (source is None or wanted.at):
        raise click.UsageError(
            "--region goes with a SOURCE that holds the whole chip, without --at"
        )
    if again and source is None:
        raise click.UsageError("--erase-again goes with a SOURCE")
    wanted = replace(wanted, passes=passes, undo=undo, erase_again=again)
    image = load_image(source) if source is not None else None
    if image is not None and regions:
        image = only_regions(image, regions, load_layout(layout) if layout else None)
    whole = not regions and not wanted.at
    words = words_given(options, shelf)
    with connect(settings_from(options)) as connection:
        if only_plan:
            work = prepare(connection, shelf_from(shelf), image, Bars(), wanted)
            lost = _lost(work) if image is not None else ()
            document: dict[str, object] = {
                "plan": plan_json(work.plan),
                "overwrites": plain(lost),
            }
            text = plan_text(work.plan, work) + overwrites_text(lost, source, words, whole=whole)
            text += after_plan(work.plan)
            show(document, text, as_json=as_json, tone="mixed")
            return
        asked = question(wanted, as_json=as_json)

        def agreed(work: Work) -> bool:
            if image is not None and not other_board:
                refuse_other_boards_items(work)
            lost = _lost(work) if image is not None else ()
            if lost:
                remark(overwrites_text(lost, source, words, whole=whole).strip("\n"))
            return asked(work)

        done = restore_chip(connection, shelf_from(shelf), image, Bars(), wanted, agree=agreed)
    what = "What was there before" if undo else source or "The interrupted work"
    held = "what it held before" if undo else source or "what the interrupted work was to write"
    show_rewritten(done, f"{what} written", f"the chip holds {held}", as_json=as_json)


def _lost(work: Work) -> tuple[OwnItem, ...]:
    """The board's own items that the work overwrites or blanks."""
    if not work.plan.steps:
        return ()
    return overwritten_items(examine(work.old.contents, "the chip", signs=False), work.target)


@click.command(cls=Command)
@board_options
@at_option
@click.option(
    "--length", type=Amount(), help="Bytes to erase, such as 64K; to the end when left out."
)
@plan_option
@change_options
@json_option
def erase(
    shelf: Path | None,
    passes: int,
    length: int | None,
    only_plan: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Erase the chip, or a part of it, and verify that it is blank.

    \b
    Example:
      spiflash erase --at 740000h --length 64K --adapter sim:./board
    """
    wanted = replace(write_options(options), passes=passes)
    with connect(settings_from(options)) as connection:
        place, image = shelf_from(shelf), blank(connection, wanted.at, length)
        if only_plan:
            work = prepare(connection, place, image, Bars(), wanted)
            text = plan_text(work.plan, work) + after_plan(work.plan)
            show({"plan": plan_json(work.plan)}, text, as_json=as_json, tone="mixed")
            return
        asked = question(wanted, as_json=as_json)
        done = restore_chip(connection, place, image, Bars(), wanted, agree=asked)
    show_rewritten(done, "Blanked", "the range is erased", as_json=as_json)
