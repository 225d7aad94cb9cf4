"""A bench for the tests of whole jobs: chip, adapter, clip faults, shelf, watcher."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from hwmocks.bench import Bench, make_bench
from hwmocks.boards.heron import heron_factory
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice
from spiflash.bus.locate import open_bench_bus
from spiflash.nor.tables import chip_table
from spiflash.work.connection import DEFAULT_CEILING, Connection, connected, find_out
from spiflash.work.progress import Unwatched

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
            found = find_out(bus, chip_table(), part, size=size, trust_sfdp=trust_sfdp)
            with connected(bus, found, ceiling) as connection:
                yield connection
        finally:
            bus.close()


def heron_rig(chip: str = "W25Q64JV", **more: object) -> Rig:
    """The demo board with its factory contents."""
    return Rig(NorChip(chip, heron_factory(), seed=7), **more)  # type: ignore[arg-type]
