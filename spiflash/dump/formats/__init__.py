"""Looking for formats: magic numbers, even with one bit wrong, within a bounded amount of work.

A file can claim ten thousand overlapping items of several megabytes each. Every search that
follows claims found in the dump therefore spends from a budget proportional to the dump's size.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from spiflash.dump.finding import Finding
from spiflash.spans import Span


class Budget:
    """A number of units (bytes, steps) that may still be spent."""

    def __init__(self, units: int) -> None:
        self.left = units

    def spend(self, units: int) -> bool:
        """Take `units` away; False, and nothing taken, when that many are not left."""
        if units > self.left:
            return False
        self.left -= units
        return True


_MOST_NEAR = 20_000
"""Places compared for each half of a magic number; chance gives some hundred in 16 MiB."""


def places(contents: bytes, magic: bytes) -> Iterator[int]:
    """The offsets of `magic` in `contents`, rising, overlapping ones too."""
    at = contents.find(magic)
    while at >= 0:
        yield at
        at = contents.find(magic, at + 1)


def near_places(contents: bytes, magic: bytes) -> list[int]:
    """Rising offsets where `magic`, of four bytes or more, has exactly one bit wrong.

    One wrong bit leaves one half intact, so only the places of each half are compared in full.
    """
    size, half = len(magic), len(magic) // 2
    wanted = int.from_bytes(magic, "big")
    found: set[int] = set()
    for skip, part in ((0, magic[:half]), (half, magic[half:])):
        for place in itertools.islice(places(contents, part), _MOST_NEAR):
            at = place - skip
            there = contents[at : at + size] if at >= 0 else b""
            if len(there) == size and (int.from_bytes(there, "big") ^ wanted).bit_count() == 1:
                found.add(at)
    return sorted(found)


def places_or_near(contents: bytes, magic: bytes) -> list[int]:
    """Rising offsets where `magic` is, with one bit wrong at the most."""
    return sorted({*places(contents, magic), *near_places(contents, magic)})


def mended(raw: bytes, good: Callable[[bytes], bool], budget: Budget) -> bytes | None:
    """`raw` with the one bit flipped that makes it `good`, or None where no single bit does.

    Spends one unit of `budget`; None when that is used up.
    """
    if not budget.spend(1):
        return None
    trial = bytearray(raw)
    for index in range(len(raw)):
        for bit in range(8):
            trial[index] ^= 1 << bit
            if good(bytes(trial)):
                return bytes(trial)
            trial[index] ^= 1 << bit
    return None


def outside(offsets: Iterable[int], packed: Sequence[Span]) -> Iterator[int]:
    """Those of `offsets` that are in none of the `packed` ranges (sorted, without overlap)."""
    starts = [start for start, _ in packed]
    for at in offsets:
        index = bisect.bisect_right(starts, at) - 1
        if index < 0 or at >= packed[index][1]:
            yield at


def one_by_one(offsets: Iterable[int], read: Callable[[int], Finding | None]) -> Iterator[Finding]:
    """What `read` recognises at rising `offsets`; nothing that starts within the one before."""
    done = 0
    for at in offsets:
        finding = read(at) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def runs_of(marked: npt.NDArray[np.bool_]) -> list[Span]:
    """The runs of True in `marked`: (first index, index after the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
    return [(first, last) for first, last in edges.reshape(-1, 2).tolist()]
