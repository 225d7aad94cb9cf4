"""How alike two contents are, and where they part; where what is blank begins and ends."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.differences import differing
from spiflash.spans import SECTOR

Flags = NDArray[np.bool_]


def used(contents: bytes) -> Flags:
    """For each whole sector, whether it holds anything but FFh."""
    data = np.frombuffer(contents, np.uint8, len(contents) // SECTOR * SECTOR)
    found: Flags = (data.reshape(-1, SECTOR) != 0xFF).any(axis=1)
    return found


def alike(a: bytes, b: bytes) -> float:
    """The share of the used sectors of `b` that `a` holds at the same place."""
    both = used(b)
    if not both.any():
        return 0.0
    same = np.ones(len(both), dtype=bool)
    same[[place for place in differing(a, b).tolist() if place < len(both)]] = False
    return float(same[both].mean())


def alike_bytes(a: bytes, b: bytes) -> float:
    """The share of equal bytes among those that neither holds as FFh, both of one length.

    A part that was erased counts for nothing: what is left of a piece still tells what it was.
    0 when fewer than 16 bytes are left.
    """
    x, y = np.frombuffer(a, np.uint8), np.frombuffer(b, np.uint8)
    if len(x) != len(y):
        shorter = min(len(x), len(y))
        x, y = x[:shorter], y[:shorter]
    told = (x != 0xFF) & (y != 0xFF)
    count = int(told.sum())
    return float((x[told] == y[told]).sum()) / count if count >= 16 else 0.0


def empty(contents: bytes) -> bool:
    """Whether nothing is held: FFh throughout, or 00h."""
    return len(contents) in (contents.count(0xFF), contents.count(0))


def moved(contents: bytes, by: int) -> bytes:
    """`contents` moved up by `by` bytes (down when negative); blank where nothing comes."""
    if by >= 0:
        return (b"\xff" * by + contents)[: len(contents)]
    return contents[-by:].ljust(len(contents), b"\xff")


def first_difference(a: bytes, b: bytes) -> int:
    """The first address at which they differ; their length when they do not."""
    places = differing(a, b)
    if not len(places):
        return len(a)
    start = int(places[0]) * SECTOR
    x = np.frombuffer(a, np.uint8)[start : start + SECTOR]
    y = np.frombuffer(b, np.uint8)[start : start + SECTOR]
    return start + int(np.argmax(x != y))


def last_difference(a: bytes, b: bytes) -> int:
    """The address after the last byte in which they differ; 0 when they do not."""
    places = differing(a, b)
    if not len(places):
        return 0
    start = int(places[-1]) * SECTOR
    x = np.frombuffer(a, np.uint8)[start : start + SECTOR]
    y = np.frombuffer(b, np.uint8)[start : start + SECTOR]
    return start + int(np.flatnonzero(x != y)[-1]) + 1


def blank_until(contents: bytes, start: int) -> int:
    """The address after the run of FFh that begins at `start`."""
    data = np.frombuffer(contents, np.uint8)[start:]
    places = np.flatnonzero(data != 0xFF)
    return start + (int(places[0]) if len(places) else len(data))


def blank_since(contents: bytes, end: int) -> int:
    """Where the run of FFh that ends before `end` begins."""
    data = np.frombuffer(contents, np.uint8)[:end]
    places = np.flatnonzero(data != 0xFF)
    return int(places[-1]) + 1 if len(places) else 0
