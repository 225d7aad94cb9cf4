"""Both channels of one FT2232H at once, each in a thread of its own: how long it takes.

    python tests/benchmarks/two_channels.py

Each thread has its own simulated time (`hwmocks.clock.ThreadClock`), so that "together" is the
longer of the two; what the channels take from each other on the cable is not simulated.
"""

# ruff: noqa: E402 - run as a script, it has to find the packages beside it first.
from __future__ import annotations

import random
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

import usb.core
from pyftdi.ftdi import Ftdi

from hwmocks.clock import ThreadClock
from hwmocks.ftdi import FT2232H, FtdiDevice, UsbBackend
from hwmocks.nor.chip import NorChip
from spiflash.bus.ftdi import FtdiBus, open_channel
from spiflash.jobs.connection import identify_chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import chip_table

SIZE = 128 << 10


@dataclass
class Lane:
    """One channel: its chip, what is to be written there, and how long it took."""

    channel: int
    chip: NorChip
    data: bytes
    bus: FtdiBus | None = None
    seconds: float = 0.0
    error: BaseException | None = None

    def work(self, device: usb.core.Device, clock: ThreadClock) -> None:
        """Open, program, read back, erase a block, close."""
        try:
            ftdi = Ftdi()
            ftdi.open_from_device(device, self.channel)
            self.bus = open_channel(ftdi, clock, description=f"channel {self.channel}", serial="")
            found = identify_chip(self.bus, chip_table(), "W25Q64JV")
            self.bus.set_clock(30e6)
            with NorFlash(self.bus, found) as flash:
                start = clock.now()
                flash.program([(at, self.data[at : at + 256]) for at in range(0, SIZE, 256)])
                assert flash.read_all(0, SIZE, ReadStyle()) == self.data
                kind = max(found.geometry.erase_types, key=lambda each: each.size)
                flash.erase(SIZE - kind.size, kind)
                self.seconds = clock.now() - start
            self.bus.close()
        except BaseException as exc:
            self.error = exc


def lanes() -> list[Lane]:
    return [Lane(n, NorChip("W25Q64JV", seed=n), random.Random(n).randbytes(SIZE)) for n in (1, 2)]


def bench(*used: Lane) -> tuple[usb.core.Device, ThreadClock, FtdiDevice]:
    clock = ThreadClock()
    device = FtdiDevice(FT2232H, clock, {lane.channel: lane.chip for lane in used}, serial="TWO")
    found = usb.core.find(backend=UsbBackend([device]))
    assert found is not None
    return found, clock, device


def run(*jobs: Callable[[], None]) -> None:
    threads = [threading.Thread(target=job) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
        assert not thread.is_alive()


def main() -> int:
    together = lanes()
    device, clock, _ = bench(*together)
    run(*(lambda lane=lane: lane.work(device, clock) for lane in together))
    alone = lanes()
    for lane in alone:
        device, clock, _ = bench(lane)
        run(lambda: lane.work(device, clock))  # noqa: B023 - run ends before the loop goes on
    print(f"program and read {SIZE >> 10} KiB, erase 64 KiB, at 30 MHz, simulated seconds")
    for one, both in zip(alone, together, strict=True):
        if one.error or both.error:
            print(f"channel {one.channel}: {one.error or both.error}")
            return 1
        print(
            f"channel {one.channel}: alone {one.seconds:.3f}, beside the other {both.seconds:.3f}"
        )
    one_after_the_other = sum(lane.seconds for lane in alone)
    at_once = max(lane.seconds for lane in together)
    print(f"one after the other {one_after_the_other:.3f}, at once {at_once:.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
