"""Which clocks and sample edges work on this clip: known answers, read many times over.

A grid of clock against sample edge, and in each field how many readings of ID and
SFDP came right. It takes a fraction of a second of bus time and touches nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

from spiflash.bus.transaction import Bus, Sampling
from spiflash.errors import UnstableReadError
from spiflash.nor import commands
from spiflash.nor.chip import Answers
from spiflash.nor.probe import PROBE_CLOCK

CLOCKS = (0.5e6, 1e6, 2e6, 4e6, 6e6, 8e6, 10e6, 12e6, 15e6, 20e6, 24e6, 30e6)
"""Hertz; the adapter gives the next clock below each."""

READINGS = 8
TABLE = 64
"""Bytes of SFDP in each reading: enough ones, zeros and changes to show a late bit."""

ENOUGH = 0.75
"""Share of right readings from which a field works; single bit errors are left to the passes,
which measure them."""


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One clock (hertz) and edge: `right` of `tried` readings came right."""

    hertz: float
    sampling: Sampling
    right: int
    tried: int

    @property
    def works(self) -> bool:
        """Whether enough readings came right."""
        return self.right >= ENOUGH * self.tried


@dataclass(frozen=True, slots=True)
class ClockSweep:
    """All points, slowest clock first."""

    points: tuple[SweepPoint, ...]

    def reach(self, sampling: Sampling) -> float:
        """Hertz up to which this edge is to be used: the fastest clock below which everything
        works; one step less where something faster fails. 0 when nothing works."""
        column = [each for each in self.points if each.sampling is sampling]
        good = 0
        while good < len(column) and column[good].works:
            good += 1
        if good == len(column):
            return column[-1].hertz
        return column[max(0, good - 2)].hertz if good else 0.0

    @property
    def ceiling(self) -> float:
        """The clock to use, in hertz; 0 when nothing works."""
        return max(self.reach(Sampling.LATE), self.reach(Sampling.EDGE))


def sweep_clocks(
    bus: Bus, answers: Answers, readings: int = READINGS, top: float = float("inf")
) -> ClockSweep:
    """Try every clock up to `top` with both edges."""
    table = answers.sfdp[:TABLE]
    orders = [commands.read_id(len(answers.id))]
    wanted = [answers.id]
    if table:
        orders.append(commands.read_sfdp(0, len(table)))
        wanted.append(table)
    points: list[SweepPoint] = []
    slowest, fastest = bus.clock_limits
    clocks = [hertz for hertz in CLOCKS if slowest <= hertz <= min(fastest, top)]
    for hertz in clocks or [min(fastest, top)]:
        actual = bus.set_clock(hertz)
        if points and points[-1].hertz == actual:
            continue
        for sampling in (Sampling.EDGE, Sampling.LATE):
            bus.set_sampling(sampling)
            got = bus.run(orders * readings)
            step = len(orders)
            right = sum(got[i : i + step] == wanted for i in range(0, len(got), step))
            points.append(SweepPoint(actual, sampling, right, readings))
    bus.set_sampling(Sampling.LATE)
    bus.set_clock(min(PROBE_CLOCK, fastest))
    return ClockSweep(tuple(points))


def best_clock(sweep: ClockSweep) -> float:
    """The clock to use; raises `UnstableReadError` when none works."""
    if sweep.ceiling:
        return sweep.ceiling
    raise UnstableReadError(
        "The chip's ID and SFDP read differently each time, even at the slowest clock tried.",
        state="Nothing has been changed.",
        remedy="Seat the clip again and check it with 'spiflash contact'.",
    )


def steady_answers(bus: Bus, answers: Answers, readings: int = 7) -> Answers:
    """The same answers by majority of several slow readings, bit by bit for the SFDP: they are
    what every later pass is measured against."""
    bus.set_sampling(Sampling.LATE)
    bus.set_clock(PROBE_CLOCK)
    orders = [commands.read_id(len(answers.id))]
    if answers.sfdp:
        orders.append(commands.read_sfdp(0, len(answers.sfdp)))
    got = [bus.run(orders) for _ in range(readings)]
    ids = Counter([answers.id, *(each[0] for each in got)])
    table = answers.sfdp
    if table:
        table = _majority([answers.sfdp, *(each[1] for each in got)])
    return replace(answers, id=ids.most_common(1)[0][0], sfdp=table)


def _majority(readings: list[bytes]) -> bytes:
    """Bit by bit what most readings (of one length) say; ties go to the first."""
    result = bytearray(readings[0])
    for place, column in enumerate(zip(*readings, strict=True)):
        if len(set(column)) > 1:
            for bit in range(8):
                ones = sum(value >> bit & 1 for value in column)
                if 2 * ones != len(column):
                    result[place] &= ~(1 << bit) & 0xFF
                    result[place] |= (2 * ones > len(column)) << bit
    return bytes(result)
