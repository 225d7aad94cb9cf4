"""Whether contents fit a chip of another size, and what would have to shrink."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.layout.occupancy import used_sectors
from spiflash.dump.layout.region import Layout, Region

SECTOR = 4096
_BLANK = b"\xff"
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
    sentence. `over` counts used bytes that lie beyond the chip. `lost` names regions that end
    beyond it, used or not. `shrink` lists where room could come from, and `enough` says whether
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
    """The address, a whole number of 4 KiB sectors, from which on nothing is used: blank, or
    zeros that belong to nothing, as tools fill an image up."""
    places = np.flatnonzero(_held(contents, findings))
    return min((int(places[-1]) + 1) * SECTOR, len(contents)) if len(places) else 0


def _held(contents: bytes, findings: Sequence[Finding]) -> NDArray[np.bool_]:
    """For each 4 KiB sector whether it holds anything that has to be kept."""
    used = used_sectors(contents, findings)
    whole = len(contents) // SECTOR
    data = np.frombuffer(contents, dtype=np.uint8, count=whole * SECTOR)
    zero = np.zeros(len(used), dtype=bool)
    zero[:whole] = (data.reshape(whole, SECTOR) == 0).all(axis=1)
    for each in findings:
        if each.verdict not in (Verdict.BLANK, Verdict.NOTED):
            zero[each.start // SECTOR : -(-each.end // SECTOR)] = False
    held: NDArray[np.bool_] = used & ~zero
    return held


def smallest_chip(contents: bytes, findings: Sequence[Finding]) -> int:
    """Bytes of the smallest chip, a power of two, that holds everything that is used."""
    return _power(used_end(contents, findings))


def repeats_after(contents: bytes) -> int | None:
    """Bytes after which the contents repeat to the end, a power of two; None when not.

    A chip read with too large a size answers like that: the address bits beyond are ignored.
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
        return Fit(size, True, f"It has {have} bytes, exactly what the chip holds.")
    if have < size:
        return Fit(
            size,
            True,
            f"It fits: {have} bytes, and {size - have} of the chip's {size} stay as they are.",
        )
    if end <= size:
        return Fit(
            size,
            True,
            f"It fits when cut at {size} bytes: everything from {end:06X}h on is blank"
            f"{' or zero' if contents[end:].strip(_BLANK) else ''}.",
            lost=lost,
        )
    period = repeats_after(contents)
    if period is not None and period <= size:
        return Fit(
            size,
            True,
            f"It fits when cut at {period} bytes: from there on the same comes again, as when a "
            "smaller chip is read with too large a size.",
            lost=lost,
        )
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
    verdict = f"It does not fit: {over} used bytes lie beyond {size}."
    if taken > size:
        verdict += f" {taken} bytes are used in all, so that moving things does not help."
    elif enough:
        verdict += f" Regions in front would have to give up {missing} bytes between them."
    else:
        verdict += f" The unused ends of the regions are not enough to make up for {missing} bytes."
    return Fit(size, False, verdict, over, lost, rooms, enough and taken <= size)


def _rooms(layout: Layout, used: NDArray[np.bool_], size: int) -> tuple[Room, ...]:
    """The unused ends of regions and of gaps between them, largest first. Only what lies before
    the last used byte helps, so that the last used one counts for nothing."""
    gaps = [Region(f"gap-{low:06X}h", low, high - low) for low, high in layout.gaps]
    places = np.flatnonzero(used)
    last = int(places[-1]) * SECTOR if len(places) else 0
    rooms = []
    for each in (*layout.regions, *gaps):
        if each.start <= last < each.end or each.start >= last:
            continue
        held = places[(places >= each.start // SECTOR) & (places < -(-each.end // SECTOR))]
        reached = min((int(held[-1]) + 1) * SECTOR, each.end) if len(held) else each.start
        if min(each.end, size) > reached:
            rooms.append(Room(each.name, min(each.end, size) - reached))
    return tuple(sorted(rooms, key=lambda room: -room.room))


def _power(count: int) -> int:
    size = SMALLEST
    while size < count:
        size *= 2
    return size
