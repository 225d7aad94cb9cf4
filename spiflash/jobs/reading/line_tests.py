"""Tests for faults that no repeated reading can show.

A stuck data line, an address line that does nothing or a byte that is wrong at a fixed place of
every long transfer give the same wrong contents in every pass. Each test here looks for one such
fault in another way than the passes do, and says plainly when the chip or its contents cannot show
it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import and_, or_
from typing import Literal

import numpy as np

from spiflash.archive.record import ProbeRecord
from spiflash.bus import Sampling, Transaction
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import levels
from spiflash.dump.symptoms import symptoms
from spiflash.jobs import DRAW
from spiflash.jobs.connection import Connection
from spiflash.jobs.same_board import PATTERN
from spiflash.nor import commands
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.commands import ReadStyle, Width
from spiflash.spans import SECTOR
from spiflash.text import address

SAMPLE = 16
"""Bytes compared at each address of the address test."""

SHORT = 61
"""Bytes of a short transfer: odd, and below every length at which transfers are known to go
wrong."""

SECTORS = 64
"""Sectors, at most, that are read a third time, in short transfers; of a small chip an eighth."""

DRAWN = 3 / 8
"""Share of them, at least, that is drawn from the whole chip."""

SUSPECTS = 64
"""Sectors, at most, that are read again because their own contents say that they are wrong."""

LONE_BITS = 3
"""Zero bits, at most, in a sector that is blank otherwise, which look like wrong ones."""

ODD_CONTENTS = "contents"
"""Name of the test that asks whether the contents look like those of a bad line."""

TRIES = 5

SPEED = 0.25
"""Share of the ceiling at which probes read."""

Found = tuple[Literal["held", "failed", "open"], str]
"""Outcome and remark of a test, as in `ProbeRecord`."""


@dataclass(frozen=True, slots=True)
class Attention:
    """Where reading once more is worth most, as addresses of sectors, the most important first:
    `suspect` because the contents themselves say that they are wrong; `first` because they are this
    board's own or no checksum covers them."""

    suspect: tuple[int, ...] = ()
    first: tuple[int, ...] = ()


def attention(audit: Audit) -> Attention:
    """Where to look, by what was found in the contents."""
    sectors = -(-len(audit.contents) // SECTOR)
    painted = np.zeros(sectors * SECTOR, dtype=np.uint8) + 2
    painted[: len(audit.contents)] = levels(len(audit.contents), audit.findings)
    rows = painted.reshape(-1, SECTOR)
    damaged = np.flatnonzero((rows == 4).any(axis=1))
    own = [
        sector
        for each in audit.own
        for sector in range(each.start // SECTOR, (each.start + each.length - 1) // SECTOR + 1)
    ]
    unproven = np.flatnonzero((rows < 2).any(axis=1))
    ordered = dict.fromkeys([*own, *map(int, unproven)])
    return Attention(
        tuple(int(index) * SECTOR for index in damaged),
        tuple(index * SECTOR for index in ordered if index < sectors),
    )


def suspect_sectors(contents: bytes, known: Attention) -> list[int]:
    """Sectors that are to be read again although the passes agree: those that fail a checksum, and
    those that are blank but for a bit or two."""
    bits = np.unpackbits(np.frombuffer(contents, np.uint8)).reshape(-1, 8 * SECTOR)
    zeros = 8 * SECTOR - bits.sum(axis=1)
    lone = np.flatnonzero((zeros > 0) & (zeros <= LONE_BITS))
    found = dict.fromkeys([*known.suspect[: SUSPECTS // 2], *(int(i) * SECTOR for i in lone)])
    return sorted(list(found)[:SUSPECTS])


def third_look(
    connection: Connection, contents: bytes, first: Sequence[int]
) -> tuple[int, dict[int, bytes]]:
    """Read sectors in short transfers that begin at odd places: those of `first`, and others
    drawn afresh. How many, and what came where something else came."""
    _slowly(connection)
    every = range(0, len(contents), SECTOR)
    count = min(SECTORS, len(every) // 8)
    chosen = {0, len(contents) - SECTOR, *first[: round(count * (1 - DRAWN))]}
    filled = [at for at in every if contents.count(0xFF, at, at + SECTOR) < SECTOR]
    for pool, goal in ((filled, round(count * (1 - DRAWN / 3))), (every, count)):
        missing = max(0, goal - len(chosen))
        chosen.update(DRAW.sample(pool, min(len(pool), missing)))
    other: dict[int, bytes] = {}
    for sector in sorted(chosen):
        starts = range(sector, sector + SECTOR, SHORT)
        last = min(SHORT, len(contents) - starts[-1])
        pieces = connection.flash.peek(starts[:-1], SHORT)
        pieces += connection.flash.peek(starts[-1:], last)
        data = b"".join(pieces)[:SECTOR]
        if data != contents[sector : sector + SECTOR]:
            other[sector] = data
    return len(chosen), other


def third_look_record(looked: int, differed: int, wrong: Sequence[int]) -> ProbeRecord:
    """What is written down of a third look at `looked` sectors: `differed` of them came otherwise
    at first, and those at `wrong` hold something else than the passes read."""
    found: Found
    if wrong:
        found = (
            "failed",
            f"{len(wrong)} of {looked} sectors read differently in transfers of {SHORT:,} bytes, "
            f"the first at {address(wrong[0])}",
        )
    else:
        again = f", {differed} of them when read again" if differed else ""
        found = (
            "held",
            f"{looked} sectors read the same in transfers of {SHORT:,} bytes{again}: the board's "
            "own data and what no checksum covers first, then others at random",
        )
    doubt = "a byte that is wrong at a fixed place of every transfer of one length"
    return ProbeRecord("fixed-place", doubt, *found)


def probe_doubts(connection: Connection, contents: bytes) -> tuple[ProbeRecord, ...]:
    """Run every test on a reading that the passes agreed on, but for the third look."""
    _slowly(connection)
    return (
        ProbeRecord(
            "data-line",
            "a data line that is stuck, or bits of each byte that are lost",
            *_data_line(connection),
        ),
        ProbeRecord(
            "address-lines",
            "an address bit that does not reach the chip, or an address that wraps",
            *_address_lines(connection, contents),
        ),
        ProbeRecord(
            "above-end",
            "a chip that is larger than it was identified as",
            *_above_end(connection, contents),
        ),
        ProbeRecord(
            ODD_CONTENTS,
            "contents that are blank, repeat, or look like those of a bad line",
            *_odd_contents(contents),
        ),
    )


def _slowly(connection: Connection) -> None:
    bus = connection.bus
    bus.set_sampling(Sampling.LATE)
    bus.set_clock(max(connection.ceiling * SPEED, bus.clock_limits[0]))


def _data_line(connection: Connection) -> Found:
    answers = connection.chip.answers
    known = answers.id + answers.sfdp[:PATTERN]
    both = reduce(or_, known) & ~reduce(and_, known)
    missing = [bit for bit in range(8) if not both >> bit & 1]
    how = "ID and SFDP" if answers.sfdp else "the ID (there is no SFDP)"
    seen = (
        f"bit {_listed(missing)} was not seen at both levels"
        if missing
        else "all eight bits were seen at both levels"
    )
    return (
        "open" if missing else "held",
        f"{how} read correctly before and after every pass, at its clock and sampling edge; {seen}",
    )


def _address_lines(connection: Connection, contents: bytes) -> Found:
    pairs: list[tuple[int, int]] = []
    unseen: list[int] = []
    for bit in range((len(contents) - 1).bit_length()):
        found = _telling(contents, bit)
        if found is None:
            unseen.append(bit)
        else:
            pairs.append((bit, found))
    starts = [address for bit, low in pairs for address in (low, low ^ 1 << bit)]
    right = list(as_read(connection, [contents], starts, SAMPLE))
    dead = [
        bit
        for (bit, _), low, high in zip(pairs, right[::2], right[1::2], strict=True)
        if not (low and high)
    ]
    if dead:
        return "failed", f"address bit {_listed(dead)} has no effect"
    if unseen:
        return (
            "open",
            f"address bit {_listed(unseen)} cannot be tested, because it makes no difference to "
            "the contents; all others work",
        )
    return "held", f"each of the {len(pairs)} address bits was seen to select different contents"


def _listed(bits: Sequence[int]) -> str:
    return ", ".join(map(str, bits))


def _telling(contents: bytes, bit: int) -> int | None:
    """An address whose sample differs from that at the address with one bit changed."""
    data = np.frombuffer(contents, dtype=np.uint8)
    step = 1 << bit
    if bit >= SAMPLE.bit_length() - 1:
        rows = data[: len(data) // (2 * step) * 2 * step].reshape(-1, 2, step // SAMPLE, SAMPLE)
        differs = (rows[:, 0] != rows[:, 1]).any(axis=2)
        places = np.argwhere(differs)
        if not len(places):
            return None
        high, low = places[DRAW.randrange(len(places))]
        return int(high) * 2 * step + int(low) * SAMPLE
    # Both samples must lie inside; multiples of SAMPLE have the low bits clear.
    inside = len(data) - 2 * SAMPLE
    unlike = np.flatnonzero(data[:inside:SAMPLE] != data[step : step + inside : SAMPLE])
    return int(unlike[DRAW.randrange(len(unlike))]) * SAMPLE if len(unlike) else None


def as_read(
    connection: Connection, readings: Sequence[bytes], starts: Sequence[int], length: int
) -> Iterator[bool]:
    """Whether short reads from these addresses give what one of the `readings` of the whole chip
    has there. One that does not is repeated a few times, and the most frequent answer counts: a
    single bit error proves nothing."""
    answers = connection.flash.peek(starts, length)
    for start, answer in zip(starts, answers, strict=True):
        known = {each[start : start + length] for each in readings}
        if answer not in known:
            again = connection.flash.peek([start] * TRIES, length)
            answer = Counter([answer, *again]).most_common(1)[0][0]
        yield answer in known


def _above_end(connection: Connection, contents: bytes) -> Found:
    size = len(contents)
    if size >= THREE_BYTE_REACH:
        return "open", "three address bytes do not reach above the end"
    # One place whose sample is not blank tells a wrap from an answer of all ones.
    data = np.frombuffer(contents, dtype=np.uint8)
    live = np.flatnonzero(data != 0xFF)
    place = min(int(live[0]) // SAMPLE * SAMPLE, size - SAMPLE) if len(live) else 0
    head = commands.read_head(size + place, Width.THREE, ReadStyle(fast=False), native=False)
    with connection.flash.short_addresses():
        answers = connection.bus.run([Transaction(head, SAMPLE)] * TRIES)
    seen = Counter(answers).most_common(1)[0][0]
    if seen == contents[place : place + SAMPLE]:
        return "held", "addresses above the end wrap"
    if len(set(seen)) == 1:
        return "held", "nothing answers above the end"
    return "failed", f"other contents were read at {address(size + place)}, above the end"


def _odd_contents(contents: bytes) -> Found:
    signs = [sign for sign in symptoms(contents) if sign.name != "all-ones"]
    if signs:
        return "failed", "; ".join(sign.sign.removesuffix(".") for sign in signs)
    if contents.count(0xFF) == len(contents):
        return "open", "the chip is blank, so that its contents prove nothing"
    return "held", "none of these was found"
