"""The pieces of firmware in a region, apart from what merely stands beside them.

A region that is called "boot" may hold a loader and, behind a blank, a MAC address; one that is
called "firmware" a kernel, a root file system, and what the board has written behind both. Only
the pieces are ever taken from an image.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spiflash.dump.finding import Finding, Verdict, environments
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.reference import Reference, surely_own
from spiflash.spans import SECTOR, Span, merged, without

APART = 1024
"""Bytes of FFh that part two pieces (common practice, no source: linkers leave less)."""

WRITTEN_BY_THE_BOARD = frozenset({"jffs2", "ubi", "ubifs", "ext", "fat"})
"""File systems that the running board writes to: never replaced in part."""

_NO_PIECE = frozenset({"blank", "runs", "banner", "environment", "zeros"})


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes `start` to `end`; `finding` is what was recognised there, None for bare code."""

    start: int
    end: int
    finding: Finding | None = None


def outermost(reference: Reference, region: Region) -> list[Finding]:
    """What was recognised in a region and lies in nothing else there, by rising address."""
    found: list[Finding] = []
    for each in reference.findings:
        if not region.start <= each.start < region.end:
            continue
        if each.kind in _NO_PIECE or each.verdict in (Verdict.BLANK, Verdict.NOTED):
            continue
        if not found or each.start >= found[-1].end:
            found.append(each)
    return found


def islands(contents: bytes, start: int, end: int, apart: int = APART) -> list[Span]:
    """The runs of data between `start` and `end` that `apart` bytes of FFh or more part."""
    used = np.flatnonzero(np.frombuffer(contents, np.uint8)[start:end] != 0xFF)
    if not len(used):
        return []
    breaks = np.flatnonzero(np.diff(used) > apart)
    firsts = np.concatenate(([0], breaks + 1))
    lasts = np.concatenate((breaks, [len(used) - 1]))
    return [
        (start + int(used[first]), start + int(used[last]) + 1)
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True)
    ]


def pieces(reference: Reference, region: Region) -> list[Piece]:
    """The firmware of a region by rising address: what was recognised, and bare code.

    Left out are saved environments, file systems that the board writes to, what is known to be
    one board's own, and small islands behind a blank: a serial number beside a loader is none
    of the loader.
    """
    limit = min(region.end, len(reference.contents))
    if region.start >= limit:
        return []
    recognised = outermost(reference, region)
    aside: list[Span] = [
        (each.start, each.end)
        for each in environments(reference.findings)
        if each.saved and each.start < limit and each.end > region.start
    ]
    aside += [(e.start, e.end) for e in recognised if e.kind in WRITTEN_BY_THE_BOARD]
    formats = [each for each in recognised if each.kind not in WRITTEN_BY_THE_BOARD]
    found: list[Piece] = []
    if region.role is not Role.BOOT:
        found = [
            Piece(e.start, _padded(reference.contents, min(e.end, limit), limit), e)
            for e in formats
        ]
        aside += [(each.start, each.end) for each in found]
    own = surely_own(reference)
    for start, end in _bare(reference, region, limit, aside):
        inside = any(each.start < end and start < each.end for each in formats)
        first = start - region.start < SECTOR
        beside = [e for e in own if start <= e.start and e.end <= end]
        if region.role is Role.BOOT:
            if (
                first
                or inside
                or (end - start >= SECTOR and not (beside and end - start < 1 << 16))
            ):
                found.append(Piece(start, end))
        elif first and not formats:
            found.append(Piece(start, end))
    return sorted(found, key=lambda each: each.start)


def whole_pieces(reference: Reference, borders: Sequence[int] = ()) -> list[Piece]:
    """What a chip holds piece by piece, whatever regions there are, by rising address: what was
    recognised and is not damaged, and runs of bare data that a blank sector parts.

    Saved environments and file systems that the board writes to are left out. No piece goes
    across one of the `borders`.
    """
    size = len(reference.contents)
    edges = sorted({0, size, *(each for each in borders if 0 < each < size)})
    recognised = outermost(reference, Region("chip", 0, size))
    aside = [(each.start, min(each.end, size)) for each in recognised]
    aside += [(e.start, min(e.end, size)) for e in environments(reference.findings) if e.saved]
    found = [
        Piece(max(each.start, low), min(each.end, high), each)
        for each in recognised
        if each.verdict is not Verdict.DAMAGED and each.kind not in WRITTEN_BY_THE_BOARD
        for low, high in pairwise(edges)
        if each.start < high and low < each.end
    ]
    for low, high in pairwise(edges):
        for start, end in without([(low, high)], merged(aside)):
            runs = islands(reference.contents, start, end, SECTOR)
            found += [Piece(first, last) for first, last in runs]
    return sorted(found, key=lambda each: each.start)


def _padded(contents: bytes, end: int, limit: int) -> int:
    """Where an item ends together with the zeros that fill its last sector."""
    last = min(-(-end // SECTOR) * SECTOR, limit)
    return last if contents[end:last].count(0) == last - end else end


def _bare(reference: Reference, region: Region, limit: int, aside: list[Span]) -> list[Span]:
    spans = without([(region.start, limit)], merged(aside))
    return [run for start, end in spans for run in islands(reference.contents, start, end)]
