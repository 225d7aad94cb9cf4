"""spiflash backup and verify: save what a chip holds, and compare it with what was saved."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import (
    Command,
    announce_adapter,
    at_option,
    bench_options,
    board_options,
    details_option,
    interrupted_work,
    json_option,
    passes_option,
    settings_from,
    shelf_option,
    words_given,
)
from spiflash.cli.screen import Bars, answer, show
from spiflash.cli.values import Label, SourceGiven, shelf_from
from spiflash.errors import UnstableReadError, VerifyError
from spiflash.jobs.backup import back_up
from spiflash.jobs.backup import verify as verify_chip
from spiflash.jobs.connection import connect
from spiflash.jobs.image import load_image
from spiflash.report.backup import backup_json, backup_text, verify_headline, verify_text
from spiflash.report.pages import set_page
from spiflash.report.plain import plain
from spiflash.report.record_facts import headline
from spiflash.text import address


@click.command(cls=Command)
@board_options
@click.option(
    "--board",
    type=Label(),
    default="",
    metavar="LABEL",
    help="A label for this board, kept in the set.",
)
@click.option(
    "--details",
    is_flag=True,
    help="Print everything that the set's page says, with map and findings.",
)
@json_option
def backup(
    shelf: Path | None, passes: int, board: str, details: bool, as_json: bool, **options: Any
) -> None:
    """Read the chip in several passes and keep a verified backup set.

    The set goes on the shelf, with a page to look at. The exit status is 0 only when the set is
    verified.

    \b
    Example:
      spiflash backup --adapter sim:heron --board gauge-23
    """
    words, reach = words_given(options, shelf), words_given(options)
    with connect(replace(settings_from(options), announce_adapter=announce_adapter)) as connection:
        interrupted_work(connection, shelf, words)
        made = back_up(
            connection, shelf_from(shelf), Bars(), board=board, passes=passes, page=set_page
        )
    path = made.set.path
    if as_json:
        answer(backup_json(made.record, made.findings, made.coverage, path), as_json=True)
    else:
        tone = headline(made.record, made.coverage).tone
        text = backup_text(made.record, made.audit, path, words=words, reach=reach, details=details)
        answer(text, tone=tone)
    if not made.record.verified:
        click.get_current_context().exit(UnstableReadError.status)


@click.command(cls=Command)
@click.argument("source", type=SourceGiven())
@details_option
@bench_options
@shelf_option
@at_option
@passes_option
@json_option
def verify(
    source: Path,
    shelf: Path | None,
    at: int,
    passes: int,
    details: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Compare the chip with an image file or a backup set.

    Changes nothing. The exit status is 0 only when the chip holds SOURCE.

    \b
    Example:
      spiflash verify factory.bin --adapter sim:heron
    """
    image = load_image(source)
    words = words_given(options, shelf)
    with connect(settings_from(options)) as connection:
        found = verify_chip(connection, image, Bars(), at=at, passes=passes)
    document: dict[str, object] = {
        "source": str(source),
        "sha256": image.sha256,
        "at": at,
        "bytes": found.compared,
        "equal": found.equal,
        "differing": [list(pair) for pair in found.differing],
        "unsure": [list(pair) for pair in found.unsure],
        "passes": len(found.reading.passes),
        "evidence": plain(found.reading.evidence),
        "doubts": list(found.reading.doubts),
    }
    place = ("--at", address(at)) if at else ()
    restore = shlex.join(["spiflash", "restore", str(source), *place, *words])
    text = verify_text(found, str(source), restore, details=details)
    show(document, text, as_json=as_json, tone=verify_headline(found, str(source)).tone)
    if not found.equal:
        click.get_current_context().exit(VerifyError.status)
