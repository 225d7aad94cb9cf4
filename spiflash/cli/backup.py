"""spiflash backup and verify: save what a chip holds, and compare it with what was saved."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import (
    announce_adapter,
    at_option,
    bench_options,
    board_options,
    json_option,
    passes_option,
    settings_from,
    shelf_from,
    words_given,
)
from spiflash.cli.screen import Bars, answer, show
from spiflash.cli.values import Label, SourceGiven
from spiflash.errors import UnstableReadError, VerifyError
from spiflash.jobs.backup import back_up
from spiflash.jobs.backup import verify as verify_chip
from spiflash.jobs.connection import connect
from spiflash.jobs.image import load_image
from spiflash.report.backup import backup_details, backup_json, backup_text, set_text
from spiflash.report.pages import set_page
from spiflash.report.plain import plain
from spiflash.report.record_facts import evidence_facts
from spiflash.text import ranges_text


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


@click.command()
@click.argument("source", type=SourceGiven())
@bench_options
@at_option
@passes_option
@json_option
def verify(source: Path, at: int, passes: int, as_json: bool, **options: Any) -> None:
    """Compare the chip with SOURCE, an image file or a backup set.

    Changes nothing. The exit status is 0 only when the chip holds SOURCE.

    \b
    Example:
      spiflash verify factory.bin --adapter sim:heron
    """
    image = load_image(source)
    words = words_given(options)
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
    certainty = "\n".join(
        f"{label}: {value}" for label, value in evidence_facts(found.reading.evidence)[:3]
    )
    if found.equal:
        count = len(found.reading.passes)
        text = f"Equal: all {found.compared} bytes of {source}, in {count} passes that agree."
    else:
        lines = []
        if found.differing:
            lines.append(f"Different  {ranges_text(found.differing)}")
        if found.unsure:
            lines.append(f"Unsure     {ranges_text(found.unsure)}")
        text = "\n".join(lines)
    show(document, f"{text}\n{certainty}", as_json=as_json)
    if not found.equal:
        amount = sum(high - low for low, high in (*found.differing, *found.unsure))
        raise VerifyError(
            f"The chip does not hold {source}: {amount} bytes lie in sectors that differ.",
            state="The chip was only read.",
            remedy=f"This would write what differs: {_restore(source, at, words)}",
        )


def _restore(source: Path, at: int, words: tuple[str, ...]) -> str:
    place = ("--at", f"{at:#x}") if at else ()
    return shlex.join(["spiflash", "restore", str(source), *place, *words])
