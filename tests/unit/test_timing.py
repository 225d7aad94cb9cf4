"""How long the chip is left alone after a page, and that no busy chip is taken as ready.

The chips of these tests vary by 3 % around a time of their own, and one operation in a thousand
takes up to the data sheet's maximum (common practice, no source); some change their speed.
"""

from __future__ import annotations

import random

import pytest

from hwmocks.bench import make_bench
from hwmocks.nor.busy import BusyTimes
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import Time
from spiflash.bus.locate import open_bench_bus
from spiflash.nor.flash import NorFlash
from spiflash.nor.geometry import Duration
from spiflash.nor.identify import chip_table, identify
from spiflash.nor.probe import probe
from spiflash.nor.programming import PageRest

PROGRAM = Duration(0.4e-3, 3e-3)
"""A page of a W25Q64JV, typical and maximum seconds (data sheet, from memory)."""


def late_share(rest: PageRest, busy: BusyTimes, pages: int, speed: float = 1.0) -> float:
    """The share of pages that come too early while the rest adapts."""
    late = 0
    for _ in range(pages // 20):
        drawn = [busy.draw("program", Time(PROGRAM.typical, PROGRAM.maximum)) for _ in range(20)]
        early = sum(seconds * speed > rest.seconds for seconds in drawn)
        late += early
        rest.count(20, early)
    return late / pages


@pytest.mark.parametrize("seed", range(6))
def test_one_page_or_two_in_a_hundred_come_too_early(seed: int) -> None:
    busy = BusyTimes(random.Random(seed))
    rest = PageRest(PROGRAM)
    rest.measure([busy.draw("program", Time(0.4e-3, 3e-3)) for _ in range(6)])
    assert late_share(rest, busy, 20_000) < 0.03
    usual = PROGRAM.typical * busy.factor
    assert 1.03 * usual < rest.seconds < 1.12 * usual


@pytest.mark.parametrize("speed", [0.5, 0.8, 1.3, 4.0])
def test_a_chip_that_changes_its_speed_is_followed(speed: float) -> None:
    busy = BusyTimes(random.Random(3))
    rest = PageRest(PROGRAM)
    rest.measure([PROGRAM.typical * busy.factor] * 6)
    late_share(rest, busy, 20_000, speed)
    assert late_share(rest, busy, 4_000, speed) < 0.04
    usual = PROGRAM.typical * busy.factor * speed
    assert usual < rest.seconds < 1.15 * usual


def test_the_rest_stays_within_the_data_sheet() -> None:
    rest = PageRest(PROGRAM)
    rest.measure([1.0])
    assert rest.seconds == PROGRAM.maximum
    for _ in range(50):
        rest.count(20, 20)
    assert rest.seconds == PROGRAM.maximum
    rest.measure([0.0])
    assert 0 < rest.seconds < PROGRAM.typical


class Slow(BusyTimes):
    """Draws busy times of which every `every`-th takes the data sheet's maximum, from the
    `first`-th on."""

    def __init__(self, first: int, every: int) -> None:
        super().__init__(random.Random(first))
        self._jitter = random.Random(first)
        self._next, self._every, self._count = first, every, 0

    def draw(self, kind: str, time: Time) -> float:
        seconds = time.typical * self._jitter.gauss(1.0, 0.03)
        if self._count == self._next:
            seconds, self._next = time.maximum, self._next + self._every
        self._count += 1
        self.drawn[kind] = self.drawn.get(kind, 0.0) + seconds
        return seconds


@pytest.mark.parametrize("first", [0, 1, 3, 6, 7, 40])
@pytest.mark.parametrize("adapter", ["ft232h", "ft2232d"])
def test_the_slowest_operations_are_waited_for(first: int, adapter: str) -> None:
    """Also where the pages that are measured are the slow ones: the contents are right, and every
    erase is over when the next command goes out, or that would have been ignored."""
    chip = NorChip(describe("W25Q64JV"), seed=1)
    chip.busy_times = Slow(first, 100)
    bus = open_bench_bus(make_bench(chip, adapter=adapter), "test")
    found = identify(probe(bus), chip_table(), "W25Q64JV")
    bits = 8 * 262 / bus.set_clock(bus.clock_limits[1])
    data = random.Random(first).randbytes(300 * 256)
    with NorFlash(bus, found) as flash:
        begun = bus.clock.now()
        flash.program((at, data[at : at + 256]) for at in range(0, len(data), 256))
        assert chip.contents[: len(data)] == data
        assert bus.clock.now() - begun < 2 * (chip.busy_drawn["program"] + 300 * bits)
        kind = next(kind for kind in flash.geometry.erase_types if kind.size == 4096)
        for start in range(0, 30 * 4096, 4096):
            flash.erase(start, kind)
            assert chip.under_way is None or chip.busy_until() <= bus.clock.now()
        assert chip.erased == [(start, 4096) for start in range(0, 30 * 4096, 4096)]
        assert chip.contents[: 30 * 4096] == b"\xff" * (30 * 4096)
    bus.close()
