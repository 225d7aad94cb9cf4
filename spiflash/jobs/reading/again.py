"""Read again what passes disagree on, slower, until enough readings in a row agree.

Each round reads every open place once, so that two readings of one place are apart in time. Each
round has its own clock, opcode, edge, transfer length and starting point: close by, some sectors
before, and in another 64 KiB block, since an address that arrives wrong may be wrong for all that
begins in one block. How many equal readings in a row it takes follows from the error rate of the
place. Then every bit that was seen to differ is read dozens of times more; `differences` tells
noise from weak cells.

One-time data (the unique ID and the security registers) are a few hundred bytes. They are read in
the same way, at several clocks and edges, until enough readings in a row agree bit for bit, to the
same bound on wrong bits as the contents. A single reading of 768 bytes is wrong once in sixteen
times at an error rate of 1e-5.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from spiflash.archive.record import OneTimeRecord
from spiflash.bus import Sampling
from spiflash.jobs import DRAW, Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading.differences import (
    STRETCH,
    Flips,
    by_page,
    flips_in,
    noise_rate,
    weak_bits,
)
from spiflash.jobs.reading.evidence import LIMIT, PAGE, poisson_bounds, wrongly_settled
from spiflash.jobs.reading.passes import PassSetting, apply
from spiflash.jobs.same_board import answers_known
from spiflash.nor import commands
from spiflash.nor.commands import ReadStyle
from spiflash.nor.probe import read_security
from spiflash.spans import SECTOR
from spiflash.text import counted

LEAST_ROW = 4
"""Equal readings in a row that settle anything at all: one of each kind of starting point."""

BUDGET = 24
"""Readings of one place before it counts as unstable."""

SHARE = 0.1
"""Share of `LIMIT` that all settled places together may use."""

APART = 0.05
"""Seconds between two readings of one place at least: a burst of noise on a contact is
shorter (common practice, no source)."""

BLOCK = 65536

ALONE = 16
"""Bytes read at a bit that was seen to differ."""

MANY = 512
"""Bits seen to differ from which only those that differed twice are read by themselves: noise
explains the others."""

_ROUNDS = ((64, 40), (MANY, 24), (1 << 40, 24))
"""(up to so many bits, so many readings of each by itself)"""

MOST_ROUNDS = 120
"""Readings of a bit by itself at most."""

_CHUNKS = (4099, 1021, 2053, 769, 3067, 509, 1531)
"""Bytes; primes, so that transfers end at other places every time."""

_SHARES = (0.34, 0.26, 0.34, 0.21, 0.26, 0.18)
"""Of the ceiling: the clocks of the first rounds, none of them that of the first pass or half of
it: what is wrong alike at both must not decide. Later rounds are slower."""


@dataclass(slots=True)
class Reread:
    """A stretch that is read again, and everything that was read there.

    `least` is how many readings it takes at least; `unit` the bytes for which rows are
    counted, `weak` its bits (addresses) that turned out to be weak.
    """

    start: int
    length: int
    readings: list[bytes]
    """Of the passes first, then of the rounds."""
    least: int = 0
    unit: int = PAGE
    passes: int = 0
    row: list[int] = field(default_factory=list)
    accepted: bytes | None = None
    expected: float = 0.0
    """Expected number of wrong bits in what was accepted."""
    weak: list[int] = field(default_factory=list)
    unstable_bits: dict[int, bool] = field(default_factory=dict)
    """What most readings said of each bit that is unstable."""

    def __post_init__(self) -> None:
        self.passes = len(self.readings)
        self.row = [0] * -(-self.length // self.unit)

    @property
    def sector(self) -> int:
        """Address of the sector in which it begins."""
        return self.start // SECTOR * SECTOR

    def take(self, reading: bytes) -> None:
        """One more reading; a unit's row begins anew where it differs from the one before."""
        last = self.readings[-1] if len(self.readings) > self.passes else None
        for index in range(len(self.row)):
            part = slice(index * self.unit, (index + 1) * self.unit)
            same = last is not None and last[part] == reading[part]
            self.row[index] = self.row[index] + 1 if same else 1
        self.readings.append(reading)

    def judge(self, floor: float, allowance: float) -> bool:
        """Whether it is settled: the row is long enough for this place's own error rate (at
        least `floor`) to leave less than `allowance` wrong bits, and every byte of it was seen
        in a pass too."""
        row = min(self.row)
        if row < LEAST_ROW or len(self.readings) - self.passes < self.least:
            return False
        bits = 8 * self.length
        rate = max(floor, poisson_bounds(self.differing)[1] / (bits * len(self.readings)))
        wrong = wrongly_settled(bits, rate, row, len(self.readings) - self.passes)
        # Where no pass ever read what the rounds read, the ways of reading contradict each
        # other, and that is no matter of chance.
        if wrong >= allowance or not self._seen_in_a_pass():
            return False
        self.accepted, self.expected = self.readings[-1], wrong
        return True

    @property
    def differing(self) -> int:
        """Bits on which not all readings agree."""
        first = np.frombuffer(self.readings[0], np.uint8)
        differs = np.zeros(len(first), dtype=np.uint8)
        for other in self.readings[1:]:
            differs |= first ^ np.frombuffer(other, np.uint8)
        return int(np.unpackbits(differs).sum())

    def _seen_in_a_pass(self) -> bool:
        if not self.passes:
            return True
        wanted = np.frombuffer(self.readings[-1], np.uint8)
        found = np.zeros(len(wanted), dtype=bool)
        for reading in self.readings[: self.passes]:
            found |= wanted == np.frombuffer(reading, np.uint8)
        return bool(found.all())

    @property
    def likely(self) -> bytes:
        """What was accepted, else bit by bit what most readings say."""
        if self.accepted is not None:
            return self.accepted
        bits = np.stack([np.unpackbits(np.frombuffer(each, np.uint8)) for each in self.readings])
        value = bytearray(np.packbits(2 * bits.sum(axis=0) > len(bits)).tobytes())
        for bit, one in self.unstable_bits.items():
            at, mask = bit // 8 - self.start, 1 << bit % 8
            value[at] = value[at] & ~mask & 0xFF | mask * one
        return bytes(value)

    @property
    def distinct(self) -> tuple[bytes, ...]:
        """Each different reading once, in the order in which they came."""
        return tuple(dict.fromkeys(self.readings))

    def flips(self) -> list[Flips]:
        """The bits on which readings differ, but for events that struck many at a time."""
        return flips_in(self.start, self.readings, self.passes, self.likely, self.unit)

    def doubt(self, found: Sequence[Flips], weak: Sequence[Flips]) -> None:
        """Take note of its weak bits; with an unstable one the place is not settled."""
        self.weak = [each.bit for each in weak]
        self.unstable_bits = {each.bit: each.value for each in found if each.unstable}
        if self.unstable_bits:
            self.accepted = None


def settle(
    connection: Connection, places: Sequence[Reread], floor: float, watcher: Watcher
) -> None:
    """Read the places again until each is settled or the budget is spent. `floor` is the error
    rate per bit of the whole chip, at its upper bound."""
    allowance = LIMIT * SHARE / max(1, len(places))
    waiting = list(places)
    clock = connection.bus.clock
    title = f"reading {counted(len(places), 'place')} again"
    with watcher.step(title, len(places), "places") as advance:
        for attempt in range(BUDGET):
            begun = clock.now()
            fast = set_round(connection, attempt)
            chunk = _CHUNKS[attempt % len(_CHUNKS)]
            style = ReadStyle(fast, connection.chip.fast_read_dummy, chunk)
            if not answers_known(connection):
                continue
            for low, high, inside in _windows(connection.chip.size, waiting, attempt):
                data = connection.flash.read_all(low, high - low, style)
                for place in inside:
                    place.take(data[place.start - low :][: place.length])
            still = [place for place in waiting if not place.judge(floor, allowance)]
            advance(len(waiting) - len(still))
            waiting = still
            if not waiting:
                break
            clock.sleep(max(0.0, APART - (clock.now() - begun)))
    _read_alone(connection, places, floor, watcher)


def _windows(
    size: int, places: Sequence[Reread], attempt: int
) -> list[tuple[int, int, list[Reread]]]:
    """What a round reads: (start, end, places in it), by rising start."""
    found: list[tuple[int, int, list[Reread]]] = []
    for place in sorted(places, key=lambda each: each.start):
        match attempt % 4:
            case 1:
                low = place.start - DRAW.randrange(300, 6000)
            case 2:
                low = place.start // BLOCK * BLOCK - DRAW.randrange(1, 4000)
            case _:
                low = place.start - DRAW.randrange(1, 200)
        low, high = max(0, low), min(size, place.start + place.length + DRAW.randrange(200))
        if found and low <= found[-1][1]:
            first, last, inside = found[-1]
            found[-1] = (min(first, low), max(last, high), [*inside, place])
        else:
            found.append((low, high, [place]))
    return found


def _read_alone(
    connection: Connection, places: Sequence[Reread], floor: float, watcher: Watcher
) -> None:
    """Read every bit that was seen to differ dozens of times, and tell which of them are weak."""
    found: dict[int, list[Flips]] = {}
    for place in places:
        pages = by_page(place.flips(), PAGE)
        found[id(place)] = [each for page in pages if len(page) <= STRETCH for each in page]
        if any(len(page) > STRETCH for page in pages):
            place.accepted = None
    every = [flip for flips in found.values() for flip in flips]
    chosen = every if len(every) <= MANY else [each for each in every if each.minority > 1]
    chosen = chosen[: 4 * MANY]  # beyond it nothing is going to be verified
    rounds = next(count for limit, count in _ROUNDS if len(chosen) <= limit)
    bits = sum(8 * place.length * (len(place.readings) - place.passes) for place in places)
    title = f"reading {counted(len(chosen), 'bit')} again"
    if chosen:
        with watcher.step(title, rounds, "times") as advance:
            for attempt in range(MOST_ROUNDS):
                if attempt >= rounds:
                    chosen = [each for each in chosen if each.unstable]
                if not chosen:
                    break
                _look_at(connection, chosen, attempt)
                bits += 8 * ALONE * len(chosen)
                advance(attempt < rounds)
    noise = noise_rate(every, bits, floor)
    weak = {each.bit for each in weak_bits(every, noise)}
    for place in places:
        flips = found[id(place)]
        place.doubt(flips, [each for each in flips if each.bit in weak])


def _look_at(connection: Connection, chosen: Sequence[Flips], attempt: int) -> None:
    """One more reading of each bit, in a short transfer that begins somewhat before it."""
    set_round(connection, attempt % 8)
    size = connection.chip.size
    starts = [
        min(max(0, each.bit // 8 - (3 * attempt + index) % ALONE), size - ALONE)
        for index, each in enumerate(chosen)
    ]
    connection.bus.clock.sleep(APART / 10)
    for each, start, data in zip(chosen, starts, connection.flash.peek(starts, ALONE), strict=True):
        each.take(bool(data[each.bit // 8 - start] >> each.bit % 8 & 1))


def set_round(connection: Connection, attempt: int) -> bool:
    """Clock and edge of a round; whether it uses the fast read."""
    slowest, fastest = connection.bus.clock_limits
    share = _SHARES[attempt % len(_SHARES)] / 2 ** (attempt // len(_SHARES))
    hertz = min(max(connection.ceiling * share, slowest), fastest)
    late = attempt % 4 < 2 or hertz > connection.edge_limit
    sampling = Sampling.LATE if late else Sampling.EDGE
    apply(connection, PassSetting(attempt % 2 == 0, hertz, sampling, PAGE, downward=False))
    return attempt % 2 == 0


ONE_TIME_READINGS = 40
"""Readings of what differed in any of them, and at most of anything."""

ONE_TIME_APART = 0.002
"""Seconds between two readings at least; a burst of noise is longer, but there are several."""

UNIT = 32
"""Bytes for which equal readings in a row are counted."""

UNKNOWN_RATE = 1e-7
"""Errors a bit that are assumed where the contents have not been read."""

CLEAR = 0.05
"""Error rate below which the majority of `ONE_TIME_READINGS` readings leaves no wrong bit: 20 of 40
wrong readings have a chance of less than (4 × 0.05)^20."""


@dataclass(frozen=True, slots=True)
class OneTime:
    """`security` holds each security register, in their order; `records` tell how sure they and
    the unique ID are."""

    security: tuple[bytes, ...]
    records: tuple[OneTimeRecord, ...]

    @property
    def otp(self) -> bytes | None:
        """The security registers one after the other; None for a chip without any."""
        return b"".join(self.security) or None

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why a set of it should not be believed, as of `Reading.doubts`."""
        return tuple(
            f"{each.name} reads differently: {each.differing} of {each.bits} bits in "
            f"{each.readings} readings"
            for each in self.records
            if not each.settled
        )


def read_one_time(connection: Connection, rate: float = UNKNOWN_RATE) -> OneTime:
    """Read the one-time data of the chip. `rate` is the upper bound of the error rate per bit.

    A unique ID that settles at another value than the connection has is not settled.
    """
    chip = connection.chip
    unique: tuple[bytes, ...] = () if connection.unique_id is None else (connection.unique_id,)
    names = ["unique-id"] * len(unique)
    items: list[Reread] = []
    for attempt in range(ONE_TIME_READINGS):
        begun = connection.bus.clock.now()
        set_round(connection, attempt)
        with connection.flash.short_addresses():
            data = [_raw_unique(connection) for _ in unique]
            data += read_security(connection.bus, chip)
        if not items:
            items = [Reread(0, len(each), [], unit=UNIT) for each in data]
            names += [f"security-{number}" for number in range(1, len(items) - len(unique) + 1)]
        for place, each in zip(items, data, strict=True):
            place.take(each)
        settled = [place.judge(rate, LIMIT / 10 / len(items)) for place in items]
        if all(settled) and not any(place.differing for place in items):
            break
        connection.bus.clock.sleep(max(0.0, ONE_TIME_APART - (connection.bus.clock.now() - begun)))
    found = [
        _judged(name, place, unique[0] if name == "unique-id" else None)
        for name, place in zip(names, items, strict=True)
    ]
    return OneTime(
        tuple(value for value, _ in found[len(unique) :]), tuple(record for _, record in found)
    )


def _judged(name: str, place: Reread, known: bytes | None) -> tuple[bytes, OneTimeRecord]:
    """What the readings of one item say, and how sure that is."""
    settled = place.accepted is not None
    if place.differing:
        # A row of equal readings says little of a bit that is seen to flip: the majority counts.
        place.accepted, place.expected = None, 0.0
        bits = 8 * place.length
        upper = poisson_bounds(place.differing)[1] / (bits * len(place.readings))
        unstable = any(each.unstable for each in place.flips())
        settled = len(place.readings) >= ONE_TIME_READINGS and upper < CLEAR and not unstable
        place.expected = bits * (4 * min(upper, 0.25)) ** (ONE_TIME_READINGS // 2)
    value = place.likely
    if known is not None and value != known:
        settled = False
    return value, OneTimeRecord(
        name,
        8 * place.length,
        len(place.readings),
        min(place.row),
        place.differing,
        place.expected,
        settled,
    )


def _raw_unique(connection: Connection) -> bytes:
    how = connection.chip.unique_id
    if how is None:
        raise ValueError("the chip has no unique ID")
    return connection.bus.run([commands.read_unique_id(how.opcode, how.dummy, how.length)])[0]
