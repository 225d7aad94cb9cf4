"""Settle what passes disagree on: read it again, slower, until enough readings in a row agree.

The readings go round by round over everything that is open, so that two readings of one place
lie apart in time; each round has its own clock, opcode, edge, transfer length and starting
point. How many equal readings in a row it takes follows from the place's own error rate.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from spiflash.bus.transaction import Sampling
from spiflash.nor.commands import ReadStyle
from spiflash.work.connection import Connection
from spiflash.work.evidence import (
    LIMIT,
    PAGE,
    differing_bits,
    poisson_bounds,
    wrongly_settled,
)
from spiflash.work.passes import PassSetting, apply
from spiflash.work.progress import Watcher
from spiflash.work.same_board import answers_known

LEAST_ROW = 4
"""Equal readings in a row that settle anything at all."""

BUDGET = 24
"""Readings of one place before it counts as unstable."""

SHARE = 0.1
"""Share of `LIMIT` that all settled places together may take up."""

APART = 0.05
"""Seconds between two readings of one place at least: a burst of noise on a contact is
shorter (common practice, no source)."""

_CHUNKS = (4099, 1021, 2053, 769, 3067, 509, 1531)
"""Bytes; primes, so that transfers end at other places every time."""


@dataclass(slots=True)
class Place:
    """A stretch that is read again, and everything that was read there."""

    start: int
    length: int
    readings: list[bytes]
    """Of the passes first, then of the rounds."""
    passes: int = 0
    row: list[int] = field(default_factory=list)
    accepted: bytes | None = None
    expected: float = 0.0
    """Expected number of wrong bits in what was accepted."""

    def __post_init__(self) -> None:
        self.passes = len(self.readings)
        self.row = [0] * (self.length // PAGE)

    def take(self, reading: bytes) -> None:
        """One more reading; a page's row begins anew where it differs from the one before."""
        last = self.readings[-1] if len(self.readings) > self.passes else None
        for index in range(len(self.row)):
            part = slice(index * PAGE, (index + 1) * PAGE)
            same = last is not None and last[part] == reading[part]
            self.row[index] = self.row[index] + 1 if same else 1
        self.readings.append(reading)

    def judge(self, floor: float, allowance: float) -> bool:
        """Whether it is settled: the row is long enough for this place's own error rate (at
        least `floor`) to leave less than `allowance` wrong bits, and every byte of it was seen
        in a pass too."""
        row = min(self.row)
        if row < LEAST_ROW:
            return False
        bits = 8 * self.length
        differing = int(differing_bits(self.readings).sum())
        rate = max(floor, poisson_bounds(differing)[1] / (bits * len(self.readings)))
        wrong = wrongly_settled(bits, rate, row, len(self.readings) - self.passes)
        # Where no pass ever read what the rounds read, the ways of reading contradict each
        # other, and that is no matter of chance.
        if wrong >= allowance or not _seen(self.readings[-1], self.readings[: self.passes]):
            return False
        self.accepted, self.expected = self.readings[-1], wrong
        return True

    @property
    def likely(self) -> bytes:
        """What was accepted, else the most frequent reading."""
        return self.accepted or Counter(self.readings).most_common(1)[0][0]

    @property
    def distinct(self) -> tuple[bytes, ...]:
        """Each different reading once, the most frequent first."""
        return tuple(reading for reading, _ in Counter(self.readings).most_common())


def _seen(value: bytes, readings: Sequence[bytes]) -> bool:
    """Whether each byte of `value` is in one of the readings at its place."""
    wanted = np.frombuffer(value, dtype=np.uint8)
    found = np.zeros(len(wanted), dtype=bool)
    for reading in readings:
        found |= wanted == np.frombuffer(reading, dtype=np.uint8)
    return bool(found.all())


def settle(connection: Connection, places: Sequence[Place], floor: float, watcher: Watcher) -> None:
    """Read the places again until each is settled or the budget is spent. `floor` is the error
    rate per bit of the whole chip, at its upper bound."""
    allowance = LIMIT * SHARE / max(1, len(places))
    waiting = list(places)
    rng = random.Random(len(places))
    clock = connection.bus.clock
    with watcher.step(f"reading {len(places)} places again", len(places)) as advance:
        for attempt in range(BUDGET):
            begun = clock.now()
            fast = _set_round(connection, attempt)
            chunk = _CHUNKS[attempt % len(_CHUNKS)]
            style = ReadStyle(fast, connection.chip.fast_read_dummy, chunk)
            if not answers_known(connection):
                continue
            for place in waiting:
                low = max(0, place.start - rng.randrange(1, 200))
                high = min(connection.chip.size, place.start + place.length + rng.randrange(200))
                data = connection.flash.read_all(low, high - low, style)
                place.take(data[place.start - low :][: place.length])
            still = [place for place in waiting if not place.judge(floor, allowance)]
            advance(len(waiting) - len(still))
            waiting = still
            if not waiting:
                break
            clock.sleep(max(0.0, APART - (clock.now() - begun)))


def _set_round(connection: Connection, attempt: int) -> bool:
    """Clock and edge of a round; whether it uses the fast read."""
    slowest, fastest = connection.bus.clock_limits
    hertz = min(max(connection.ceiling / 2 ** (1 + attempt // 6), slowest), fastest)
    late = attempt % 4 < 2 or hertz > connection.edge_limit
    sampling = Sampling.LATE if late else Sampling.EDGE
    apply(connection, PassSetting(attempt % 2 == 0, hertz, sampling, PAGE, downward=False))
    return attempt % 2 == 0
