"""A bench for the tests of whole jobs: chip, adapter, clip faults, shelf, watcher."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from hwmocks.bench import Bench, make_bench
from hwmocks.boards.heron import heron_factory
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import ChipDescription
from hwmocks.wire import SpiDevice
from spiflash.bus.locate import open_bench_bus
from spiflash.jobs import Unwatched
from spiflash.jobs.connection import DEFAULT_CEILING, Connection, connected, identify_chip
from spiflash.nor.chip import Chip
from spiflash.nor.geometry import Duration, EraseRegion, EraseType, Geometry, ProgramMethod
from spiflash.nor.identify import chip_table
from spiflash.plan import Erase, Plan, PlanError

WATCHER = Unwatched()


@dataclass
class Rig:
    """One chip and whatever is wrong with the way to it. `connect` may be called again and
    again: the chip stays, as a board does, and loses power in between."""

    chip: NorChip
    adapter: str = "ft232h"
    clip: Callable[[SpiDevice], SpiDevice] | None = None
    faults: UsbFaults = field(default_factory=UsbFaults)
    bench: Bench | None = None

    @contextmanager
    def connect(
        self,
        part: str | None = None,
        ceiling: float = DEFAULT_CEILING,
        *,
        size: int | None = None,
        trust_sfdp: bool = False,
    ) -> Iterator[Connection]:
        self.bench = make_bench(self.chip, adapter=self.adapter, clip=self.clip, faults=self.faults)
        self.chip.power(True, 0.0)
        # tPUW: a chip ignores writes for some milliseconds after power-up.
        self.bench.clock.advance(0.1)
        bus = open_bench_bus(self.bench, "test")
        try:
            found = identify_chip(bus, chip_table(), part, size=size, trust_sfdp=trust_sfdp)
            with connected(bus, found, ceiling) as connection:
                yield connection
        finally:
            bus.close()


def heron_rig(chip: str = "W25Q64JV", **more: object) -> Rig:
    """The demo board with its factory contents."""
    return Rig(NorChip(chip, heron_factory(), seed=7), **more)  # type: ignore[arg-type]


def uniform(
    size: int,
    page: int,
    erase_types: tuple[EraseType, ...],
    program: Duration,
    chip_erase: EraseType | None = None,
    method: ProgramMethod = ProgramMethod.PAGE,
) -> Geometry:
    """A chip on which every erase type works everywhere."""
    indices = tuple(range(len(erase_types)))
    return Geometry(
        size, page, erase_types, (EraseRegion(size, indices),), program, chip_erase, method
    )


def simulate(plan: Plan, old: bytes) -> bytes:
    """The contents of a chip that held `old` after all steps of `plan`.

    Raises `PlanError` if `old` does not have the chip's size or a step reaches beyond it.
    """
    if len(old) != plan.size:
        raise PlanError(f"{len(old)} bytes for a chip of {plan.size}")
    cells = np.frombuffer(old, dtype=np.uint8).copy()
    for step in plan.steps:
        if not 0 <= step.address < step.end <= plan.size:
            raise PlanError(f"a step at {step.address:#x} reaches beyond the chip")
        if isinstance(step, Erase):
            cells[step.address : step.end] = 0xFF
        elif plan.overwrites:
            cells[step.address : step.end] = np.frombuffer(step.data, dtype=np.uint8)
        else:
            cells[step.address : step.end] &= np.frombuffer(step.data, dtype=np.uint8)
    return cells.tobytes()


@cache
def small(name: str, size: int) -> tuple[ChipDescription, Chip]:
    """A chip with the behaviour of `name` and `size` bytes, as the bench simulates it and as the
    jobs know it: many commands in little time. Its capacity counts as confirmed, since contents
    that repeat are refused otherwise."""
    whole = describe(name)
    bus = open_bench_bus(make_bench(NorChip(whole)), "look")
    known = identify_chip(bus, chip_table(), name)
    bus.close()
    geometry = uniform(
        size,
        known.geometry.page,
        known.geometry.erase_types,
        known.geometry.program,
        replace(known.geometry.chip_erase, size=size) if known.geometry.chip_erase else None,
    )
    return replace(whole, size=size), replace(known, geometry=geometry, size_confirmed=True)


CONTENTS = ("blank", "zeros", "random", "masked", "same", "mostly blank", "periodic", "patched")
"""Kinds of contents that a write may meet or bring. What is special: nothing is to be done
("same"), nothing needs an erase ("masked": bits of the old contents only cleared), a broken-off
erase of 00h or FFh looks like what was or what is to be, one place reads like others."""


def contents(kind: str, old: bytes, rng: random.Random) -> bytes:
    """Contents of the given kind, as long as `old`, which they replace."""
    size = len(old)
    match kind:
        case "blank":
            return b"\xff" * size
        case "zeros":
            return bytes(size)
        case "random":
            return rng.randbytes(size)
        case "masked":
            return bytes(a & b for a, b in zip(old, rng.randbytes(size), strict=True))
        case "same":
            return old
        case "mostly blank":
            made = bytearray(b"\xff" * size)
            for _ in range(1 + size // 16384):
                at = rng.randrange(size)
                data = rng.randbytes(rng.randint(1, 300))[: size - at]
                made[at : at + len(data)] = data
            return bytes(made)
        case "periodic":
            unit = rng.randbytes(rng.choice((1, 2, 256, 300, 4096)))
            return (unit * (size // len(unit) + 1))[:size]
        case "patched":
            made = bytearray(old)
            for _ in range(1 + size // 16384):
                at = rng.randrange(size)
                data = rng.randbytes(rng.randint(1, 3000))[: size - at]
                made[at : at + len(data)] = data
            return bytes(made)
    raise ValueError(f"there are no contents of the kind {kind!r}")
