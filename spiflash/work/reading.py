"""Reading that can be believed: several passes, compared sector by sector.

A sector on which passes disagree is read again, slower each time, until several readings in a
row agree ("settled") or the budget is spent ("unstable"). Nothing read is thrown away: for an
unstable sector the most frequent reading is kept and its address reported.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.bus.transaction import Sampling
from spiflash.nor.commands import ReadStyle
from spiflash.nor.geometry import SECTOR
from spiflash.work.connection import Connection
from spiflash.work.passes import PassSetting, PassTaken, apply, take_pass
from spiflash.work.progress import Watcher

IN_A_ROW = 3
"""Equal readings in a row that settle a sector."""

BUDGET = 12
"""Readings of one sector before it counts as unstable."""

HOPELESS = 0.25
"""Share of disagreeing sectors above which re-reading is not tried: the contact is bad."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What the passes agreed on. `settled` and `unstable` hold sector addresses."""

    contents: bytes
    passes: tuple[PassTaken, ...]
    settled: tuple[int, ...]
    unstable: tuple[int, ...]


def read_in_passes(connection: Connection, count: int, watcher: Watcher) -> Reading:
    """Read the chip `count` times (2 at least) and settle what differs."""
    if count < 2:
        raise ValueError("one pass proves nothing: at least two are needed")
    passes = tuple(
        take_pass(connection, number, f"pass {number} of {count}", watcher)
        for number in range(1, count + 1)
    )
    differing = disagreements([taken.contents for taken in passes])
    contents = bytearray(passes[0].contents)
    settled: list[int] = []
    unstable: list[int] = []
    if len(differing) * SECTOR > HOPELESS * len(contents):
        unstable = differing
    elif differing:
        size = len(differing) * SECTOR
        with watcher.step(f"reading {len(differing)} sectors again", size) as advance:
            for start in differing:
                seen = [taken.contents[start : start + SECTOR] for taken in passes]
                best, agreed = _settle(connection, start, seen)
                contents[start : start + SECTOR] = best
                (settled if agreed else unstable).append(start)
                advance(SECTOR)
    return Reading(bytes(contents), passes, tuple(settled), tuple(unstable))


def disagreements(readings: Sequence[bytes]) -> list[int]:
    """Addresses of the sectors in which not all readings (of one length, whole sectors) are
    equal, ascending."""
    first = np.frombuffer(readings[0], dtype=np.uint8)
    differs = np.zeros(len(first), dtype=bool)
    for other in readings[1:]:
        differs |= first != np.frombuffer(other, dtype=np.uint8)
    sectors = differs.reshape(-1, SECTOR).any(axis=1)
    return [int(index) * SECTOR for index in np.flatnonzero(sectors)]


def _settle(connection: Connection, start: int, seen: Sequence[bytes]) -> tuple[bytes, bool]:
    """Read one sector until `IN_A_ROW` readings agree; what it holds, and whether they did."""
    tally = Counter(seen)
    row = 0
    last = b""
    slowest, fastest = connection.bus.clock_limits
    for attempt in range(BUDGET):
        hertz = min(max(connection.ceiling / 2 ** (1 + attempt // 3), slowest), fastest)
        fast = attempt % 2 == 0
        sampling = Sampling.LATE if attempt % 4 < 2 else Sampling.EDGE
        apply(connection, PassSetting(fast, hertz, sampling, SECTOR, downward=False))
        style = ReadStyle(fast, connection.chip.fast_read_dummy, SECTOR - 256 * (attempt % 3))
        now = connection.flash.read_all(start, SECTOR, style)
        tally[now] += 1
        row = row + 1 if now == last else 1
        last = now
        if row >= IN_A_ROW:
            return now, True
    return tally.most_common(1)[0][0], False
