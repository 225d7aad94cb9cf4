"""How full each region is, and what is in it."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.finding import Finding, Span, Verdict, damaged_spans
from spiflash.dump.layout.region import Layout, Region

SECTOR = 4096
_TITLES = 4
_EMPTY = (Verdict.BLANK, Verdict.NOTED)
"""What says nothing of contents: a remark on how the bytes look is no format."""


@dataclass(frozen=True, slots=True)
class Occupancy:
    """How many bytes of a region, in whole 4 KiB sectors, are used.

    A sector is used when it holds anything but FFh, or when a finding covers it: the padding of
    an environment belongs to its checksum. `room` is the unused part at the end, by which the
    contents could grow. `contents` are titles of findings (untrusted), `remarks` what does not
    fit together. `damaged` counts bytes that fail a checksum.
    """

    region: Region
    used: int
    free: int
    room: int
    contents: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    damaged: int = 0


def used_sectors(contents: bytes, findings: Sequence[Finding]) -> NDArray[np.bool_]:
    """For each 4 KiB sector whether it is used; a partial one at the end counts as one."""
    count = -(-len(contents) // SECTOR)
    padded = np.full(count * SECTOR, 0xFF, dtype=np.uint8)
    padded[: len(contents)] = np.frombuffer(contents, dtype=np.uint8)
    used: NDArray[np.bool_] = (padded.reshape(count, SECTOR) != 0xFF).any(axis=1)
    reached = 0
    for finding in sorted(findings, key=lambda each: each.start):
        if finding.verdict in _EMPTY or finding.end <= reached:
            continue
        first = max(finding.start, reached) // SECTOR
        used[first : -(-finding.end // SECTOR)] = True
        reached = finding.end
    return used


def occupancy(
    contents: bytes, findings: Sequence[Finding], layout: Layout
) -> tuple[Occupancy, ...]:
    """One entry a region, in the order of the layout."""
    used = used_sectors(contents, findings)
    shown = [each for each in findings if each.verdict not in _EMPTY]
    shown.sort(key=lambda each: (each.start, -each.length))
    broken = damaged_spans(findings)
    return tuple(_of(region, used, shown, broken, len(contents)) for region in layout.regions)


def _of(
    region: Region,
    used: NDArray[np.bool_],
    findings: Sequence[Finding],
    broken: Sequence[Span],
    size: int,
) -> Occupancy:
    sectors = used[region.start // SECTOR : -(-min(region.end, size) // SECTOR)]
    places = np.flatnonzero(sectors)
    taken = min(len(places) * SECTOR, region.length)
    full = min((int(places[-1]) + 1) * SECTOR, region.length) if len(places) else 0
    first = bisect.bisect_left(findings, region.start, key=lambda each: each.start)
    behind = bisect.bisect_left(findings, region.end, key=lambda each: each.start)
    outermost: list[Finding] = []
    for finding in findings[first:behind]:
        if not outermost or finding.end > outermost[-1].end:
            outermost.append(finding)
    titles = list(dict.fromkeys(each.title for each in outermost))
    more = (f"and {len(titles) - _TITLES} more",) if len(titles) > _TITLES else ()
    return Occupancy(
        region,
        used=taken,
        free=region.length - taken,
        room=region.length - full,
        contents=(*titles[:_TITLES], *more),
        remarks=tuple(_remarks(region, outermost, size)),
        damaged=sum(
            max(min(end, region.end) - max(start, region.start), 0) for start, end in broken
        ),
    )


def _remarks(region: Region, inside: Sequence[Finding], size: int) -> list[str]:
    found = [
        f"{each.title} at {each.start:06X}h ends beyond the region, at {each.end - 1:06X}h"
        for each in inside
        if each.end > region.end
    ]
    if region.end > size:
        found.append(f"{region.end - max(size, region.start)} bytes lie beyond the dump")
    return found[:_TITLES]
