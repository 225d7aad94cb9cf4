"""From old and new contents to a plan: ordered steps, what they cost, and what they touch."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spiflash.nor.geometry import EraseType, Geometry
from spiflash.plan.optimum import (
    TICKS,
    Block,
    Bytes,
    Runs,
    TransferCost,
    choose,
    step_cost,
    to_program,
    unit_size,
)
from spiflash.spans import Spans, merged


class PlanError(ValueError):
    """There is no plan: the contents do not fit the chip, or no erase type works where one is
    needed."""


@dataclass(frozen=True, slots=True)
class Erase:
    """Set `type.size` bytes from `address` on to FFh.

    `whole_chip`: this is the chip erase, whose command takes no address.
    """

    address: int
    type: EraseType
    whole_chip: bool = False

    @property
    def end(self) -> int:
        """Address after the last byte erased."""
        return self.address + self.type.size


@dataclass(frozen=True, slots=True)
class Program:
    """Program `data` from `address` on; `data` never crosses a page boundary.

    For parts that program bytes or words, `data` is a run within one smallest erase block
    (for words with even address and length), which the driver splits.
    """

    address: int
    data: bytes

    @property
    def end(self) -> int:
        """Address after the last byte programmed."""
        return self.address + len(self.data)


Step = Erase | Program


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps in the order in which to do them, and their sums.

    The steps are in address order, and each erase is followed at once by the programs of its block,
    so that an interruption leaves one block unfinished. `seconds` is the expected time by the
    part's typical figures, `worst_seconds` the time if every operation takes its maximum.
    """

    size: int
    steps: tuple[Step, ...]
    seconds: float
    worst_seconds: float
    erase_counts: tuple[tuple[EraseType, int], ...]
    """How many erases of each type, smallest first."""
    programs: int
    """Program steps: pages, or runs for parts that program bytes or words."""
    programmed_bytes: int
    erased: Spans
    """The ranges that are erased, whether or not their contents change."""
    affected: Spans
    """The ranges that some step may change."""
    overwrites: bool = False
    """Programming needs no erase and can set bits."""

    @property
    def erases(self) -> int:
        """How many erases, of whatever size."""
        return sum(count for _, count in self.erase_counts)

    @property
    def erased_bytes(self) -> int:
        """Bytes erased: the wear."""
        return sum(kind.size * count for kind, count in self.erase_counts)

    def touches(self, address: int) -> bool:
        """Whether some step may change the byte at `address`."""
        place = bisect_right(self.affected, address, key=lambda pair: pair[0]) - 1
        return place >= 0 and address < self.affected[place][1]


def make_plan(old: bytes, new: bytes, geometry: Geometry, transfer: TransferCost) -> Plan:
    """The steps of least expected time that turn `old` into `new`, both the whole chip.

    Nothing is erased where bits only change to 0 (on a chip that programs once: where only blank
    pages change), blank pages are not programmed, and everything else in an erased block is
    programmed again. Erases of all sizes and the chip erase are compared; of equally fast plans the
    one that erases the fewest bytes is taken.

    Raises `PlanError` if a length differs from the chip's size, or if bits must be set where no
    erase type works.
    """
    for name, given in (("old", old), ("new", new)):
        if len(given) != geometry.size:
            raise PlanError(f"{len(given)} {name} bytes for a chip of {geometry.size}")
    cost = step_cost(geometry, transfer)
    unit = unit_size(geometry)
    chunk = math.gcd(unit, geometry.page) if cost.unit_size == 0 else unit
    if cost.unit_size and chunk % cost.unit_size:
        raise PlanError(f"erase blocks of {chunk} bytes do not hold whole words")
    before, after = np.frombuffer(old, np.uint8), np.frombuffer(new, np.uint8)
    changes = to_program(after, before, chunk, cost)
    if not geometry.needs_erase:
        whole = (Block(0, geometry.size, None),)
        return _plan(geometry, transfer, whole, new, changes, changes)
    contents = to_program(after, None, chunk, cost)

    def per_unit(runs: Runs) -> list[int]:
        each = runs.costs(cost, chunk, geometry.size // chunk)
        ticks: list[int] = each.reshape(-1, unit // chunk).sum(axis=1).tolist()
        return ticks

    erased = per_unit(contents)
    must = _must_erase(before, after, unit, geometry)
    leave = [None if m else ticks for m, ticks in zip(must, per_unit(changes), strict=True)]
    if geometry.chip_erase is not None and geometry.chip_erase.size != geometry.size:
        raise PlanError("the chip erase does not cover the chip")
    blocks = choose(geometry, unit, leave, erased, cost)
    if blocks is None:
        raise PlanError("bits must be set where no erase type works")
    return _plan(geometry, transfer, blocks, new, changes, contents)


def _must_erase(old: Bytes, new: Bytes, unit: int, geometry: Geometry) -> list[bool]:
    """For each unit, whether some bit must change from 0 to 1, or a page that must not be
    programmed again is not blank."""
    must_rise = np.bitwise_and(np.bitwise_not(old), new) != 0
    if geometry.programs_once:
        used = (old != 0xFF).reshape(-1, geometry.page).any(axis=1)
        change = (old != new).reshape(-1, geometry.page).any(axis=1)
        must_rise |= np.repeat(used & change, geometry.page)
    found: list[bool] = must_rise.reshape(-1, unit).any(axis=1).tolist()
    return found


def _plan(
    geometry: Geometry,
    transfer: TransferCost,
    blocks: tuple[Block, ...],
    new: bytes,
    changes: Runs,
    contents: Runs,
) -> Plan:
    steps = tuple(_steps(geometry, blocks, new, changes, contents))
    erases = [step for step in steps if isinstance(step, Erase)]
    lengths = Counter(len(step.data) for step in steps if isinstance(step, Program))
    counts: Counter[EraseType] = Counter(step.type for step in erases)

    def seconds(worst: bool) -> float:
        cost = step_cost(geometry, transfer, worst=worst)
        total = sum(cost.erase_of(kind, worst=worst) * n for kind, n in counts.items())
        return (total + sum(cost.program(size) * n for size, n in lengths.items())) / TICKS

    return Plan(
        size=geometry.size,
        steps=steps,
        seconds=seconds(worst=False),
        worst_seconds=seconds(worst=True),
        erase_counts=tuple(sorted(counts.items(), key=lambda pair: pair[0].size)),
        programs=lengths.total(),
        programmed_bytes=sum(size * n for size, n in lengths.items()),
        erased=tuple(merged((step.address, step.end) for step in erases)),
        affected=tuple(merged((step.address, step.end) for step in steps)),
        overwrites=not geometry.needs_erase,
    )


def _steps(
    geometry: Geometry,
    blocks: tuple[Block, ...],
    new: bytes,
    changes: Runs,
    contents: Runs,
) -> Iterator[Step]:
    for block in blocks:
        if block.kind is not None:
            yield Erase(block.start, block.kind, whole_chip=block.kind is geometry.chip_erase)
        runs = changes if block.kind is None else contents
        for start, end in runs.within(block.start, block.end):
            yield Program(start, new[start:end])
