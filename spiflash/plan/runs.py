"""Which bytes to program: runs of bytes that are not as they should be yet.

A run never leaves its chunk. For page programming a chunk is a page and holds at most one run,
from the first to the last byte that matters; for byte and word programming a chunk is a smallest
erase block, and bytes between two runs are programmed needlessly only where that is cheaper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.plan.cost import StepCost

Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]

_SLAB = 1 << 20
"""Bytes that are looked at together: the temporary arrays stay within the processor's cache."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs in address order: `starts[i]` to before `ends[i]`."""

    starts: Counts
    ends: Counts

    def costs(self, cost: StepCost, chunk: int, chunks: int) -> Counts:
        """Ticks of the runs in each of `chunks` chunks."""
        lengths = self.ends - self.starts
        each = cost.start + lengths * cost.byte
        if cost.unit_size:
            each += lengths // cost.unit_size * cost.unit
        total = np.zeros(chunks, dtype=np.int64)
        np.add.at(total, self.starts // chunk, each)
        return total

    def within(self, start: int, end: int) -> list[tuple[int, int]]:
        """(start, end) of the runs between two addresses that are chunk boundaries."""
        low, high = np.searchsorted(self.starts, [start, end])
        return list(zip(self.starts[low:high].tolist(), self.ends[low:high].tolist(), strict=True))


def not_blank(new: Bytes, chunk: int, cost: StepCost) -> Runs:
    """What to program after an erase: everything that is not FFh."""
    return _runs(new, None, chunk, cost)


def differing(old: Bytes, new: Bytes, chunk: int, cost: StepCost) -> Runs:
    """What to program without an erase: everything that differs."""
    return _runs(new, old, chunk, cost)


def _runs(new: Bytes, old: Bytes | None, chunk: int, cost: StepCost) -> Runs:
    find = _unit_runs if cost.unit_size else _page_runs
    starts, ends = [], []
    slab = max(1, _SLAB // chunk) * chunk
    for base in range(0, len(new), slab):
        part = new[base : base + slab]
        matters = part != 0xFF if old is None else part != old[base : base + slab]
        first, last = find(matters, chunk, cost)
        starts.append(first + base)
        ends.append(last + base)
    return Runs(np.concatenate(starts), np.concatenate(ends))


def _page_runs(matters: Flags, chunk: int, cost: StepCost) -> tuple[Counts, Counts]:
    rows = matters.reshape(-1, chunk)
    used = np.flatnonzero(rows.any(axis=1))
    if len(used) < len(rows):
        rows = rows[used]
    first = rows.argmax(axis=1)
    last = chunk - rows[:, ::-1].argmax(axis=1)
    return used * chunk + first, used * chunk + last


def _unit_runs(matters: Flags, chunk: int, cost: StepCost) -> tuple[Counts, Counts]:
    size = cost.unit_size
    units = np.flatnonzero(matters.reshape(-1, size).any(axis=1))
    if not len(units):
        return units, units
    gaps = np.diff(units) - 1
    places = units * size // chunk
    breaks = np.flatnonzero((gaps > cost.joinable_gap) | (np.diff(places) != 0))
    first = units[np.concatenate(([0], breaks + 1))]
    last = units[np.concatenate((breaks, [len(units) - 1]))] + 1
    return first * size, last * size
