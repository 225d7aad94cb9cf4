"""What the pages of a backup and of an audit draw alike: map, bar, entropy strip, findings."""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import jinja2

from spiflash.archive.record import AgreementRecord
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding
from spiflash.report.sectors import Holds, Sector, entropy
from spiflash.text import address, amount, clean, counted, span

# The map: a row of 64 cells is 256 KiB of 4 KiB sectors; a gap after each 64 KiB block.
_COLUMNS = 64
_GROUP = 16
_PITCH = 13  # user units from cell to cell
_GAP = 5
_LEFT = 74  # room for the addresses
_TOP = 20
_STRIP_COLUMNS = 256
FINDINGS_LIMIT = 2000
"""Findings that a page lists."""
_DETAILS_LIMIT = 40

SECTOR = 4096
"""Bytes of a cell when nothing is known of the reading."""

KEY = (
    (Holds.VERIFIED, "a checksum in the dump covers it and held"),
    (Holds.CONSISTENT, "makes sense, but no checksum covers it"),
    (Holds.UNRECOGNISED, "nothing recognised it"),
    (Holds.DAMAGED, "a checksum in the dump covers it and failed"),
    (Holds.BLANK, "erased, every byte FFh"),
)


@dataclass(frozen=True, slots=True)
class _Cell:
    x: int
    y: int
    start: int
    holds: str
    agreement: str
    tip: str


@dataclass(frozen=True, slots=True)
class _Row:
    start: int
    end: int
    first: str
    last: str
    length: str
    title: str
    kind: str
    verdict: str
    checks: tuple[str, ...]
    details: tuple[tuple[str, str], ...]


def pieces(
    contents: bytes,
    findings: Sequence[Finding],
    coverage: Coverage,
    parts: Sequence[Sector],
    agreement: AgreementRecord | None,
) -> dict[str, object]:
    """What the shared parts of the templates need.

    `parts` are the sectors of `contents`; `agreement` is None when nothing is known of the
    reading, and the key then has no line about it.
    """
    size = len(contents)
    return {
        "coverage": clean(coverage.headline),
        "bar": coverage_bar(coverage),
        "key": [(kind.value, text, sum(s.holds is kind for s in parts)) for kind, text in KEY],
        "map": sector_map(parts, size),
        "marks": None
        if agreement is None
        else {
            word: sum(s.agreement == word for s in parts)
            for word in ("settled", "unstable", "changed")
        },
        "sector": amount(agreement.sector_size if agreement else SECTOR),
        "strip": entropy_strip(contents),
        "rows": [finding_row(each, size) for each in findings[:FINDINGS_LIMIT]],
        "total": len(findings),
    }


def template(name: str) -> jinja2.Template:
    """A template of this folder; everything that it shows is escaped."""
    return _templates().get_template(name)


@functools.cache
def _templates() -> jinja2.Environment:
    # Made once: parsing them takes longer than filling one in.
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("spiflash", "report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["csp_digest"] = _csp_digest
    environment.filters["thousands"] = lambda number: f"{number:,}"
    return environment


def _csp_digest(text: str) -> str:
    """The source expression of an inline style or script (Content Security Policy Level 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(str(text).encode()).digest()).decode()


def coverage_bar(coverage: Coverage) -> list[tuple[str, int, float, float]]:
    """(kind, bytes, left, width) of the parts of a bar of 1000 units."""
    result = []
    left = 0.0
    for kind, _ in KEY:
        count = int(getattr(coverage, kind.name.lower()))
        width = 1000 * count / max(coverage.total, 1)
        if count:
            result.append((kind.value, count, round(left, 2), round(width, 2)))
        left += width
    return result


def _x(column: int) -> int:
    return _LEFT + column * _PITCH + column // _GROUP * _GAP


def sector_map(parts: Sequence[Sector], size: int) -> dict[str, object]:
    """A cell a sector, with the addresses along the edges of a map of `size` bytes."""
    cells = [
        _Cell(
            x=_x(index % _COLUMNS),
            y=_TOP + index // _COLUMNS * _PITCH,
            start=part.start,
            holds=part.holds.value,
            agreement=part.agreement,
            tip=_tip(part, size),
        )
        for index, part in enumerate(parts)
    ]
    lines = -(-len(parts) // _COLUMNS)
    step = parts[0].length if parts else 0
    return {
        "cells": cells,
        "columns": _COLUMNS,
        "width": _x(_COLUMNS),
        "height": _TOP + lines * _PITCH + 2,
        "across": [
            (_x(column), f"+{column * step // 1024} KiB") for column in range(0, _COLUMNS, _GROUP)
        ],
        "down": [
            (_TOP + line * _PITCH + 10, address(line * _COLUMNS * step, size))
            for line in range(lines)
        ],
    }


def _tip(part: Sector, size: int) -> str:
    counts = ", ".join(f"{counted(n, 'byte')} {kind.value}" for kind, n in part.counts)
    place = span(part.start, part.start + part.length, size)
    text = f"{place}: {counts}; {part.agreement}"
    titles = " + ".join(clean(title, 60) for title in part.titles)
    return f"{text}; {titles}" if titles else text


def entropy_strip(contents: bytes) -> dict[str, object]:
    """Bars of entropy, in bits a byte, from the first address to the last."""
    size = len(contents)
    values = entropy(contents, _STRIP_COLUMNS)
    width = (_x(_COLUMNS) - _LEFT) / max(len(values), 1)
    step = max(256, -(-size // _STRIP_COLUMNS))
    return {
        "left": _LEFT,
        "width": _x(_COLUMNS),
        "step": amount(step),
        "bars": [
            (
                round(_LEFT + index * width, 2),
                round(width, 2),
                round(value * 10, 1),
                f"{address(index * step, size)}: {value:.2f} bits a byte",
            )
            for index, value in enumerate(values)
        ],
        "marks": [
            (round(_LEFT + part * (_x(_COLUMNS) - _LEFT) / 8, 1), address(part * size // 8, size))
            for part in range(8)
        ],
    }


def finding_row(finding: Finding, size: int) -> _Row:
    """A finding in words that can be shown, for a dump of `size` bytes."""
    return _Row(
        start=finding.start,
        end=finding.end,
        first=address(finding.start, size),
        last=address(max(finding.end - 1, finding.start), size),
        length=amount(finding.length),
        title=clean(finding.title, 160),
        kind=clean(finding.kind, 40),
        verdict=finding.verdict.value,
        checks=tuple(clean(each, 160) for each in finding.checks[:_DETAILS_LIMIT]),
        details=tuple(
            (clean(name, 60), clean(value)) for name, value in finding.details[:_DETAILS_LIMIT]
        ),
    )
