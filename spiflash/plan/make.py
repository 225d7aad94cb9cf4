"""From old and new contents to a plan."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

import numpy as np

from spiflash.nor.geometry import EraseType, Geometry
from spiflash.plan.choice import Block, Choice, choose, unit_size
from spiflash.plan.cost import TICKS, StepCost, TransferCost, step_cost
from spiflash.plan.runs import Bytes, Counts, Flags, Runs, differing, not_blank
from spiflash.plan.steps import Erase, Plan, PlanError, Program, Step, merged


def make_plan(old: bytes, new: bytes, geometry: Geometry, transfer: TransferCost) -> Plan:
    """The steps of least expected time that turn `old` into `new`, both the whole chip.

    Nothing is erased where bits only clear (of a chip that programs once: where only blank pages
    change), blank pages are not programmed, and what an erase
    takes down with it is programmed again. Erases of all sizes and the chip erase are weighed
    against each other; of equally fast plans the one that erases the fewest bytes is taken.

    Raises `PlanError` when a length differs from the chip's size, or when bits must be set where
    no erase type works.
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
    changes = differing(before, after, chunk, cost)
    if not geometry.needs_erase:
        whole = (Block(0, geometry.size, None),)
        return _plan(geometry, transfer, whole, new, changes, changes)
    contents = not_blank(after, chunk, cost)
    best = _choice(
        geometry,
        unit,
        chunk,
        cost,
        changes,
        contents,
        _must_erase(before, after, unit, geometry),
    )
    if best is None:
        raise PlanError("bits must be set where no erase type works")
    return _plan(geometry, transfer, best.blocks, new, changes, contents)


def _must_erase(old: Bytes, new: Bytes, unit: int, geometry: Geometry) -> Flags:
    """For each unit, whether some bit must go from 0 to 1, or a page that must not be programmed
    again holds something."""
    must_rise = np.bitwise_and(np.bitwise_not(old), new) != 0
    if geometry.programs_once:
        used = (old != 0xFF).reshape(-1, geometry.page).any(axis=1)
        change = (old != new).reshape(-1, geometry.page).any(axis=1)
        must_rise |= np.repeat(used & change, geometry.page)
    return np.asarray(must_rise.reshape(-1, unit).any(axis=1))


def _choice(
    geometry: Geometry,
    unit: int,
    chunk: int,
    cost: StepCost,
    changes: Runs,
    contents: Runs,
    must_erase: Flags,
) -> Choice | None:
    chunks = geometry.size // chunk

    def per_unit(runs: Runs) -> Counts:
        ticks: Counts = runs.costs(cost, chunk, chunks).reshape(-1, unit // chunk).sum(axis=1)
        return ticks

    erased = per_unit(contents).tolist()
    leave = [
        None if must else ticks
        for must, ticks in zip(must_erase.tolist(), per_unit(changes).tolist(), strict=True)
    ]
    erase_costs = {kind: cost.erase_of(kind) for kind in geometry.erase_types}
    best = choose(geometry, unit, leave, erased, erase_costs)
    everything = geometry.chip_erase
    if everything is not None:
        if everything.size != geometry.size:
            raise PlanError("the chip erase does not cover the chip")
        whole = Choice(
            (Block(0, geometry.size, everything),),
            cost.erase_of(everything) + sum(erased),
            geometry.size,
        )
        if best is None or (whole.cost, whole.erased) < (best.cost, best.erased):
            return whole
    return best


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
        erased=merged((step.address, step.end) for step in erases),
        affected=merged((step.address, step.end) for step in steps),
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
