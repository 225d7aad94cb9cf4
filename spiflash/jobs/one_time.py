"""One-time data, read so that it can be believed: the unique ID and the security registers.

They are a few hundred bytes, so that each is read with several clocks, edges and starting moments
until enough readings in a row agree bit for bit, by the same bound on wrong bits as the contents.
A single reading of 768 bytes is wrong once in sixteen times at an error rate of 1e-5.
"""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.archive.record import OneTimeRecord
from spiflash.jobs.connection import Connection
from spiflash.jobs.evidence import LIMIT, poisson_bounds
from spiflash.jobs.reading_again import Place, set_round
from spiflash.nor import commands
from spiflash.nor.probe import read_security

ROUNDS = 40
"""Readings of what differed in any of them, and at most of anything."""

APART = 0.002
"""Seconds between two readings at least; a burst of noise is longer, but there are several."""

UNIT = 32
"""Bytes for which equal readings in a row are counted."""

UNKNOWN_RATE = 1e-7
"""Errors a bit that are assumed where the contents have not been read."""

CLEAR = 0.05
"""Error rate below which the majority of `ROUNDS` readings leaves no wrong bit: 20 of 40 wrong
readings have a chance of less than (4 × 0.05)^20."""


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
            f"{each.name} read differently: {each.differing} of its {each.bits} bits in "
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
    items: list[Place] = []
    for attempt in range(ROUNDS):
        begun = connection.bus.clock.now()
        set_round(connection, attempt)
        with connection.flash.short_addresses():
            data = [_raw_unique(connection) for _ in unique]
            data += read_security(connection.bus, chip)
        if not items:
            items = [Place(0, len(each), [], unit=UNIT) for each in data]
            names += [f"security-{number}" for number in range(1, len(items) - len(unique) + 1)]
        for place, each in zip(items, data, strict=True):
            place.take(each)
        settled = [place.judge(rate, LIMIT / 10 / len(items)) for place in items]
        if all(settled) and not any(place.differing for place in items):
            break
        connection.bus.clock.sleep(max(0.0, APART - (connection.bus.clock.now() - begun)))
    found = [
        _judged(name, place, unique[0] if name == "unique-id" else None)
        for name, place in zip(names, items, strict=True)
    ]
    return OneTime(
        tuple(value for value, _ in found[len(unique) :]), tuple(record for _, record in found)
    )


def _judged(name: str, place: Place, known: bytes | None) -> tuple[bytes, OneTimeRecord]:
    """What the readings of one item say, and how sure that is."""
    settled = place.accepted is not None
    if place.differing:
        # A row of equal readings says little of a bit that is seen to flip: the majority counts.
        place.accepted, place.expected = None, 0.0
        bits = 8 * place.length
        upper = poisson_bounds(place.differing)[1] / (bits * len(place.readings))
        unstable = any(each.unstable for each in place.flips())
        settled = len(place.readings) >= ROUNDS and upper < CLEAR and not unstable
        place.expected = bits * (4 * min(upper, 0.25)) ** (ROUNDS // 2)
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
