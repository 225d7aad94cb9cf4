"""From an adapter URL to an identified chip that is ready for work, and back to a free bus.

Which clocks and sample edges work on this clip is measured with known answers, read many times
over: a grid of clock against sample edge, and in each field how many readings of ID and SFDP were
correct. It takes a fraction of a second of bus time and touches nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from spiflash.bus import Bus, Sampling, Transaction
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bus
from spiflash.bus.mpsse import Pins
from spiflash.errors import UnstableReadError
from spiflash.nor import commands
from spiflash.nor.addressing import ModeFound, find_mode
from spiflash.nor.capacity import Capacity, check_capacity
from spiflash.nor.chip import Answers, Chip, ChipIdentity
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import ChipTable, candidates_for, chip_table, identify
from spiflash.nor.probe import PROBE_CLOCK, probe, probe_shared_id, read_unique_id
from spiflash.nor.protection import Protection
from spiflash.text import amount

if TYPE_CHECKING:
    from spiflash.archive.adapters import AdapterRecord

DEFAULT_CEILING = 15e6
"""Hertz: the fastest clock used where none was measured or given. Clip leads of 10 to 20 cm are
usually good for it with late sampling (common practice, no source)."""

EDGE_LIMIT = 15e6
"""Hertz above which sampling on the rising edge goes wrong on long wires, where it was not
measured (common practice, no source)."""


UNIQUE_ROW = 3
"""Equal readings in a row that a unique ID takes."""

UNIQUE_TRIES = 40

STEADY = 7
"""Further readings of ID and SFDP, whose majority is what every later pass is measured against."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a person said about the bench.

    `adapter` is a URL or None for the only one there is; `part` a part of the chip table that the
    chip is treated as; `tables` further chip table files; `ceiling` the fastest SPI clock in hertz
    that may be used, None to measure it; `size` a capacity in bytes that they state; `trust_sfdp`
    their word that a chip described by nothing but its SFDP may be written.
    """

    adapter: str | None = None
    part: str | None = None
    tables: tuple[Path, ...] = ()
    ceiling: float | None = None
    pins: Pins = field(default_factory=Pins)
    size: int | None = None
    trust_sfdp: bool = False
    announce: Callable[[Chip], None] = lambda _chip: None
    """Called as soon as the chip is known, before anything else is done with it."""
    announce_adapter: Callable[[AdapterRecord | None], None] = lambda _record: None
    """Called with what is known of an adapter that has a serial number."""


@dataclass(frozen=True, slots=True)
class Connection:
    """An identified chip on an open bus.

    `registers` holds the raw value of each register the part documents, as found;
    `unique_id` is None for chips without one. `capacity` says how far the size is proven, `mode`
    in which address mode the chip was found, in which it will also be left. `edge_limit` is the
    clock in hertz above which answers are sampled late; `sweep` what was measured, if it was.
    """

    bus: Bus
    flash: NorFlash
    chip: Chip
    unique_id: bytes | None
    registers: Mapping[str, bytes]
    protection: Protection
    ceiling: float
    capacity: Capacity
    mode: ModeFound
    edge_limit: float = EDGE_LIMIT
    sweep: ClockSweep | None = None

    @property
    def identity(self) -> ChipIdentity:
        """Which chip it is, as far as asking it tells."""
        return ChipIdentity(self.chip.jedec_id, self.unique_id, self.chip.size)

    @property
    def style(self) -> ReadStyle:
        """How to read a few bytes at the clock that is set."""
        return ReadStyle(self.bus.hertz > self.chip.clock_read, self.chip.fast_read_dummy)


@contextmanager
def connect(settings: Settings) -> Iterator[Connection]:
    """Open the adapter, find out what is on the clip, and release both at the end.

    Raises what `open_bus`, `probe`, `identify`, `best_clock` and `check_capacity` raise.
    """
    table = chip_table(settings.tables)
    bus, record = open_adapter(settings)
    try:
        chip = identify_chip(
            bus, table, settings.part, size=settings.size, trust_sfdp=settings.trust_sfdp
        )
        settings.announce(chip)
        ceiling, sweep = clock_for(bus, chip, settings.ceiling, record)
        with connected(bus, chip, ceiling, sweep) as connection:
            yield connection
    finally:
        bus.close()


def open_adapter(settings: Settings) -> tuple[FtdiBus, AdapterRecord | None]:
    """Open the adapter, with what is known about it, which is announced. Raises what `open_bus`
    raises."""
    bus = open_bus(settings.adapter, settings.pins)
    record = adapter_record(bus)
    if bus.serial:
        settings.announce_adapter(record)
    return bus, record


def adapter_record(bus: Bus) -> AdapterRecord | None:
    """What was found out about this adapter by trying (see `jobs/prove.py`), None for nothing; from
    here on its reads are no longer than was proven."""
    if not isinstance(bus, FtdiBus) or not bus.serial:
        return None
    from spiflash.archive.adapters import known

    record = known(bus.engine.name, bus.serial)
    if record is not None and record.longest_read:
        bus.longest_read = record.longest_read
    return record


def identify_chip(
    bus: Bus,
    table: ChipTable,
    part: str | None = None,
    *,
    size: int | None = None,
    trust_sfdp: bool = False,
) -> Chip:
    """Ask the chip what it is, and tell it from other parts with its ID.

    Raises what `probe` and `identify` raise.
    """
    answers = steady_answers(bus, probe(bus))
    possible = candidates_for(answers, table)
    if part is not None:
        possible = tuple(each for each in table.by_name(part) if each in possible)
    answers = probe_shared_id(bus, answers, possible)
    return identify(answers, table, part, size=size, trust_sfdp=trust_sfdp)


@contextmanager
def connected(
    bus: Bus, chip: Chip, ceiling: float = DEFAULT_CEILING, sweep: ClockSweep | None = None
) -> Iterator[Connection]:
    """The same on a bus that is open already, for a chip that is known already.

    Raises `ChipMismatchError` when the chip is smaller than it says, before anything is read
    from it that somebody could keep.
    """
    mode = find_mode(bus, chip)
    with NorFlash(bus, chip, mode) as flash:
        capacity = check_capacity(flash)
        with flash.short_addresses():
            unique_id = _steady_unique_id(bus, chip)
        yield Connection(
            bus=bus,
            flash=flash,
            chip=_annotated(chip, capacity, mode),
            unique_id=unique_id,
            registers=flash.registers(),
            protection=flash.protection(),
            ceiling=ceiling,
            capacity=capacity,
            mode=mode,
            edge_limit=EDGE_LIMIT if sweep is None else sweep.reach(Sampling.EDGE),
            sweep=sweep,
        )


def _steady_unique_id(bus: Bus, chip: Chip) -> bytes | None:
    """The unique ID as it comes several times in a row: everything later is measured against it.

    Raises `UnstableReadError` when it never does.
    """
    last = read_unique_id(bus, chip)
    row = 1
    for _ in range(UNIQUE_TRIES):
        found = read_unique_id(bus, chip)
        row = row + 1 if found == last else 1
        last = found
        if row >= UNIQUE_ROW:
            return last
    raise _unsteady("unique ID reads")


def _annotated(chip: Chip, capacity: Capacity, mode: ModeFound) -> Chip:
    """The chip with what was found out about its size and its address mode."""
    notes = list(chip.notes)
    if not capacity.proven:
        notes.append(f"The capacity is not proven by the contents: {capacity.wrap.reason}")
    if mode.four:
        notes.append(
            f"The chip was found in 4-byte address mode ({mode.evidence}) and is left in it. "
            "Most boards expect 3-byte addresses: switch the supply off and on before the board "
            "starts"
        )
    elif mode.four is None:
        notes.append(
            f"In which address mode the chip was found {mode.evidence}; it is left in 3-byte mode"
        )
    if mode.segment:
        notes.append(
            f"The register for the high address bits was found at {mode.segment} and is left at "
            "that value"
        )
    doubt = chip.write_doubt
    if (
        chip.sfdp is not None
        and chip.sfdp.basic.size != chip.size
        and not (doubt or capacity.proven or chip.size_confirmed)
    ):
        doubt = (
            f"its SFDP gives {amount(chip.sfdp.basic.size)}, the chip table {amount(chip.size)}, "
            "and the contents do not show which is correct; if you know it, state it with --size"
        )
    return replace(
        chip, how=f"{chip.how}; {capacity.sentence()}", notes=tuple(notes), write_doubt=doubt
    )


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
    orders, wanted = known_answers(answers, TABLE)
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


def clock_for(
    bus: Bus, chip: Chip, given: float | None, record: AdapterRecord | None
) -> tuple[float, ClockSweep | None]:
    """The fastest clock to use, in hertz: the one that was given, else what works, which is
    measured, and no faster than the `record` of the adapter allows. Raises `UnstableReadError` when
    no clock works."""
    if given is not None:
        return given, None
    sweep = sweep_clocks(bus, chip.answers, top=chip.clock_fast)
    ceiling = best_clock(sweep)
    if record is not None and record.ceiling:
        ceiling = min(ceiling, record.ceiling)
    return ceiling, sweep


def best_clock(sweep: ClockSweep) -> float:
    """The clock to use; raises `UnstableReadError` when none works."""
    if not sweep.ceiling:
        raise _unsteady("ID and SFDP read", ", even at the slowest clock tried")
    return sweep.ceiling


def _unsteady(what: str, how: str = "") -> UnstableReadError:
    return UnstableReadError(
        f"The chip's {what} differently each time{how}.",
        state="Nothing has been changed.",
        remedy="Seat the clip again and check it with 'spiflash contact'.",
    )


def steady_answers(bus: Bus, answers: Answers) -> Answers:
    """The same answers by majority of several slow readings, bit by bit for the SFDP: they are
    what every later pass is measured against."""
    bus.set_sampling(Sampling.LATE)
    bus.set_clock(PROBE_CLOCK)
    orders, known = known_answers(answers, len(answers.sfdp))
    ids, *tables = zip(known, *(bus.run(orders) for _ in range(STEADY)), strict=True)
    table = _majority(tables[0]) if tables else b""
    return replace(answers, id=Counter(ids).most_common(1)[0][0], sfdp=table)


def known_answers(answers: Answers, limit: int) -> tuple[list[Transaction], list[bytes]]:
    """Commands whose answers are known and do not depend on the contents, and these answers: the
    ID, and of a chip that has SFDP `limit` bytes of it."""
    orders, known = [commands.read_id(len(answers.id))], [answers.id]
    table = answers.sfdp[:limit]
    if table:
        orders.append(commands.read_sfdp(0, len(table)))
        known.append(table)
    return orders, known


def _majority(readings: Sequence[bytes]) -> bytes:
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
