"""Where two dumps differ and how: sector by sector, and as a whole.

A likely relation is looked for in a sample, then confirmed or dropped on all bytes.
"""

from __future__ import annotations

import enum
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.spans import SECTOR, Ranged
from spiflash.text import counted


class How(enum.Enum):
    """How the bytes of B came from those of A: the first of these that is true."""

    ERASED = "erased"  # B is FFh throughout
    WRITTEN = "written"  # A is FFh throughout
    CLEARED = "only bits cleared"  # 1 became 0, but no 0 became 1: programmed without erasing
    SET = "only bits set"  # 0 became 1, but no 1 became 0: an interrupted erase, or bad contact
    SWAPPED_16 = "bytes swapped in pairs"
    SWAPPED_32 = "bytes swapped in fours"
    SHIFTED = "shifted"
    CHANGED = "changed"


@dataclass(frozen=True, slots=True)
class Difference(Ranged):
    """Sectors from `start` to `end` (bytes, end excluded) that differ in the same way.

    `bytes_differing` counts bytes; `shift` is how many bytes later B holds what A holds here
    (negative: earlier).
    """

    start: int
    end: int
    how: How
    bytes_differing: int
    shift: int = 0


# Dumps as a whole --------------------------------------------------------------------------------

Bytes = NDArray[np.uint8]

_ANCHOR = 48
_ANCHORS = 6
_FAR = 4
"""Anchors that are searched for in the whole dump; a search through 16 MiB takes some
milliseconds."""

_LEAST_VALUES = 12
"""Different byte values that an anchor needs to be searched for."""


def array(contents: bytes) -> Bytes:
    """The bytes as numbers, not copied."""
    return np.frombuffer(contents, dtype=np.uint8)


def swapped(contents: bytes, width: int) -> bytes:
    """Bytes in reverse order within each group of `width`; a rest at the end stays as it is."""
    whole = len(contents) // width * width
    body = array(contents)[:whole].reshape(-1, width)[:, ::-1].tobytes()
    return body + contents[whole:]


def by_length(before: bytes, after: bytes) -> Iterator[str]:
    """How a shorter and a longer dump are related."""
    if len(before) == len(after):
        return
    short, long = sorted((("A", before), ("B", after)), key=lambda each: len(each[1]))
    name, part = short
    other, whole = long
    more = len(whole) - len(part)
    if not whole.startswith(part):
        yield f"{other} is {counted(more, 'byte')} longer than {name}."
        return
    tail = whole[len(part) :]
    if tail.count(0xFF) == more:
        yield (
            f"{other} is {name} with {counted(more, 'blank byte')} added at the end: {name} was "
            f"cut to its length, or {other} was read from a larger chip."
        )
    elif len(whole) % len(part) == 0 and whole == part * (len(whole) // len(part)):
        yield (
            f"{other} is {name} repeated {len(whole) // len(part)} times: a chip of "
            f"{counted(len(part), 'byte')} was read with too large a size."
        )
    else:
        yield f"{name} is the first {counted(len(part), 'byte')} of {other}: {name} is cut off."


def by_order(before: bytes, after: bytes) -> Iterator[str]:
    """B is A with another order of bytes or bits, or inverted. Equal lengths only."""
    if len(before) != len(after) or before == after:
        return
    sample = int(differing(before, after)[0]) * SECTOR
    part = slice(sample, sample + SECTOR)
    for width, words in ((2, "pairs"), (4, "fours")):
        if swapped(before[part], width) == after[part] and swapped(before, width) == after:
            yield f"B is A with the bytes swapped in {words}."
    for table, words in (
        (
            bytes(int(f"{value:08b}"[::-1], 2) for value in range(256)),
            "the bits of each byte in reverse order",
        ),
        (bytes(255 - value for value in range(256)), "every bit inverted"),
    ):
        if before[part].translate(table) == after[part] and before.translate(table) == after:
            yield f"B is A with {words}."


def find_shifts(before: bytes, after: bytes, places: NDArray[np.intp]) -> tuple[int, ...]:
    """By how many bytes later (negative: earlier) B has what A has in differing sectors.

    `places` are the numbers of the sectors that differ. The most frequent shifts first.
    """
    votes: Counter[int] = Counter()
    far = 0
    for at, anchor in _anchors(before, places):
        low = max(at - 16 * SECTOR, 0)
        found = after.find(anchor, low, at + 16 * SECTOR)
        if found < 0 and far < _FAR:
            far += 1
            found = after.find(anchor)
        if found >= 0 and found != at:
            votes[found - at] += 1
    return tuple(sorted(votes, key=lambda shift: (-votes[shift], abs(shift))))[:_ANCHORS]


def _anchors(before: bytes, places: NDArray[np.intp]) -> Iterator[tuple[int, bytes]]:
    """Distinctive pieces of A, spread over the sectors that differ."""
    count = 0
    step = max(len(places) // (4 * _ANCHORS), 1)
    for place in places[::step].tolist():
        # Not at the start of a sector: headers there are often the same as elsewhere.
        at = place * SECTOR + SECTOR // 2
        anchor = before[at : at + _ANCHOR]
        if len(anchor) == _ANCHOR and len(set(anchor)) >= _LEAST_VALUES:
            yield at, anchor
            count += 1
        if count == 2 * _ANCHORS:
            return


def shift_relation(before: bytes, after: bytes, shifts: tuple[int, ...]) -> Iterator[str]:
    """B is A moved as a whole: once moved back, the bytes that both have are equal."""
    for shift in shifts:
        moved, rest = (after[shift:], before) if shift > 0 else (after, before[-shift:])
        length = min(len(moved), len(rest))
        if length * 2 > len(before) and moved[:length] == rest[:length]:
            where = "later" if shift > 0 else "earlier"
            by = counted(abs(shift), "byte")
            yield f"B has the contents of A, {by} {where}, from beginning to end."
            return


# Sectors -----------------------------------------------------------------------------------------

_MOST_BY_HAND = 4096
"""Sectors for which swaps and shifts are tried: as many as a 16 MiB chip has."""


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
    """How the sectors `places` differ; neighbours that differ in the same way are one."""
    length = min(len(before), len(after))
    found: list[Difference] = []
    tries = 0
    for place in places.tolist():
        start, end = place * SECTOR, min((place + 1) * SECTOR, length)
        a, b = array(before)[start:end], array(after)[start:end]
        how, shift = _by_bits(a, b), 0
        tries += how is None
        if how is None and tries <= _MOST_BY_HAND:
            how, shift = _by_place(before, after, start, end, shifts)
        how = how or How.CHANGED
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
    # The sector in which a move begins is moved only in part and does not count.
    for shift in shifts:
        if start >= shift and before[start - shift : end - shift] == b:
            return How.SHIFTED, shift
    return How.CHANGED, 0
