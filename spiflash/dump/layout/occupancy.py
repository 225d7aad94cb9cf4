"""How full each region is, and whether contents fit a chip of another size."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.coverage import sectors_of
from spiflash.dump.finding import Finding, Verdict, damaged_spans
from spiflash.dump.formats import is_blank
from spiflash.dump.layout import Layout, Region
from spiflash.spans import SECTOR, Span
from spiflash.text import counted

_TITLES = 4
_EMPTY = (Verdict.BLANK, Verdict.NOTED)
"""What does not count as contents: a note on how the bytes look is no format."""


@dataclass(frozen=True, slots=True)
class Occupancy:
    """How many bytes of a region, in whole 4 KiB sectors, are used.

    A sector is used when it holds anything but FFh, or when a finding covers it: the padding of
    an environment belongs to its checksum. `room` is the unused part at the end, by which the
    contents could grow. `contents` are titles of findings (untrusted), `remarks` say what is
    inconsistent. `damaged` counts bytes that fail a checksum.
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
    padded = contents + b"\xff" * (-len(contents) % SECTOR)
    used: NDArray[np.bool_] = (sectors_of(padded) != 0xFF).any(axis=1)
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
    damaged = damaged_spans(findings)
    return tuple(_of(region, used, shown, damaged, len(contents)) for region in layout.regions)


def _of(
    region: Region,
    used: NDArray[np.bool_],
    findings: Sequence[Finding],
    damaged: Sequence[Span],
    size: int,
) -> Occupancy:
    sectors = used[region.start // SECTOR : -(-min(region.end, size) // SECTOR)]
    places = np.flatnonzero(sectors)
    taken = min(len(places) * SECTOR, region.length)
    full = min((int(places[-1]) + 1) * SECTOR, region.length) if len(places) else 0
    first = bisect.bisect_left(findings, region.start, key=lambda each: each.start)
    after = bisect.bisect_left(findings, region.end, key=lambda each: each.start)
    outermost: list[Finding] = []
    for finding in findings[first:after]:
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
            max(min(end, region.end) - max(start, region.start), 0) for start, end in damaged
        ),
    )


def _remarks(region: Region, inside: Sequence[Finding], size: int) -> list[str]:
    found = [
        f"{each.title} at {each.start:06X}h ends after the region, at {each.end - 1:06X}h"
        for each in inside
        if each.end > region.end
    ]
    if region.end > size:
        beyond = counted(region.end - max(size, region.start), "byte")
        found.append(f"{beyond} after the end of the dump")
    return found[:_TITLES]


# Other chips -------------------------------------------------------------------------------------

SMALLEST = 64 << 10
"""Bytes: no smaller chip is suggested."""


@dataclass(frozen=True, slots=True)
class Room:
    """A region, and the bytes at its end that are unused."""

    region: str
    room: int


@dataclass(frozen=True, slots=True)
class Fit:
    """Contents against a chip of `size` bytes.

    `fits` is True when they can be written there, cut if need be. `verdict` says so in a
    sentence. `over` counts used bytes after the end of the chip. `lost` names regions that end
    after it, used or not. `shrink` lists where room could come from, and `enough` says whether
    that would do.
    """

    size: int
    fits: bool
    verdict: str
    over: int = 0
    lost: tuple[str, ...] = ()
    shrink: tuple[Room, ...] = ()
    enough: bool = True


def used_end(contents: bytes, findings: Sequence[Finding]) -> int:
    """The address, a whole number of 4 KiB sectors, after which nothing is used: only blank
    bytes, or zeros that belong to no item, as tools pad an image."""
    places = np.flatnonzero(_held(contents, findings))
    return min((int(places[-1]) + 1) * SECTOR, len(contents)) if len(places) else 0


def _held(contents: bytes, findings: Sequence[Finding]) -> NDArray[np.bool_]:
    """For each 4 KiB sector whether it holds anything that has to be kept."""
    used = used_sectors(contents, findings)
    zero = np.zeros(len(used), dtype=bool)
    zero[: len(contents) // SECTOR] = (sectors_of(contents) == 0).all(axis=1)
    for each in findings:
        if each.verdict not in _EMPTY:
            zero[each.start // SECTOR : -(-each.end // SECTOR)] = False
    held: NDArray[np.bool_] = used & ~zero
    return held


def smallest_chip(contents: bytes, findings: Sequence[Finding]) -> int:
    """Bytes of the smallest chip, a power of two, that holds everything that is used."""
    needed = used_end(contents, findings)
    return max(1 << max(needed - 1, 0).bit_length(), SMALLEST)


def repeats_after(contents: bytes) -> int | None:
    """Bytes after which the contents repeat to the end, a power of two; None when not.

    A chip that is read with too large a size does this: it ignores the higher address bits.
    """
    found = None
    period = len(contents) // 2
    while period >= SMALLEST and 2 * period == (found or len(contents)):
        if contents[:period] != contents[period : 2 * period]:
            break
        found, period = period, period // 2
    return found


def fit(contents: bytes, findings: Sequence[Finding], layout: Layout, size: int) -> Fit:
    """Compare `contents` with a chip of `size` bytes."""
    have = len(contents)
    end = used_end(contents, findings)
    lost = tuple(region.name for region in layout.regions if region.end > size)
    if have == size:
        return Fit(size, True, f"It fits exactly: it has {counted(have, 'byte')}, as the chip.")
    if have < size:
        rest = f"the other {size - have:,} of the chip's {size:,} stay unchanged"
        return Fit(size, True, f"It fits: it has {have:,} bytes; {rest}.")
    if end <= size:
        rest = "blank" if is_blank(contents, end) else "blank or zero"
        text = f"It fits when cut to {size:,} bytes: everything from {end:06X}h on is {rest}."
        return Fit(size, True, text, lost=lost)
    period = repeats_after(contents)
    if period is not None and period <= size:
        text = f"It fits when cut to {period:,} bytes: after that the same bytes repeat, as when a "
        text += "smaller chip is read with too large a size."
        return Fit(size, True, text, lost=lost)
    return _too_large(contents, findings, layout, size, lost)


def _too_large(
    contents: bytes, findings: Sequence[Finding], layout: Layout, size: int, lost: tuple[str, ...]
) -> Fit:
    used = _held(contents, findings)
    over = int(used[size // SECTOR :].sum()) * SECTOR
    taken = int(used.sum()) * SECTOR
    rooms = _rooms(layout, used, len(contents))
    missing = used_end(contents, findings) - size
    enough = sum(room.room for room in rooms) >= missing
    verdict = f"It does not fit: {over:,} used bytes are after the end of the chip."
    if taken > size:
        verdict += f" {taken:,} bytes are used in all, so moving things does not help."
    elif enough:
        verdict += f" Earlier regions would have to shrink by {missing:,} bytes in all."
    else:
        verdict += f" The unused ends of the regions are less than the {missing:,} bytes needed."
    return Fit(size, False, verdict, over, lost, rooms, enough and taken <= size)


def _rooms(layout: Layout, used: NDArray[np.bool_], size: int) -> tuple[Room, ...]:
    """The unused ends of regions and of the gaps between them, largest first. Only what is before
    the last used byte helps, so the last used one does not count."""
    places = np.flatnonzero(used)
    last = int(places[-1]) * SECTOR if len(places) else 0
    rooms = []
    # Of a region and a gap with as much room the region comes first.
    for each in sorted(layout.with_gaps, key=lambda each: each not in layout.regions):
        if each.start <= last < each.end or each.start >= last:
            continue
        held = places[(places >= each.start // SECTOR) & (places < -(-each.end // SECTOR))]
        reached = min((int(held[-1]) + 1) * SECTOR, each.end) if len(held) else each.start
        if min(each.end, size) > reached:
            rooms.append(Room(each.name, min(each.end, size) - reached))
    return tuple(sorted(rooms, key=lambda room: -room.room))
