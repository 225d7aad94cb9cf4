"""Tests for faults that no repeated reading can show.

A stuck data line, an address line that does nothing or a byte that is wrong at a fixed place of
every long transfer give the same wrong contents in every pass. Each test here looks for one such
fault in another way than the passes do, and says plainly when the chip or its contents cannot show
it.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.archive.record import ProbeRecord
from spiflash.bus import Sampling, Transaction
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import levels
from spiflash.dump.symptoms import symptoms
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


def suspects(contents: bytes, known: Attention) -> list[int]:
    """Sectors that are to be read again although the passes agree: those that fail a checksum, and
    those that are blank but for a bit or two."""
    bits = np.unpackbits(np.frombuffer(contents, np.uint8)).reshape(-1, 8 * SECTOR)
    zeros = 8 * SECTOR - bits.sum(axis=1)
    lone = np.flatnonzero((zeros > 0) & (zeros <= LONE_BITS))
    found = dict.fromkeys([*known.suspect[: SUSPECTS // 2], *(int(i) * SECTOR for i in lone)])
    return sorted(list(found)[:SUSPECTS])


def third_look(
    connection: Connection, contents: bytes, first: Sequence[int], rng: random.Random
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
        chosen.update(rng.sample(pool, min(len(pool), missing)))
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
    doubt = "a byte that is wrong at a fixed place of every transfer of one length"
    if wrong:
        return ProbeRecord(
            "fixed-place",
            doubt,
            "failed",
            f"{len(wrong)} of {looked} sectors read differently in transfers of {SHORT:,} bytes, "
            f"the first at {address(wrong[0])}",
        )
    again = f", {differed} of them when read again" if differed else ""
    return ProbeRecord(
        "fixed-place",
        doubt,
        "held",
        f"{looked} sectors read the same in transfers of {SHORT:,} bytes{again}: the board's own "
        "data and what no checksum covers first, then others at random",
    )


def probe_doubts(
    connection: Connection, contents: bytes, rng: random.Random
) -> tuple[ProbeRecord, ...]:
    """Run every test on a reading that the passes agreed on, but for the third look."""
    _slowly(connection)
    return (
        _data_line(connection),
        _address_lines(connection, contents, rng),
        _above_end(connection, contents),
        _periodic(contents),
    )


def _slowly(connection: Connection) -> None:
    bus = connection.bus
    bus.set_sampling(Sampling.LATE)
    bus.set_clock(max(connection.ceiling * SPEED, bus.clock_limits[0]))


def _data_line(connection: Connection) -> ProbeRecord:
    answers = connection.chip.answers
    known = answers.id + answers.sfdp[:PATTERN]
    ones, zeros = 0, 0
    for value in known:
        ones |= value
        zeros |= ~value & 0xFF
    missing = [bit for bit in range(8) if not (ones & zeros) >> bit & 1]
    how = "ID and SFDP" if answers.sfdp else "the ID (there is no SFDP)"
    return ProbeRecord(
        "data-line",
        "a data line that is stuck, or bits of each byte that are lost",
        "open" if missing else "held",
        f"{how} read correctly before and after every pass, at its clock and sampling edge; "
        + (
            f"bit {', '.join(map(str, missing))} was not seen at both levels"
            if missing
            else "all eight bits were seen at both levels"
        ),
    )


def _address_lines(connection: Connection, contents: bytes, rng: random.Random) -> ProbeRecord:
    doubt = "an address bit that does not reach the chip, or an address that wraps"
    pairs: list[tuple[int, int]] = []
    unseen: list[int] = []
    for bit in range((len(contents) - 1).bit_length()):
        found = _telling(contents, bit, rng)
        if found is None:
            unseen.append(bit)
        else:
            pairs.append((bit, found))
    starts = [address for bit, low in pairs for address in (low, low ^ 1 << bit)]
    right = _as_read(connection, contents, starts, SAMPLE)
    dead = [
        bit
        for index, (bit, _) in enumerate(pairs)
        if not (right[2 * index] and right[2 * index + 1])
    ]
    if dead:
        return ProbeRecord(
            "address-lines", doubt, "failed", f"address bit {_listed(dead)} has no effect"
        )
    if unseen:
        return ProbeRecord(
            "address-lines",
            doubt,
            "open",
            f"address bit {_listed(unseen)} cannot be tested, because it makes no difference to "
            "the contents; all others work",
        )
    return ProbeRecord(
        "address-lines",
        doubt,
        "held",
        f"each of the {len(pairs)} address bits was seen to select different contents",
    )


def _listed(bits: Sequence[int]) -> str:
    return ", ".join(str(bit) for bit in bits)


def _telling(contents: bytes, bit: int, rng: random.Random) -> int | None:
    """An address whose sample differs from that at the address with one bit changed."""
    data = np.frombuffer(contents, dtype=np.uint8)
    step = 1 << bit
    if bit >= SAMPLE.bit_length() - 1:
        rows = data[: len(data) // (2 * step) * 2 * step].reshape(-1, 2, step // SAMPLE, SAMPLE)
        differs = (rows[:, 0] != rows[:, 1]).any(axis=2)
        places = np.argwhere(differs)
        if not len(places):
            return None
        high, low = places[rng.randrange(len(places))]
        return int(high) * 2 * step + int(low) * SAMPLE
    # Both samples must lie inside; multiples of SAMPLE have the low bits clear.
    inside = len(data) - 2 * SAMPLE
    unlike = np.flatnonzero(data[:inside:SAMPLE] != data[step : step + inside : SAMPLE])
    return int(unlike[rng.randrange(len(unlike))]) * SAMPLE if len(unlike) else None


def _as_read(
    connection: Connection, contents: bytes, starts: Sequence[int], length: int
) -> list[bool]:
    """Whether short reads from these addresses give what was read in long ones; a read that
    does not is repeated and the most frequent answer counts."""
    answers = connection.flash.peek(starts, length)
    right = []
    for start, answer in zip(starts, answers, strict=True):
        wanted = contents[start : start + length]
        if answer != wanted:
            again = connection.flash.peek([start] * (TRIES - 1), length)
            answer = Counter([answer, *again]).most_common(1)[0][0]
        right.append(answer == wanted)
    return right


def _above_end(connection: Connection, contents: bytes) -> ProbeRecord:
    doubt = "a chip that is larger than it was identified as"
    size = len(contents)
    if size >= THREE_BYTE_REACH:
        return ProbeRecord(
            "above-end", doubt, "open", "three address bytes do not reach above the end"
        )
    # One place whose sample is not blank tells a wrap from an answer of all ones.
    data = np.frombuffer(contents, dtype=np.uint8)
    live = np.flatnonzero(data != 0xFF)
    place = min(int(live[0]) // SAMPLE * SAMPLE, size - SAMPLE) if len(live) else 0
    head = commands.read_head(size + place, Width.THREE, ReadStyle(fast=False), native=False)
    with connection.flash.short_addresses():
        answers = connection.bus.run([Transaction(head, SAMPLE)] * TRIES)
    seen = Counter(answers).most_common(1)[0][0]
    if seen == contents[place : place + SAMPLE]:
        return ProbeRecord("above-end", doubt, "held", "addresses above the end wrap")
    if len(set(seen)) == 1:
        return ProbeRecord("above-end", doubt, "held", "nothing answers above the end")
    return ProbeRecord(
        "above-end",
        doubt,
        "failed",
        f"other contents were read at {address(size + place)}, above the end",
    )


def _periodic(contents: bytes) -> ProbeRecord:
    doubt = "contents that are blank, repeat, or look like those of a bad line"
    signs = [sign for sign in symptoms(contents) if sign.name != "all-ones"]
    if signs:
        seen = "; ".join(sign.sign.removesuffix(".") for sign in signs)
        return ProbeRecord(ODD_CONTENTS, doubt, "failed", seen)
    if contents.count(0xFF) == len(contents):
        return ProbeRecord(
            ODD_CONTENTS, doubt, "open", "the chip is blank, so that its contents prove nothing"
        )
    return ProbeRecord(ODD_CONTENTS, doubt, "held", "none of these was found")
