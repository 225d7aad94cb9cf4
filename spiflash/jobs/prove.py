"""Try on a real bench what this program assumes about an adapter.

Most of it comes from data sheets, application notes and memory, and was tried on a simulation only.
Each check says what is assumed, and holds, does not hold, or was not tried. Where one does not
hold, the setting that avoids it goes into the adapter's record and is used from then on.

The checks that write do so in the chip's last block, after a verified backup, which is written
back at the end. Until it is, a journal says so: after a power cut or a kill the work is finished
like any other.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from spiflash.archive.adapters import AdapterRecord, Check, Outcome
from spiflash.archive.shelf import Shelf
from spiflash.bus import Sampling, Transaction, mpsse
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bus
from spiflash.bus.usb import translated
from spiflash.errors import AdapterLostError, SpiflashError
from spiflash.jobs import Watcher
from spiflash.jobs.backup import Backup, SetPage, back_up, now, program_versions
from spiflash.jobs.connection import Connection, Settings, connect, sweep_clocks
from spiflash.jobs.same_board import SameBoard
from spiflash.jobs.write import Begun, WriteOptions, blank, find_interrupted, restore
from spiflash.jobs.write.steps import prove_commands
from spiflash.jobs.write.work import refuse_unknown
from spiflash.nor import commands
from spiflash.nor.commands import ReadStyle
from spiflash.nor.geometry import EraseType, ProgramMethod
from spiflash.text import address, amount

CLOCKS = (30e6, 15e6, 12e6, 10e6, 7.5e6, 6e6, 3e6, 1e6)
"""Hertz at which the actual clock is measured."""

FULL_SPEED_CLOCK = 3e6
"""Hertz up to which a full-speed adapter streams without waiting for USB: a cable moves about a
megabyte a second (common practice, no source)."""

CLOCK_TOLERANCE = 0.03
"""A clock counts as right within this share: USB frames and the host make a time no better."""

LATENCIES = (16, 48)
"""Milliseconds of waiting that the adapter is told; two of them, so that a fixed cost cancels."""

LATENCY_TOLERANCE = 5e-3
"""Seconds by which the difference may be off: some frames and the host's scheduling."""

READ_SHARE, PROGRAM_SHARE = 0.90, 0.80
"""Shares of the limit (bits over clock; with the chip's own time) that reading and programming
should reach. A little below what the simulation reaches, for a host that is slower."""

OPENINGS = 5
LONGEST = mpsse.TRANSFER_LIMIT
ODD = 40960
"""Another length of transfer, in which a byte that is wrong at a fixed place of the longest one
lies elsewhere."""

SINGLE_PAGES = 8
"""Pages that are programmed one by one, to see how long each takes; the block's others follow in
one go."""

STEP = 20e-6
"""Seconds between two looks at a chip that is programming a page."""


@dataclass(slots=True)
class Proving:
    """The checks made so far, and what follows from them for this adapter."""

    watcher: Watcher
    fast: bool
    """Whether the adapter is a high-speed one: on a full-speed one USB is the limit."""
    checks: list[Check] = field(default_factory=list)
    ceiling: float = 0.0
    longest_read: int = 0

    def note(self, name: str, assumption: str, holds: bool | None, measured: str) -> None:
        """Add a check; None for one that was not tried."""
        outcome = {True: Outcome.HOLDS, False: Outcome.FAILS, None: Outcome.UNTRIED}[holds]
        self.checks.append(Check(name, assumption, outcome, measured))
        if holds is not None:  # the others are listed at the end
            self.watcher.say(f"{outcome.value:<14} {assumption}")

    def untried(self, name: str, assumption: str, why: str) -> None:
        """Add a check that was not tried."""
        self.note(name, assumption, None, why)


def prove(
    settings: Settings,
    watcher: Watcher,
    *,
    shelf: Shelf | None,
    agree: Callable[[], bool],
    replug: Callable[[], bool] | None = None,
    page: SetPage | None = None,
) -> AdapterRecord:
    """Make every check that can be made; see the module.

    With a `shelf` the checks that write are made too, once `agree` says yes. `replug` asks a
    person to plug the cable in again that was pulled while the chip was being written; None
    leaves that check out. `page` makes the page of the set that is made before the chip is written.
    Raises what opening the adapter and identifying the chip raise.
    """

    def open_adapter() -> FtdiBus:
        return open_bus(settings.adapter, settings.pins)

    bus = open_adapter()
    try:
        engine, serial = bus.engine, bus.serial
        proving = Proving(watcher, engine.high_speed)
        _opening(proving, bus)
    finally:
        bus.close()
    _after_kill(proving, open_adapter)
    with connect(replace(settings, ceiling=None)) as connection:
        _clocks(proving, connection)
        _edges(proving, connection)
        _reading(proving, connection)
    written = shelf is not None and agree()
    if shelf is not None and written:
        with connect(settings) as connection:
            _writing(proving, connection, shelf, page)
        if replug is not None:
            _unplugging(proving, settings, shelf, replug)
    if not written:
        proving.untried("program", _PROGRAM, "the chip was only read")
        proving.untried("busy", _BUSY, "the chip was only read")
    if not written or replug is None:
        proving.untried("unplug", _UNPLUG, "nobody was asked to pull the cable")
    return AdapterRecord(
        model=engine.name,
        serial=serial,
        made=now(),
        program=program_versions(),
        checks=tuple(proving.checks),
        ceiling=proving.ceiling,
        longest_read=proving.longest_read,
    )


# -- the adapter alone -------------------------------------------------------------------------


def _opening(proving: Proving, bus: FtdiBus) -> None:
    link = bus.link
    with translated():
        short, long = (link.idle_read_seconds(each) for each in LATENCIES)
        levels = link.levels_when_released()
    outputs = mpsse.SCK | mpsse.MOSI | mpsse.CS
    free = levels & outputs == outputs
    proving.note(
        "inputs",
        "every pin is an input once the adapter is released",
        True if free else None,
        "D0, D1 and D3 were driven low and went high again when released"
        if free
        else "a pin stayed low: the board may hold it; measure D0, D1 and D3 against ground with "
        "the clip off (3 V: inputs)",
    )
    expected = (LATENCIES[1] - LATENCIES[0]) / 1000
    proving.note(
        "latency",
        "an adapter with nothing to send answers after the latency that was set",
        abs(long - short - expected) < LATENCY_TOLERANCE,
        f"{1000 * short:.1f} ms at {LATENCIES[0]} ms, {1000 * long:.1f} ms at {LATENCIES[1]} ms",
    )


def _after_kill(proving: Proving, open_adapter: Callable[[], FtdiBus]) -> None:
    """An adapter that was left in mid-command, its pins driven, its replies not fetched."""
    order = commands.read_id(3)
    bus = open_adapter()
    try:
        wanted = bus.run([order])[0]
        # The engine waits for the rest of a long write; the chip is deselected meanwhile.
        deselected = mpsse.Pins().set_bus(selected=False)
        with translated():
            bus.link.abandon(deselected + bytes((mpsse.BYTES_OUT, 0xFF, 0xFF)) + order.out)
    finally:
        bus.close()
    same = 0
    gently = True
    for number in range(OPENINGS):
        bus = open_adapter()
        try:
            # Only the first opening meets the engine in the middle of its work.
            gently = bus.link.pins_stayed_inputs if not number else gently
            same += bus.run([order])[0] == wanted
        finally:
            bus.close()
    proving.note(
        "start",
        "bit-bang mode stops a busy engine and restarts it",
        gently,
        "it answered at once"
        if gently
        else "it needed a reset through the serial port, which drives D0, D2 and D4 for a moment: "
        "after an error take the clip off before the next command",
    )
    proving.note(
        "kill",
        "an adapter that a killed program left in the middle of its work can be used again",
        same == OPENINGS,
        f"{same} of {OPENINGS} openings gave the chip's ID",
    )


# -- reading -----------------------------------------------------------------------------------


def _clocks(proving: Proving, connection: Connection) -> None:
    bus = connection.bus
    wrong: list[str] = []
    tried = 0
    # What a full-speed adapter clocks in faster than this waits for USB.
    top = bus.clock_limits[1] if proving.fast else FULL_SPEED_CLOCK
    for wanted in CLOCKS:
        if not bus.clock_limits[0] <= wanted <= top:
            continue
        hertz = bus.set_clock(wanted)
        length = max(1, min(int(hertz * 0.02 / 8), connection.chip.size // 3))
        one, two = (_stream_seconds(connection, count * length) for count in (1, 3))
        measured = 8 * 2 * length / (two - one) if two > one else 0.0
        tried += 1
        if abs(measured / hertz - 1) > CLOCK_TOLERANCE:
            wrong.append(f"{measured / 1e6:.2f} MHz instead of {hertz / 1e6:.2f} MHz")
    proving.note(
        "clock",
        "the SPI clock is what its divisor says",
        not wrong,
        ", ".join(wrong) or f"{tried} clocks, each within {100 * CLOCK_TOLERANCE:.0f} %",
    )


def _stream_seconds(connection: Connection, length: int) -> float:
    """Seconds of one read command of `length` bytes; the least of a few."""
    times = []
    for _ in range(3):
        start = connection.bus.clock.now()
        connection.flash.read_all(0, length, ReadStyle(fast=False))
        times.append(connection.bus.clock.now() - start)
    return min(times)


def _edges(proving: Proving, connection: Connection) -> None:
    bus = connection.bus
    sweep = sweep_clocks(bus, connection.chip.answers, top=connection.chip.clock_fast)
    late, edge = sweep.reach(Sampling.LATE), sweep.reach(Sampling.EDGE)
    top = min(bus.clock_limits[1], connection.chip.clock_fast)
    proving.note(
        "edges",
        "late sampling works up to the adapter's fastest clock",
        late >= sweep.points[-1].hertz,
        f"late sampling up to {late / 1e6:g} MHz, sampling on the rising edge up to "
        f"{edge / 1e6:g} MHz, of {top / 1e6:g} MHz: it depends on the leads as well",
    )
    proving.ceiling = max(late, edge)


def _reading(proving: Proving, connection: Connection) -> None:
    bus, flash = connection.bus, connection.flash
    bus.set_sampling(Sampling.LATE)
    hertz = bus.set_clock(min(connection.ceiling, bus.clock_limits[1], connection.chip.clock_fast))
    size = min(connection.chip.size, 4 << 20)
    style = ReadStyle(True, connection.chip.fast_read_dummy, LONGEST)
    start = bus.clock.now()
    held = flash.read_all(0, size, style)
    share = 8 * size / hertz / (bus.clock.now() - start)
    proving.note(
        "reading",
        f"reading reaches {100 * READ_SHARE:.0f} % of what the clock allows",
        share >= READ_SHARE,
        f"{100 * share:.1f} % at {hertz / 1e6:g} MHz",
    )
    other = flash.read_all(0, size, replace(style, chunk=ODD))
    wrong = np.flatnonzero(np.frombuffer(held, np.uint8) != np.frombuffer(other, np.uint8))
    places = {int(at) % LONGEST for at in wrong}
    odd = {int(at) % ODD for at in wrong}
    fixed = 0 < len(places) <= 8 and len(places) < len(odd)
    if fixed:
        proving.longest_read = ODD
    proving.note(
        "long-reads",
        "no byte is wrong at a fixed place of the longest transfers",
        False if fixed else (True if not places else None),
        f"wrong at byte {', '.join(map(str, sorted(places)))} of every {LONGEST}: reads are kept "
        f"to {ODD} bytes from now on"
        if fixed
        else "two transfer lengths gave the same bytes"
        if not places
        else "the readings differ in many places: the contact is bad",
    )


# -- writing -----------------------------------------------------------------------------------

_PROGRAM = f"programming reaches {100 * PROGRAM_SHARE:.0f} % of what the clock and the chip allow"
_BUSY = "erasing and programming take no longer than the chip table says"
_UNPLUG = "a restore whose cable was pulled can be finished"


def _writing(proving: Proving, connection: Connection, shelf: Shelf, page: SetPage | None) -> None:
    """Erase and program the last block, measure it, and write the backup back."""
    refuse_unknown(connection)
    geometry = connection.flash.geometry
    *_, (_, _, kinds) = geometry.spans()
    low = connection.chip.size - max((kind.size for kind in kinds), default=0)
    refusal = ""
    if not kinds or geometry.method is not ProgramMethod.PAGE:
        refusal = "this chip is not erased and programmed in the usual way"
    elif connection.flash.protection().overlaps(low, connection.chip.size):
        refusal = "the chip's last block is write-protected"
    elif find_interrupted(connection, shelf, proving.watcher, needed=False) is not None:
        refusal = "a write to this chip was interrupted, and has to be finished first"
    if not refusal:
        made = back_up(connection, shelf, proving.watcher, board="prove", page=page)
        if not made.record.verified:
            refusal = "the backup before it is not verified"
    if refusal:
        proving.untried("program", _PROGRAM, refusal)
        proving.untried("busy", _BUSY, refusal)
        return
    board = SameBoard(connection)
    board.learn(made.contents)
    board.check_thoroughly()
    proving.watcher.say(f"The chip's contents are saved in {made.set.path}.")
    bus = connection.bus
    bus.set_sampling(Sampling.LATE)
    bus.set_clock(min(connection.ceiling, connection.chip.clock_fast, bus.clock_limits[1]))
    prove_commands(connection, made.contents, proving.watcher)
    begun = Begun.on(connection, shelf, made.set, low)
    try:
        with begun.journal.held():
            _last_block(proving, connection, made, kinds)
    finally:
        _write_back(proving, board, begun, low)


def _write_back(proving: Proving, board: SameBoard, begun: Begun, low: int) -> None:
    """Finish the journal of the board that is still on the clip: it holds again what it held."""
    try:
        board.changes(low, len(begun.journal.before()))
        board.check_thoroughly()
        begun.finish(proving.watcher)
    except SpiflashError as exc:
        exc.state = f"The chip's last block may be erased. What it held is in {begun.backup.path}."
        exc.remedy = f"{exc.remedy} 'spiflash restore --resume' writes it back.".strip()
        raise


def _last_block(
    proving: Proving, connection: Connection, made: Backup, kinds: Sequence[EraseType]
) -> None:
    """Erase the last block with each of the `kinds`, program what was there, and note how long it
    takes."""
    low = connection.chip.size - max(kind.size for kind in kinds)
    bus, flash, page = connection.bus, connection.flash, connection.flash.geometry.page
    late: list[str] = []
    said: list[str] = []
    for kind in kinds:
        times = list(_erase_times(connection, kind, low))
        limit = kind.time.maximum
        said.append(f"{amount(kind.size)} {1000 * statistics.median(times):.0f} ms")
        if max(times) > limit:
            late.append(f"{amount(kind.size)} took {max(times):.2f} s of {limit:.2f} s")
    pages = [(at, made.contents[at : at + page]) for at in range(low, connection.chip.size, page)]
    busy = [_page_busy(connection, *each) for each in pages[:SINGLE_PAGES]]
    begun = bus.clock.now()
    flash.program(pages[SINGLE_PAGES:])
    took = bus.clock.now() - begun
    # A page on the wires: write enable, command, address and data.
    count = len(pages) - SINGLE_PAGES
    share = count * (8 * (1 + 4 + page) / bus.hertz + statistics.median(busy)) / took
    said.append(f"page {1000 * statistics.median(busy):.2f} ms")
    if max(busy) > flash.geometry.program.maximum:
        late.append(f"a page took {1000 * max(busy):.2f} ms")
    proving.note("busy", _BUSY, not late, ", ".join(late or said))
    proving.note(
        "program",
        _PROGRAM,
        share >= PROGRAM_SHARE if proving.fast else None,
        f"{100 * share:.1f} % over {count} pages"
        + ("" if proving.fast else "; USB is the limit here"),
    )


def _erase_times(connection: Connection, kind: EraseType, low: int) -> Iterator[float]:
    clock = connection.bus.clock
    for start in range(low, connection.chip.size, kind.size)[:4]:
        begun = clock.now()
        connection.flash.erase(start, kind)
        yield clock.now() - begun


def _page_busy(connection: Connection, start: int, data: bytes) -> float:
    """Seconds that the chip is busy with one page: status bytes follow it closely in the same
    batch, so that neither USB nor the host is in the figure."""
    flash, geometry = connection.flash, connection.flash.geometry
    look = Transaction(commands.read_status().out, 1, rest=STEP)
    step = 16 / connection.bus.hertz + STEP
    looks = int(1.2 * geometry.program.maximum / step) + 1
    way = flash.addressing
    order = commands.program(way.shown(start), data, way.width, native=way.native)
    answers = connection.bus.run([commands.write_enable(), order, *[look] * looks])[2:]
    flash.wait(geometry.program, f"programming at {address(start)}")
    ready = next((n for n, answer in enumerate(answers) if not answer[0] & commands.WIP), looks)
    return ready * step


def _unplugging(
    proving: Proving, settings: Settings, shelf: Shelf, replug: Callable[[], bool]
) -> None:
    """Write the last MiB blank, have the cable pulled meanwhile, then undo it."""
    lost = False
    try:
        with connect(settings) as connection:
            start = max(0, connection.chip.size - (1 << 20))
            proving.watcher.say("NOW: pull the USB cable out while the bar moves.")
            image = blank(connection, start, None)
            options = WriteOptions(at=start)
            restore(connection, shelf, image, proving.watcher, options, agree=lambda work: True)
    except AdapterLostError:
        lost = True
    if lost and not replug():
        proving.untried("unplug", _UNPLUG, "the adapter was not plugged in again")
        return
    try:
        with connect(settings) as connection:
            options = WriteOptions(undo=True)
            restore(connection, shelf, None, proving.watcher, options, agree=lambda work: True)
    except SpiflashError as exc:
        proving.note("unplug", _UNPLUG, False, exc.cause)
        return
    proving.note(
        "unplug",
        _UNPLUG,
        True if lost else None,
        "undone and verified" if lost else "the cable was not pulled in time",
    )
