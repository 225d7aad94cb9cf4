"""Sectors and findings drawn: what each sector holds, how random it looks, map, strip and rows."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.archive.record import AgreementRecord
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.audit import VERDICT_WORDS
from spiflash.spans import SECTOR, merged
from spiflash.text import address, amount, clean, counted, span


class Holds(enum.Enum):
    """What a sector holds, most doubtful first."""

    DAMAGED = "damaged"
    UNRECOGNISED = "unproven"
    CONSISTENT = "consistent"
    VERIFIED = "vouched"
    BLANK = "blank"


_LEVELS = tuple(Holds)
# Where findings overlap, a byte counts for the last of these: a failed checksum outweighs one
# that held, and either says more than a structure that makes sense.
_RISING = (Verdict.CONSISTENT, Verdict.BLANK, Verdict.VERIFIED, Verdict.DAMAGED)
_TITLES_PER_SECTOR = 3
_TITLED_FINDINGS = 500  # the longest ones; a hostile dump can hold any number


@dataclass(frozen=True, slots=True)
class Sector:
    """One sector: what it mostly holds, bytes by kind, what the passes say, what is in it.

    `counts` has only kinds that occur. `agreement` is "stable", "settled", "unstable" or
    "changed".
    `titles` are those of at most three findings (untrusted text).
    """

    start: int
    length: int
    holds: Holds
    counts: tuple[tuple[Holds, int], ...]
    agreement: str
    titles: tuple[str, ...]


def sectors(
    contents: bytes, findings: Sequence[Finding], agreement: AgreementRecord
) -> tuple[Sector, ...]:
    """All sectors of `contents` in order.

    A sector with one damaged byte counts as damaged; otherwise what most of its bytes that are
    not blank hold decides, the more doubtful in a tie.
    """
    size = agreement.sector_size
    count = -(-len(contents) // size)
    kinds = _kinds(contents, findings)
    padded = np.full(count * size, len(_LEVELS), dtype=np.uint8)  # beyond the end: no kind
    padded[: len(kinds)] = kinds
    rows = padded.reshape(count, size)
    counts = np.stack([(rows == level).sum(axis=1) for level in range(len(_LEVELS))], axis=1)

    titles = _titles(findings, size, count)
    says_of = {
        **dict.fromkeys(agreement.settled, "settled"),
        **dict.fromkeys(agreement.unstable, "unstable"),
        **dict.fromkeys(agreement.changed, "changed"),
    }
    result = []
    for index, row in enumerate(counts.tolist()):
        start = index * size
        result.append(
            Sector(
                start=start,
                length=min(size, len(contents) - start),
                holds=_decide(row),
                counts=tuple((kind, n) for kind, n in zip(_LEVELS, row, strict=True) if n),
                agreement=says_of.get(start, "stable"),
                titles=tuple(titles[index]),
            )
        )
    return tuple(result)


def _kinds(contents: bytes, findings: Sequence[Finding]) -> NDArray[np.uint8]:
    """For each byte the index into `_LEVELS`."""
    values = np.frombuffer(contents, dtype=np.uint8)
    kinds = np.where(
        values == 0xFF,
        np.uint8(_LEVELS.index(Holds.BLANK)),
        np.uint8(_LEVELS.index(Holds.UNRECOGNISED)),
    )
    claims = [claim for each in findings for claim in each.verdicts()]
    for verdict in _RISING:
        level = _LEVELS.index(Holds(verdict.value))
        # Merged, so that a flood of overlapping findings marks no byte twice.
        for start, end in merged([place for place, said in claims if said is verdict]):
            kinds[max(start, 0) : max(end, 0)] = level
    return kinds


def _decide(row: list[int]) -> Holds:
    counts = dict(zip(_LEVELS, row, strict=True))
    if counts[Holds.DAMAGED]:
        return Holds.DAMAGED
    used = (Holds.UNRECOGNISED, Holds.CONSISTENT, Holds.VERIFIED)
    if not any(counts[kind] for kind in used):
        return Holds.BLANK
    return max(used, key=lambda kind: counts[kind])


def _titles(findings: Sequence[Finding], size: int, count: int) -> list[list[str]]:
    titles: list[list[str]] = [[] for _ in range(count)]
    named = sorted(
        (each for each in findings if each.verdict is not Verdict.BLANK and each.length > 0),
        key=lambda each: -each.length,
    )
    for finding in named[:_TITLED_FINDINGS]:
        for index in range(max(finding.start, 0) // size, min(-(-finding.end // size), count)):
            if len(titles[index]) < _TITLES_PER_SECTOR:
                titles[index].append(finding.title)
    return titles


def entropy(contents: bytes, columns: int) -> tuple[float, ...]:
    """Shannon entropy of consecutive equal stretches of `contents`, in bits a byte (0–8).

    At most `columns` stretches, none of less than 256 bytes but the last. A stretch of n bytes
    cannot show more than log2(n) bits.
    """
    step = max(256, -(-len(contents) // columns))
    values = np.frombuffer(contents, dtype=np.uint8)
    result = []
    for start in range(0, len(values), step):
        counts = np.bincount(values[start : start + step])
        shares = counts[counts > 0] / counts.sum()
        result.append(abs(float(-(shares * np.log2(shares)).sum())))
    return tuple(result)


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


HOLDS_WORDS = {
    Holds.VERIFIED: "checksum OK",
    Holds.CONSISTENT: "format fits",
    Holds.UNRECOGNISED: "not recognised",
    Holds.DAMAGED: "fails its checksum",
    Holds.BLANK: "blank",
}
"""What a sector holds, for people."""

KEY = (
    (Holds.VERIFIED, "a checksum in the dump covers it and is correct"),
    (Holds.CONSISTENT, "no checksum; it fits a known format"),
    (Holds.UNRECOGNISED, "no checksum; nothing recognises it"),
    (Holds.DAMAGED, "a checksum in the dump covers it and is wrong"),
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
        "words": {kind.value: text for kind, text in HOLDS_WORDS.items()},
        "verdicts": {kind.value: text for kind, text in VERDICT_WORDS.items()},
    }


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
    counts = ", ".join(f"{HOLDS_WORDS[kind]} {counted(n, 'byte')}" for kind, n in part.counts)
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
                f"{address(index * step, size)}: {value:.2f} bits per byte",
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
