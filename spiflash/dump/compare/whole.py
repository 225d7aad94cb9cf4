"""What holds of two dumps as wholes: lengths, repetitions, byte order, shifts.

A likely relation is looked for in a sample and then proven or dropped on everything.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

SECTOR = 4096
_ANCHOR = 48
_ANCHORS = 6
_FAR = 4
"""Anchors that are looked for anywhere in the dump; a search through 16 MiB takes some
milliseconds."""

_LEAST_VALUES = 12
"""Different byte values that make an anchor worth looking for."""


def array(contents: bytes) -> Bytes:
    """The bytes as numbers, not copied."""
    return np.frombuffer(contents, dtype=np.uint8)


def swapped(contents: bytes, width: int) -> bytes:
    """Bytes in reverse order within each group of `width`; what is left at the end stays."""
    whole = len(contents) // width * width
    body = array(contents)[:whole].reshape(-1, width)[:, ::-1].tobytes()
    return body + contents[whole:]


def by_length(before: bytes, after: bytes) -> Iterator[str]:
    """How a shorter and a longer dump belong together."""
    if len(before) == len(after):
        return
    short, long = sorted((("A", before), ("B", after)), key=lambda each: len(each[1]))
    name, part = short
    other, whole = long
    more = len(whole) - len(part)
    if not whole.startswith(part):
        yield f"{other} has {more} bytes more than {name}."
        return
    tail = whole[len(part) :]
    if tail.count(0xFF) == more:
        yield (
            f"{other} is {name} and {more} blank bytes behind: cut to {name}'s length, or read "
            "from a bigger chip."
        )
    elif len(whole) % len(part) == 0 and whole == part * (len(whole) // len(part)):
        yield (
            f"{other} is {name} {len(whole) // len(part)} times over: a chip of {len(part)} bytes "
            "that was read with too large a size."
        )
    else:
        yield f"{name} is the first {len(part)} bytes of {other}: one is cut off."


def by_order(before: bytes, after: bytes) -> Iterator[str]:
    """B is A with another order of bytes or bits, or inverted. Equal lengths only."""
    if len(before) != len(after) or before == after:
        return
    sample = _sample(before, after)
    part = slice(sample, sample + SECTOR)
    for width, words in ((2, "pairs"), (4, "fours")):
        if swapped(before[part], width) == after[part] and swapped(before, width) == after:
            yield f"B is A with the bytes swapped in {words}."
    table = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))
    if before[part].translate(table) == after[part] and before.translate(table) == after:
        yield "B is A with the bits of each byte in reverse order."
    table = bytes(255 - value for value in range(256))
    if before[part].translate(table) == after[part] and before.translate(table) == after:
        yield "B is A with every bit inverted."


def _sample(before: bytes, after: bytes) -> int:
    """The first sector that differs."""
    for start in range(0, len(before), SECTOR):
        if before[start : start + SECTOR] != after[start : start + SECTOR]:
            return start
    return 0


def find_shifts(before: bytes, after: bytes, places: NDArray[np.intp]) -> tuple[int, ...]:
    """By how many bytes later (negative: earlier) B holds what A holds in differing sectors.

    `places` are the numbers of the sectors that differ. The most frequent shifts first.
    """
    votes: dict[int, int] = {}
    far = 0
    for at, anchor in _anchors(before, places):
        low = max(at - 16 * SECTOR, 0)
        found = after.find(anchor, low, at + 16 * SECTOR)
        if found < 0 and far < _FAR:
            far += 1
            found = after.find(anchor)
        if found >= 0 and found != at:
            votes[found - at] = votes.get(found - at, 0) + 1
    return tuple(sorted(votes, key=lambda shift: (-votes[shift], abs(shift))))[:_ANCHORS]


def _anchors(before: bytes, places: NDArray[np.intp]) -> Iterator[tuple[int, bytes]]:
    """Telling pieces of A, spread over the sectors that differ."""
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
    """B is A moved as a whole: what both hold is equal once moved."""
    for shift in shifts:
        moved, rest = (after[shift:], before) if shift > 0 else (after, before[-shift:])
        length = min(len(moved), len(rest))
        if length * 2 > len(before) and moved[:length] == rest[:length]:
            where = "later" if shift > 0 else "earlier"
            yield f"B holds what A holds, {abs(shift)} bytes {where} from beginning to end."
            return
