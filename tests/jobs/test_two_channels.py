"""Both channels of one FT2232H at once, each in a thread of its own."""

from __future__ import annotations

import threading

import pytest
from pyftdi.ftdi import Ftdi

from spiflash.bus.ftdi import open_channel
from tests.benchmarks.two_channels import SIZE, bench, lanes, run


def test_two_channels_do_not_disturb_each_other() -> None:
    together = lanes()
    device, clock, _ = bench(*together)
    run(*(lambda lane=lane: lane.work(device, clock) for lane in together))
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
    idle = open_channel(ftdi, clock, description="idle", serial="")
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
