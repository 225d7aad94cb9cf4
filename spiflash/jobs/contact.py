"""Look at the contact before anything is believed: what answers, how well, and what is wrong.

Listening takes a second: many slow readings of ID and SFDP, spaced so that a fault that comes
and goes is met. What they show is judged by `diagnose`, which is pure. They are some hundred
thousand bits: bits that rarely go wrong show only in more of them, so contents are read several
times at the clock that is to be used, and compared. Nothing is changed on the chip: the write
enable latch is set and cleared again, which no cell notices.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from operator import and_, or_

from spiflash.bus import Bus, Sampling
from spiflash.errors import BusError, SpiflashError
from spiflash.jobs.connection import (
    ClockSweep,
    Connection,
    Settings,
    connected,
    identify_chip,
    open_adapter,
    sweep_clocks,
)
from spiflash.jobs.reading.passes import apply, pass_setting
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.identify import chip_table
from spiflash.nor.probe import ID_BYTES, PROBE_CLOCK
from spiflash.spans import SECTOR

ID_READINGS = 200
READINGS = 16
PAUSE = 4e-3
"""Seconds between two readings: a fault that comes every second or so is met within them."""

REPEATED = 0.25
"""Seconds on the wires for which contents are read a first time, and as long again: at 30 MHz 7
million bits, in which one wrong bit in a million shows."""

MOST_REPEATS = 8

TABLE = 64
SIGNATURE = b"SFDP"
DENSE = 16
"""Wrong bits per wrong reading above which something happened to the line for a while; single
bit errors stay far below."""

ONE_SIDED = 3
"""How many times likelier a zero must read as one than a one as zero for a line that opens and
is pulled up; where two masters drive it, the low one wins (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Fault:
    """`name` is stable, for scripts; `sign` is what was seen, `cause` what it comes from, `pins`
    the pins of the 8-pin package to look at, the likeliest first."""

    name: str
    sign: str
    cause: str
    pins: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ClockLine:
    """At this clock (hertz), of `tried` readings each, how many were correct when sampled on the
    rising edge, and with the late sample."""

    hertz: float
    edge: int
    late: int
    tried: int


@dataclass(frozen=True, slots=True)
class Repeated:
    """The first `length` bytes of the contents, read `readings` times at `hertz`; `differing` bits
    of the later readings were not as in the first."""

    length: int
    readings: int
    hertz: float
    differing: int

    @property
    def bits(self) -> int:
        """How many bits were compared with those of the first reading."""
        return 8 * self.length * (self.readings - 1)


@dataclass(frozen=True, slots=True)
class Contact:
    """What the contact check found.

    `chip` is None and `lines` are empty when nothing could be identified; `refusal` says why
    then. `clock` is the one to use and `edge_limit` the fastest for sampling on the rising edge,
    in hertz, 0 for none. `latch` tells whether the write enable latch could be set and cleared,
    `locked` whether the status register is write-protected. `repeated` is None where no clock
    works.
    """

    adapter: str
    chip: Chip | None
    lines: tuple[ClockLine, ...]
    clock: float
    edge_limit: float
    faults: tuple[Fault, ...]
    refusal: str
    latch: bool | None
    locked: bool
    repeated: Repeated | None = None

    @property
    def good(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults and not self.refusal


def make_contact(settings: Settings) -> Contact:
    """Listen, identify, sweep the clocks. Raises what opening the adapter raises."""
    table = chip_table(settings.tables)
    bus, _ = open_adapter(settings)
    try:
        faults = list(diagnose(read_ids(bus)))
        chip: Chip | None = None
        sweep: ClockSweep | None = None
        latch: bool | None = None
        repeated: Repeated | None = None
        locked, refusal = False, ""
        try:
            chip = identify_chip(
                bus, table, settings.part, size=settings.size, trust_sfdp=settings.trust_sfdp
            )
            settings.announce(chip)
            sweep = sweep_clocks(bus, chip.answers, readings=READINGS, top=chip.clock_fast)
            slow = min(PROBE_CLOCK, bus.clock_limits[1])
            with connected(bus, chip, slow, sweep) as connection:
                latch = connection.flash.write_enabled()
                locked = connection.protection.register_locked
                if sweep.ceiling:
                    repeated = _read_repeatedly(connection, sweep.ceiling)
            if not latch:
                faults.append(_LATCH)
            if repeated is not None and repeated.differing and not faults:
                faults.append(_rare(repeated))
            if not sweep.ceiling:
                refusal = "No clock works, neither with early nor with late sampling."
        except BusError:
            raise  # an adapter that does not answer says nothing of the clip
        except SpiflashError as error:
            refusal = f"{error.cause} {error.remedy}".strip()
        return Contact(
            adapter=bus.description,
            chip=chip,
            lines=() if sweep is None else _lines(sweep),
            clock=0.0 if sweep is None else sweep.ceiling,
            edge_limit=0.0 if sweep is None else sweep.reach(Sampling.EDGE),
            faults=tuple(faults),
            refusal=refusal,
            latch=latch,
            locked=locked,
            repeated=repeated,
        )
    finally:
        bus.close()


def _lines(sweep: ClockSweep) -> tuple[ClockLine, ...]:
    """One line a clock, both edges side by side."""
    right = {(each.hertz, each.sampling): each.right for each in sweep.points}
    return tuple(
        ClockLine(hertz, right[hertz, Sampling.EDGE], right[hertz, Sampling.LATE], READINGS)
        for hertz in dict.fromkeys(each.hertz for each in sweep.points)
    )


def _read_repeatedly(connection: Connection, ceiling: float) -> Repeated:
    """Read the start of the contents several times, as the first pass of a backup would."""
    chip, bus = connection.chip, connection.bus
    setting = pass_setting(replace(connection, ceiling=ceiling), 1)
    apply(connection, setting)
    style = setting.style(chip)
    budget = max(int(REPEATED * bus.hertz / 8) // SECTOR * SECTOR, SECTOR)
    length = min(budget, chip.size)
    readings = min(1 + -(-budget // length), MOST_REPEATS)
    first = int.from_bytes(connection.flash.read_all(0, length, style), "big")
    differing = 0
    for _ in range(readings - 1):
        again = int.from_bytes(connection.flash.read_all(0, length, style), "big")
        differing += (first ^ again).bit_count()
    return Repeated(length, readings, bus.hertz, differing)


def read_ids(bus: Bus) -> list[tuple[bytes, bytes]]:
    """Many slow readings of (ID, start of the SFDP area)."""
    bus.set_sampling(Sampling.LATE)
    bus.set_clock(PROBE_CLOCK)
    # A chip in deep power-down answers only after this.
    bus.run([commands.read_legacy_id()])
    heard = []
    for _ in range(ID_READINGS):
        answer, table = bus.run([commands.read_id(ID_BYTES), commands.read_sfdp(0, TABLE)])
        heard.append((answer, table))
        bus.clock.sleep(PAUSE)
    return heard


def diagnose(heard: Sequence[tuple[bytes, bytes]]) -> tuple[Fault, ...]:
    """What the readings say is wrong; empty when nothing is. Pure."""
    tally = Counter(heard)
    (answer, table), times = tally.most_common(1)[0]
    everything = {value for pair in tally for part in pair for value in part}
    if everything == {0xFF}:
        return (_SILENT_HIGH,)
    if everything == {0x00}:
        return (_SILENT_LOW,)
    if times <= max(2, len(heard) // 50):
        return (_FLOATING,) if _mostly_ones(heard) else (_GARBLED,)
    lasting = _shifted(table) or _stuck(answer + table, table)
    found = [lasting] if lasting else []
    if times < len(heard):
        found.append(_comes_and_goes(tally, answer + table, len(heard)))
    return tuple(found)


def _mostly_ones(heard: Sequence[tuple[bytes, bytes]]) -> bool:
    ones = sum(value.bit_count() for pair in heard for part in pair for value in part)
    bits = 8 * sum(len(part) for pair in heard for part in pair)
    return ones > 0.75 * bits


def _shifted(table: bytes) -> Fault | None:
    """The SFDP signature, found one bit too late or too early."""
    value = int.from_bytes(table, "big")
    size = len(SIGNATURE)
    earlier = (value << 1).to_bytes(len(table) + 1, "big")[1 : 1 + size]
    later = (value >> 1).to_bytes(len(table), "big")[:size]
    if earlier == SIGNATURE:
        return _LATE
    # The bit that was lost in front is not known: a zero, as the signature begins with one.
    return _EARLY if later == SIGNATURE else None


def _stuck(known: bytes, table: bytes) -> Fault | None:
    """Bits that have the same level in every byte, although the SFDP signature says otherwise."""
    ones, always = reduce(or_, known), reduce(and_, known)
    constant = always | ~ones & 0xFF
    wrong = reduce(or_, (a ^ b for a, b in zip(table, SIGNATURE, strict=False)), 0)
    if not constant or not wrong or wrong & ~constant:
        return None
    bits = ", ".join(str(bit) for bit in range(8) if constant >> bit & 1)
    half = {0xF0: "The upper four bits", 0x0F: "The lower four bits"}.get(constant, f"Bit {bits}")
    level = "1" if ones & constant == constant else "0"
    return Fault(
        "stuck-bits",
        f"{half} of every byte read {level}.",
        "clock edges are lost or doubled at a fixed place of each byte, or something drives DO "
        "against the chip part of the time: check the clock lead and what else is connected to DO",
        (6, 2),
    )


def _comes_and_goes(tally: Counter[tuple[bytes, bytes]], known: bytes, total: int) -> Fault:
    right = int.from_bytes(known, "big")
    rises = falls = wrong = 0
    for (answer, table), times in tally.items():
        seen = int.from_bytes(answer + table, "big")
        if seen != right:
            wrong += times
            rises += times * (seen & ~right).bit_count()
            falls += times * (right & ~seen).bit_count()
    sign = f"{wrong} of {total} readings were wrong at {PROBE_CLOCK / 1e6:.0f} MHz; "
    ones = right.bit_count()
    zeros = 8 * len(known) - ones
    dense = rises + falls > DENSE * wrong
    if dense and rises * ones > ONE_SIDED * falls * zeros:
        return Fault(
            "intermittent",
            sign + "most of the wrong bits read 1 instead of 0.",
            "DO or CS# loses contact for moments: the clip is not seated well, or a lead is loose",
            (2, 1, 4),
        )
    if dense:
        return Fault(
            "other-master",
            sign + "long runs were garbled, and ones read as 0.",
            "something else drives the lines for moments: the board's processor is awake; hold "
            "it in reset (--hold-low) or remove its supply",
            (6, 5, 2),
        )
    return Fault(
        "noise",
        sign + "bits go wrong both ways.",
        "leads too long, a bad ground, or a weak supply",
        (4, 8, 2),
    )


def _rare(repeated: Repeated) -> Fault:
    return Fault(
        "read-errors",
        f"{repeated.differing:,} of {repeated.bits:,} bits of the contents read differently when "
        f"read again at {repeated.hertz / 1e6:.3g} MHz.",
        "leads too long, a bad ground, a weak supply, cells that are failing, or a board's "
        "processor that writes: hold it in reset; a lower --clock may help",
        (4, 8, 2),
    )


_SILENT_HIGH = Fault(
    "silent-high",
    "The data line stays high whatever is sent.",
    "nothing drives it, and from the adapter's side these look alike: no chip under the clip, "
    "no supply (measure pin 8 against pin 4), CS# (1) or CLK (6) or DI (5) not connected, DO (2) "
    "open, or HOLD# (7) pulled low",
    (8, 4, 1, 2, 7, 6, 5),
)
_SILENT_LOW = Fault(
    "silent-low",
    "The data line stays low whatever is sent.",
    "no supply at the chip (measure pin 8 against pin 4), DO (2) shorted to ground, or the clip "
    "is on the wrong way round",
    (8, 2, 4),
)
_FLOATING = Fault(
    "floating",
    "The data line reads as noise, mostly ones, different every time.",
    "DO (2) is not connected, or nothing drives it",
    (2, 1, 8),
)
_GARBLED = Fault(
    "garbled",
    "No two readings are alike.",
    "another master drives the bus all the time, or the ground is not connected",
    (4, 2, 6),
)
_LATE = Fault(
    "bit-late",
    "Every answer comes one bit late.",
    "the clock is inverted or has one edge too few at the chip, or the level shifter in between "
    "is too slow",
    (6, 2),
)
_EARLY = Fault(
    "bit-early",
    "Every answer comes one bit early: its first bit is lost.",
    "a disturbance on the clock line counts as an edge, or the clock idles at the wrong level",
    (6, 1),
)
_LATCH = Fault(
    "write-latch",
    "The chip answers, but its write enable latch cannot be set.",
    "it is in a state in which it accepts no writes, or commands do not reach it completely",
    (5, 3, 7),
)
