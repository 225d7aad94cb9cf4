"""Both channels of one FT2232H at once, each in a thread of its own."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from dataclasses import dataclass

import pytest
import usb.core
from pyftdi.ftdi import Ftdi

from hwmocks.clock import ThreadClock
from hwmocks.ftdi import FT2232H, FtdiDevice, UsbBackend
from hwmocks.nor.chip import NorChip
from spiflash.bus.ftdi import FtdiBus, open_channel
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.tables import chip_table
from spiflash.work.connection import find_out

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
            self.bus = open_channel(ftdi, clock, description=f"channel {self.channel}")
            found = find_out(self.bus, chip_table(), "W25Q64JV")
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


def test_two_channels_do_not_disturb_each_other() -> None:
    together = lanes()
    device, clock, _ = bench(*together)
    run(*(lambda lane=lane: lane.work(device, clock) for lane in together))  # type: ignore[misc]
    for lane in together:
        assert lane.error is None, lane.error
        block = 65536
        assert lane.chip.contents[: SIZE - block] == lane.data[: SIZE - block]
        assert lane.chip.contents[SIZE - block : SIZE] == b"\xff" * block
    for alone, lane in zip(lanes(), together, strict=True):
        device, clock, _ = bench(alone)
        run(lambda: alone.work(device, clock))  # noqa: B023 - run ends before the loop goes on
        assert alone.error is None, alone.error
        assert lane.seconds == pytest.approx(alone.seconds, rel=0.01)


def test_closing_one_channel_leaves_the_other_at_work() -> None:
    first, second = lanes()
    device, clock, simulated = bench(first, second)
    ftdi = Ftdi()
    ftdi.open_from_device(device, 1)
    idle = open_channel(ftdi, clock, description="idle")
    closed = threading.Event()

    def close_in_between(number: int) -> None:
        if not closed.is_set() and second.chip.pages_programmed > 50:
            closed.set()
            idle.close()

    simulated.faults.on_transfer = close_in_between
    run(lambda: second.work(device, clock))
    assert closed.is_set()
    assert second.error is None, second.error
    assert second.chip.contents[: SIZE - 65536] == second.data[: SIZE - 65536]
