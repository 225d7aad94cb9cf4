"""Sector by sector: which differ, and in which way."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.compare.result import Difference, How
from spiflash.dump.compare.whole import SECTOR, Bytes, array, swapped

_MOST_BY_HAND = 4096
"""Sectors for which swaps and shifts are tried: all of a 16 MiB chip."""


def differing(before: bytes, after: bytes) -> NDArray[np.intp]:
    """The numbers of the sectors that differ, over the bytes that both have."""
    length = min(len(before), len(after))
    whole = length // SECTOR * SECTOR
    # Eight bytes at a time: a quarter of the time of single bytes.
    a = np.frombuffer(before, dtype=np.uint64, count=whole // 8)
    b = np.frombuffer(after, dtype=np.uint64, count=whole // 8)
    places = np.flatnonzero((a != b).reshape(-1, SECTOR // 8).any(axis=1))
    if before[whole:length] != after[whole:length]:
        places = np.append(places, whole // SECTOR)
    return places


def differences(
    before: bytes, after: bytes, places: NDArray[np.intp], shifts: tuple[int, ...]
) -> tuple[Difference, ...]:
    """What happened in the sectors `places`, neighbours with the same answer in one piece."""
    length = min(len(before), len(after))
    found: list[Difference] = []
    tries = 0
    for place in places.tolist():
        start, end = place * SECTOR, min((place + 1) * SECTOR, length)
        a, b = array(before)[start:end], array(after)[start:end]
        how, shift = _by_bits(a, b), 0
        if how is None:
            tries += 1
            how, shift = How.CHANGED, 0
            if tries <= _MOST_BY_HAND:
                how, shift = _by_place(before, after, start, end, shifts)
        count = int(np.count_nonzero(a != b))
        last = found[-1] if found else None
        if last and last.end == start and (last.how, last.shift) == (how, shift):
            found[-1] = Difference(last.start, end, how, last.bytes_differing + count, shift)
        else:
            found.append(Difference(start, end, how, count, shift))
    return tuple(found)


def _by_bits(a: Bytes, b: Bytes) -> How | None:
    both = a & b
    cleared, only_set = np.array_equal(both, b), np.array_equal(both, a)
    if only_set:
        return How.ERASED if (b == 0xFF).all() else How.SET
    if cleared:
        return How.WRITTEN if (a == 0xFF).all() else How.CLEARED
    return None


def _by_place(
    before: bytes, after: bytes, start: int, end: int, shifts: tuple[int, ...]
) -> tuple[How, int]:
    a, b = before[start:end], after[start:end]
    for width, how in ((2, How.SWAPPED_16), (4, How.SWAPPED_32)):
        if swapped(a, width) == b:
            return how, 0
    for shift in shifts:
        if _shifted(before, after, start, end, shift):
            return How.SHIFTED, shift
    return How.CHANGED, 0


def _shifted(before: bytes, after: bytes, start: int, end: int, shift: int) -> bool:
    """Whether B here is what A holds `shift` bytes before. The sector in which the move begins
    is partly unmoved: it counts from there on."""
    source = start - shift
    if source < 0 or end - shift > len(before):
        return False
    return before[source : end - shift] == after[start:end]


def merged(places: NDArray[np.intp], length: int) -> Iterator[tuple[int, int]]:
    """Numbers of sectors as (start, end) ranges of addresses."""
    if not len(places):
        return
    breaks = np.flatnonzero(np.diff(places) > 1)
    firsts = np.concatenate(([0], breaks + 1))
    lasts = np.concatenate((breaks, [len(places) - 1]))
    for first, last in zip(places[firsts].tolist(), places[lasts].tolist(), strict=True):
        yield first * SECTOR, min((last + 1) * SECTOR, length)
