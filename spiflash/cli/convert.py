"""spiflash convert"""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Any

import click

from spiflash.cli.changing import (
    after_plan,
    backup_option,
    consent,
    plan_option,
    unprotect_option,
    verify_option,
    yes_option,
)
from spiflash.cli.options import Command, board_options, json_option, settings_from, words_given
from spiflash.cli.screen import Bars, answer, show, show_error
from spiflash.cli.values import Label, PathGiven, SourceGiven, shelf_from
from spiflash.dump.board_data import Wishes, turned
from spiflash.errors import SpiflashError
from spiflash.files import refuse_existing
from spiflash.jobs.connection import connect
from spiflash.jobs.convert import (
    Asked,
    Prepared,
    foresee,
    prepare,
    prepare_from_set,
    refuse,
    save_image,
    save_job,
    save_page,
)
from spiflash.jobs.convert import convert as convert_chip
from spiflash.jobs.image import load_image, load_layout
from spiflash.jobs.write import Verify
from spiflash.report.changes import (
    conversion_end,
    conversion_json,
    plan_json,
    plan_text,
    proposal_text,
)
from spiflash.report.convert_page import conversion_page
from spiflash.report.pages import set_page
from spiflash.report.plain import plain

_MOST_CHANGES = 100


@click.command(cls=Command)
@click.argument("image", type=SourceGiven())
@board_options
@click.option(
    "--keep",
    multiple=True,
    metavar="REGION",
    help="Keep this region of the board, or range 50000h+4K, whatever IMAGE has there; "
    "REGION=REGION moves it to that region of IMAGE's layout. Can be given several times.",
)
@click.option(
    "--drop",
    multiple=True,
    metavar="ITEM",
    help="Do not keep this: a region, a variable, or an address, as --plan lists them.",
)
@click.option(
    "--set",
    "values",
    multiple=True,
    metavar="NAME=VALUE",
    help="Set this variable in the environment that the board gets.",
)
@click.option(
    "--despite",
    multiple=True,
    metavar="REASON",
    help="Write IMAGE in spite of this reason; a refusal names its reasons.",
)
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file of IMAGE.")
@click.option("--board", type=Label(), default="", metavar="LABEL", help="A label for this board.")
@backup_option
@verify_option
@unprotect_option
@yes_option
@plan_option
@click.option(
    "--save-image",
    "to_image",
    type=PathGiven(),
    metavar="FILE",
    help="Write the image for this board to a new file, not to the chip. With --backup SET no "
    "board is needed.",
)
@click.option(
    "--save-job",
    "to_job",
    type=PathGiven(),
    metavar="FILE",
    help="Write a job for 'spiflash clone' that keeps the same data on the next boards.",
)
@json_option
def convert(
    image: Path,
    shelf: Path | None,
    passes: int,
    keep: tuple[str, ...],
    drop: tuple[str, ...],
    values: tuple[str, ...],
    despite: tuple[str, ...],
    layout: Path | None,
    board: str,
    backup: Path | None,
    verify: str,
    unprotect: bool,
    yes: bool,
    only_plan: bool,
    to_image: Path | None,
    to_job: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Write an image to one board, which keeps its own data.

    Saves the board first, unless that is done already. Then it says what happens to each MAC
    address, serial number, calibration, key and setting, and whether IMAGE belongs on this board;
    then it asks, writes and verifies. After an interruption the same command continues.

    \b
    Examples:
      spiflash convert openfw.img --plan
      spiflash convert openfw.img --drop config --set bootdelay=3
    """
    asked = Asked(
        Wishes(keep, drop, _variables(values)),
        despite,
        image_layout=load_layout(layout) if layout is not None else None,
        backup=backup,
        label=board,
        passes=passes,
    )
    source = load_image(image)
    for path in filter(None, (to_image, to_job)):
        refuse_existing(path)
    words = words_given(options, shelf)
    settings = settings_from(options)
    if backup is not None and to_image is not None:
        prepared = prepare_from_set(backup, source, asked)
        _told(prepared, as_json)
        saved = _saved(prepared, image, to_image, to_job)
        show(_document(prepared, saved), f"\n{_saved_text(saved)}", as_json=as_json)
        return
    place = shelf_from(shelf)
    with connect(settings) as connection:
        prepared = prepare(connection, place, source, asked, Bars(), page=set_page)
        _told(prepared, as_json)
        if not (only_plan or to_image or yes or as_json or prepared.begun or prepared.done):
            prepared = _changed(prepared)
        if only_plan or to_image is not None:
            work = foresee(connection, place, prepared, Bars())
            saved = _saved(prepared, image, to_image, to_job)
            document = {**_document(prepared, saved), "plan": plan_json(work.plan)}
            text = "\n".join(filter(None, (plan_text(work.plan, work), _saved_text(saved))))
            text += after_plan(work.plan) if only_plan else ""
            show(document, f"\n{text}", as_json=as_json)
            return
        done = convert_chip(
            connection,
            place,
            prepared,
            Bars(),
            agree=lambda work: consent(work, yes=yes, as_json=as_json),
            in_advance=yes,
            verify=Verify(verify),
            unprotect=unprotect,
        )
    saved = _saved(prepared, image, None, to_job)
    back = shlex.join(["spiflash", "restore", str(prepared.set.path), *words])
    page = save_page(prepared, back, Bars(), conversion_page) if done.plan.steps else None
    document = {
        **_document(prepared, saved),
        "plan": plan_json(done.plan),
        "proof": plain(done.proof),
        "repaired": list(done.repaired),
        "seconds": done.seconds,
        "verified": True,
        "page": str(page) if page else None,
    }
    text = conversion_end(prepared.proposal, done, page=str(page or ""), back=back)
    text = "\n".join(filter(None, (text, _saved_text(saved))))
    show(document, f"\n{text}", as_json=as_json)


def _variables(given: tuple[str, ...]) -> dict[str, str]:
    pairs = [each.partition("=") for each in given]
    if not all(name and equals and value for name, equals, value in pairs):
        raise click.UsageError("--set takes NAME=VALUE")
    return {name: value for name, _, value in pairs}


def _text(prepared: Prepared) -> str:
    how = "already on the shelf; the chip holds exactly this"
    if prepared.fresh:
        how = "made just now, verified"
    elif prepared.begun:
        how = "this conversion was interrupted and is continued"
    elif prepared.done:
        how = "the chip already holds the result"
    return proposal_text(
        prepared.board,
        prepared.image,
        prepared.proposal,
        prepared.concerns,
        prepared.refused,
        backup=f"{prepared.set.path} ({how})",
    )


def _tone(prepared: Prepared) -> str:
    if prepared.refused:
        return "bad"
    return "mixed" if prepared.proposal.lost else "good"


def _told(prepared: Prepared, as_json: bool) -> None:
    """Show what would become of the board; an image that does not belong there ends it."""
    if not as_json:
        answer(_text(prepared), tone=_tone(prepared))
    elif prepared.refused:
        show(_document(prepared, ()), "", as_json=True)
    refuse(prepared)


def _changed(prepared: Prepared) -> Prepared:
    """Let a person on a terminal change what happens to an item."""
    if sys.stdin is None or not sys.stdin.isatty() or not prepared.proposal.decisions:
        return prepared
    for _ in range(_MOST_CHANGES):
        word = click.prompt(
            "Type a name to keep or drop that item; press Enter to continue",
            default="",
            show_default=False,
            err=True,
        ).strip()
        if not word:
            break
        try:
            wishes = turned(prepared.proposal.decisions, prepared.asked.wishes, word)
            prepared = prepared.with_wishes(wishes)
        except SpiflashError as error:
            show_error(error)
        else:
            answer(_text(prepared), tone=_tone(prepared))
    return prepared


def _saved(
    prepared: Prepared, source: Path, to_image: Path | None, to_job: Path | None
) -> tuple[tuple[str, Path], ...]:
    """(what, file) of each file that was asked for."""
    found: list[tuple[str, Path]] = []
    if to_image is not None:
        save_image(prepared, to_image)
        found.append(("image", to_image))
    if to_job is not None:
        save_job(prepared, source, to_job)
        found.append(("job", to_job))
    return tuple(found)


def _saved_text(saved: tuple[tuple[str, Path], ...]) -> str:
    lines = []
    for what, path in saved:
        if what == "image":
            lines.append(f"The image for this board is in {path}. The chip was not written.")
        else:
            lines.append(f"For the next board:\n  spiflash clone {shlex.quote(str(path))}")
    return "\n".join(lines)


def _document(prepared: Prepared, saved: tuple[tuple[str, Path], ...]) -> dict[str, object]:
    return {
        "image": prepared.source.name,
        "set": str(prepared.set.path),
        "fresh": prepared.fresh,
        "taken_up_again": prepared.begun,
        "made_sha256": prepared.made.sha256,
        **conversion_json(prepared.proposal, prepared.concerns, prepared.refused),
        **{f"saved_{what}": str(path) for what, path in saved},
    }
