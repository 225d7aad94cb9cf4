"""spiflash verify"""

from __future__ import annotations

import shlex
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import (
    at_option,
    bench_options,
    json_option,
    passes_option,
    settings_from,
    words_given,
)
from spiflash.cli.screen import Bars, show
from spiflash.cli.values import PathGiven
from spiflash.errors import VerifyError
from spiflash.jobs.backup import verify as verify_chip
from spiflash.jobs.connection import connect
from spiflash.jobs.image import load_image
from spiflash.report.record_facts import evidence_facts
from spiflash.text import ranges_text


@click.command()
@click.argument("source", type=PathGiven())
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
        "evidence": asdict(found.reading.evidence),
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
