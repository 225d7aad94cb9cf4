"""What a step costs, which bytes to program, and which blocks to erase so that the whole is
fastest.

Costs are whole picoseconds: sums are exact, so that equal plans compare as equal.

Bytes to program are runs that are not yet as they should be. A run never leaves its chunk. For page
programming a chunk is a page and holds at most one run, from the first to the last byte that
matters; for byte and word programming a chunk is a smallest erase block, and bytes between two runs
are programmed needlessly only where that is cheaper.

The blocks to erase are found exactly. The chip is cut into units, the greatest length that divides
every erase block and region. The best plan for the first n units either leaves the last unit
as it is (where bits only clear) or ends with the erase of a block, so the optimum for n follows
from the optima before it. Programming costs are sums over chunks and do not depend on what is
erased next to them, which makes this exact for any mixture of sizes, nested or not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.nor.geometry import Duration, EraseType, Geometry, ProgramMethod

TICKS = 10**12
"""Ticks in a second."""


@dataclass(frozen=True, slots=True)
class TransferCost:
    """Time on the bus, in seconds, besides the chip's own busy time.

    `byte`: one data byte of a program. `erase` and `program`: everything else that one erase or
    one program takes (write enable, opcode, address, waiting for the ready status). `unit`: what
    each word of an auto-increment run takes besides its two bytes.
    """

    byte: float
    erase: float
    program: float
    unit: float

    @classmethod
    def at_clock(
        cls, hertz: float, *, address_bytes: int = 3, turnaround: float = 0.0
    ) -> TransferCost:
        """Eight clocks a byte, and `turnaround` seconds of the adapter for each command.

        A command is 06h, then opcode and address, then 05h with one byte of status; a word of an
        auto-increment run is its opcode and a status reading.
        """
        byte = 8 / hertz
        command = (1 + 1 + address_bytes + 2) * byte + turnaround
        return cls(byte=byte, erase=command, program=command, unit=3 * byte + turnaround)


def ticks(seconds: float) -> int:
    """Seconds as a whole number of ticks."""
    return round(seconds * TICKS)


@dataclass(frozen=True, slots=True)
class StepCost:
    """Ticks for the steps of one chip.

    A program of n bytes costs `start` + n x `byte`, and for each unit of `unit_size` bytes
    `unit` more (0 bytes: the method programs a page at a time).
    """

    start: int
    byte: int
    unit_size: int
    unit: int
    erase: int

    def program(self, length: int) -> int:
        """Ticks to program `length` bytes with one step."""
        units = length // self.unit_size if self.unit_size else 0
        return self.start + length * self.byte + units * self.unit

    def erase_of(self, kind: EraseType, *, worst: bool = False) -> int:
        """Ticks to erase one block."""
        return self.erase + _busy(kind.time, worst=worst)

    @property
    def joinable_gap(self) -> int:
        """Units that a run may program needlessly, because that is cheaper than a new run."""
        if not self.unit_size or not self.start:
            return 0
        return (self.start - 1) // (self.unit + self.unit_size * self.byte)


def step_cost(geometry: Geometry, transfer: TransferCost, *, worst: bool = False) -> StepCost:
    """Costs by the part's typical times, or by its maximum times."""
    busy = _busy(geometry.program, worst=worst)
    start, byte, erase = (ticks(t) for t in (transfer.program, transfer.byte, transfer.erase))
    match geometry.method:
        case ProgramMethod.BYTE:
            # Every byte is a command of its own.
            return StepCost(0, byte, 1, start + busy, erase)
        case ProgramMethod.AAI_WORD:
            return StepCost(start, byte, 2, ticks(transfer.unit) + busy, erase)
        case ProgramMethod.PAGE | ProgramMethod.PAGE_528:
            return StepCost(start + busy, byte, 0, 0, erase)


def _busy(span: Duration, *, worst: bool) -> int:
    return ticks(span.maximum if worst else span.typical)


Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]

_SLAB = 1 << 20
"""Bytes that are compared at a time: the temporary arrays fit into the processor's cache."""


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


def to_program(new: Bytes, old: Bytes | None, chunk: int, cost: StepCost) -> Runs:
    """What to program: everything that differs from `old`; after an erase (None), everything that
    is not FFh."""
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


@dataclass(frozen=True, slots=True)
class Block:
    """A range of the chip that is erased with `kind`, or not erased (None)."""

    start: int
    end: int
    kind: EraseType | None


def usable(start: int, end: int, types: Sequence[EraseType]) -> tuple[EraseType, ...]:
    """The erase types whose naturally aligned blocks tile the region, and those for which the
    region is one single block (the rest of a larger one beside boot sectors)."""
    return tuple(t for t in types if start % t.size == 0 or t.size == end - start)


def unit_size(geometry: Geometry) -> int:
    """The greatest length that divides every region and every erase block, in bytes."""
    unit = geometry.size
    for start, end, types in geometry.spans():
        unit = math.gcd(unit, start, end, *(kind.size for kind in usable(start, end, types)))
    return unit


def choose(
    geometry: Geometry,
    unit: int,
    leave: Sequence[int | None],
    erased: Sequence[int],
    cost: StepCost,
) -> tuple[Block, ...] | None:
    """The cheapest blocks that cover the chip in order, or the erase of the whole chip if that is
    cheaper; among equally cheap ones those that erase the fewest bytes.

    For each unit `leave` has the ticks to program it without an erase (None: some bit must be
    set) and `erased` the ticks to program it after one. None if no erase type works on a unit that
    needs one.
    """
    before = [0]
    for ticks in erased:
        before.append(before[-1] + ticks)
    # (ticks, bytes erased) for the first n units, None if there is no plan for them.
    best: list[tuple[int, int] | None] = [(0, 0)]
    made_by: list[EraseType | None] = [None]
    for start, end, types in geometry.spans():
        first = start // unit
        kinds = [(k, k.size // unit, cost.erase_of(k)) for k in usable(start, end, types)]
        for index in range(first, end // unit):
            here: tuple[int, int] | None = None
            how: EraseType | None = None
            stay, last = leave[index], best[index]
            if stay is not None and last is not None:
                here = (last[0] + stay, last[1])
            for kind, count, ticks in kinds:
                since = index + 1 - count
                if since < first or (since - first) % count:
                    continue
                last = best[since]
                if last is None:
                    continue
                total = (
                    last[0] + ticks + before[index + 1] - before[since],
                    last[1] + kind.size,
                )
                if here is None or total < here:
                    here, how = total, kind
            best.append(here)
            made_by.append(how)
    final, everything = best[-1], geometry.chip_erase
    if everything is not None:
        whole = (cost.erase_of(everything) + before[-1], everything.size)
        if final is None or whole < final:
            return (Block(0, geometry.size, everything),)
    return None if final is None else _trace(made_by, unit)


def _trace(made_by: Sequence[EraseType | None], unit: int) -> tuple[Block, ...]:
    """Go back from the end; adjacent units that are not erased become one block."""
    blocks: list[Block] = []
    at = len(made_by) - 1
    while at > 0:
        kind = made_by[at]
        since = at - (1 if kind is None else kind.size // unit)
        end = at * unit
        if kind is None and blocks and blocks[-1].kind is None:
            end = blocks.pop().end
        blocks.append(Block(since * unit, end, kind))
        at = since
    return tuple(reversed(blocks))
