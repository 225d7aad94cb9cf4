"""A worker at each station, until no more boards come or somebody stops them.

Workers are threads: most of their time is spent waiting for adapter and chip. What they share,
the ledger, draws values and writes rows one after the other. Boards come from a station: an adapter
whose clip goes from board to board.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from spiflash.archive.ledger.rows import BoardRecord
from spiflash.bus import Bus
from spiflash.bus.locate import open_bus
from spiflash.bus.mpsse import Pins
from spiflash.errors import (
    AdapterNotFoundError,
    BusError,
    ChipAbsentError,
    InterruptedWorkError,
    SpiflashError,
    UsageError,
)
from spiflash.jobs import BYTES, Advance
from spiflash.jobs.clone.board import clone_board
from spiflash.jobs.clone.context import Context, SkippedError, Worker
from spiflash.nor.probe import probe

GLANCE = 0.2
"""Seconds between two looks of the main thread for Ctrl-C and for workers that have ended."""


PRESSED = (
    "Finishing the boards on the clips. Press Ctrl-C again to stop at once.",
    "Stopping at once. The boards on the clips are half written; put them on again later.",
)
"""What is said to the first Ctrl-C, and to the next."""


class Screen(Protocol):
    """What the people at the bench see and hear; called from several threads."""

    def status(self, station: str, text: str) -> None:
        """What goes on at a station, in a few words."""
        ...

    def progress(self, station: str, text: str) -> None:
        """How far a step at a station is; called often."""
        ...

    def result(self, station: str, record: BoardRecord) -> None:
        """A board has ended."""
        ...

    def skipped(self, station: str, record: BoardRecord) -> None:
        """A finished board was on the clip again and is left alone."""
        ...

    def closed(self, station: str, text: str) -> None:
        """No more boards are worked on at a station, and why."""
        ...

    def say(self, text: str) -> None:
        """A remark about all stations."""
        ...


@dataclass(frozen=True, slots=True)
class Cloned:
    """How it ended: every row written, boards left alone, and what ended a worker."""

    records: tuple[BoardRecord, ...]
    skipped: tuple[BoardRecord, ...]
    errors: tuple[SpiflashError, ...]


@dataclass
class Runner:
    """One run. `limit` ends it after so many good boards; 0 is no limit."""

    context: Context
    stations: Sequence[Station]
    screen: Screen
    limit: int = 0
    _stop: threading.Event = field(default_factory=threading.Event)
    _abandon: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _records: list[BoardRecord] = field(default_factory=list)
    _skipped: list[BoardRecord] = field(default_factory=list)
    _errors: list[SpiflashError] = field(default_factory=list)
    _faults: list[BaseException] = field(default_factory=list)

    def run(self) -> Cloned:
        """Work until all stations have ended.

        The first Ctrl-C lets the boards on the clips be finished; the second breaks them off.
        They stay in hand, and are continued when they are put on again.
        """
        self.context.ledger.store.tell = self.screen.say
        ended = [self._start(station) for station in self.stations]
        presses = told = 0
        while not all(each.is_set() for each in ended):
            try:
                # Not Thread.join: broken off by Ctrl-C, CPython 3.11 takes the thread for ended.
                for each in ended:
                    each.wait(GLANCE)
                if told < presses:
                    told = presses
                    self.screen.say(PRESSED[min(told, len(PRESSED)) - 1])
            except KeyboardInterrupt:
                presses += 1
                self._stop.set()
                if presses > 1:
                    self._abandon.set()
        if self._faults:
            raise self._faults[0]
        return Cloned(tuple(self._records), tuple(self._skipped), tuple(self._errors))

    def _start(self, station: Station) -> threading.Event:
        """A worker at this station; what is set when it has ended."""
        ended = threading.Event()

        def work() -> None:
            try:
                self._work(station)
            finally:
                ended.set()

        threading.Thread(target=work, name=station.name).start()
        return ended

    def stopping(self) -> bool:
        """Whether no further board is to be started."""
        return self._stop.is_set()

    def _work(self, station: Station) -> None:
        try:
            self._boards(station)
        except SpiflashError as error:
            with self._lock:
                self._errors.append(error)
            self.screen.closed(station.name, str(error))
        except BaseException as fault:  # a defect in one thread must end the whole program
            self._faults.append(fault)
            self._stop.set()
        finally:
            station.close()

    def _boards(self, station: Station) -> None:
        worker = Worker(
            station.name,
            _Obedient(self._abandon, lambda text: self.screen.progress(station.name, text)),
            lambda text: self.screen.status(station.name, text),
        )
        while not self.stopping():
            worker.tell(WAITING)
            bus = station.next_board(self.stopping, worker.tell)
            if bus is None:
                break
            if not self._one(bus, station, worker):
                self.screen.closed(
                    station.name, "the job says to stop after a failure of this kind"
                )
                return
            worker.tell(TAKE_OFF)
            station.taken_away(self.stopping)
        self.screen.closed(station.name, "stopped" if self.stopping() else "no more boards")

    def _one(self, bus: Bus, station: Station, worker: Worker) -> bool:
        """One board; whether this station goes on."""
        try:
            record = clone_board(bus, self.context, worker)
        except SkippedError as skipped:
            with self._lock:
                self._skipped.append(skipped.record)
            self.screen.skipped(station.name, skipped.record)
            return True
        except (KeyboardInterrupt, InterruptedWorkError) as exc:
            raise InterruptedWorkError(
                f"Stopped while a board was being written at {station.name}.",
                state="Its backup is on the shelf, and its values stay with it.",
                remedy="Run the same job again with this board on the clip: it is continued.",
            ) from exc
        with self._lock:
            self._records.append(record)
            good = sum(each.good for each in self._records)
        self.screen.result(station.name, record)
        if self.limit and good >= self.limit:
            self._stop.set()
        return record.good or self.context.job.action(record.kind) != "stop"


class _Obedient:
    """A watcher that breaks the work off when told to: in a thread, Ctrl-C does not arrive.
    `tell` is shown each full tenth of a step."""

    def __init__(self, abandon: threading.Event, tell: Callable[[str], None]) -> None:
        self._abandon = abandon
        self._tell = tell

    @contextmanager
    def step(self, title: str, total: int, counting: str = BYTES) -> Iterator[Advance]:
        """See `Watcher`."""
        done = tenths = 0

        def advance(count: int) -> None:
            nonlocal done, tenths
            if self._abandon.is_set():
                raise KeyboardInterrupt
            done += count
            if total and done * 10 // total > tenths:
                tenths = done * 10 // total
                self._tell(f"{title}, {10 * tenths} %")

        advance(0)
        yield advance

    def say(self, text: str) -> None:
        """Nothing is shown."""


WAITING = "waiting for a board"
TAKE_OFF = "done: take the clip off"
"""What is shown between two boards."""

LOOK = 0.3
"""Seconds between two looks at an empty clip."""

STEADY = 3
"""Looks in a row that must find the same chip before work begins, or none before it counts as
taken away: a clip that is being seated makes and loses contact several times."""

LONGEST_SEATING = 20
"""Looks after which a chip that answers differently each time is worked on anyway, so
that it is recorded what is wrong with it."""

ABSENT = 1.0
"""Seconds between two attempts to open an adapter that was pulled out."""

NOTHING = b""
UNSTEADY = b"?"
"""What a look at the clip gives when it is no chip's ID."""

Stopping = Callable[[], bool]
Tell = Callable[[str], None]
"""Shown a few words of what the station waits for."""


class Station(Protocol):
    """One place where boards are put on, one after the other."""

    @property
    def name(self) -> str:
        """What to call it, for people and in the ledger."""
        ...

    def next_board(self, stopping: Stopping, tell: Tell) -> Bus | None:
        """Wait for a board; an open bus with it. None when no more come, or when stopping."""
        ...

    def taken_away(self, stopping: Stopping) -> None:
        """Wait until the board has gone."""
        ...

    def close(self) -> None:
        """Release the adapter. May be called twice."""
        ...


class ClipStation:
    """A real adapter: a person moves its clip. An adapter that was pulled out is waited for."""

    def __init__(
        self,
        url: str | None,
        pins: Pins | None = None,
        *,
        opened: Callable[[str | None, Pins | None], Bus] = open_bus,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        """`pause` waits so many seconds while there is no adapter, and so no clock of a bus."""
        self.name = url or "adapter"
        self._url = url
        self._pins = pins
        self._opened = opened
        self._pause = pause
        self._known = False
        self._bus: Bus | None = None

    def next_board(self, stopping: Stopping, tell: Tell) -> Bus | None:
        """See `Station`. Raises `SpiflashError` when the adapter cannot be opened at first."""
        seen = _Seen()
        while not stopping():
            bus = self._open(tell)
            if bus is None:
                self._pause(ABSENT)
                continue
            try:
                if seen.settled(_look(bus)):
                    return bus
                bus.clock.sleep(LOOK)
            except BusError:
                seen = _Seen()
                self.close()
        return None

    def taken_away(self, stopping: Stopping) -> None:
        """See `Station`."""
        gone = 0
        while gone < STEADY and self._bus is not None and not stopping():
            try:
                gone = gone + 1 if _look(self._bus) == NOTHING else 0
                self._bus.clock.sleep(LOOK)
            except BusError:
                # The adapter itself was pulled out, and with it the board.
                self.close()

    def close(self) -> None:
        """See `Station`."""
        bus, self._bus = self._bus, None
        if bus is not None:
            # Of an adapter that was pulled out there is nothing left to release.
            with suppress(BusError):
                bus.close()

    def _open(self, tell: Tell) -> Bus | None:
        """The bus; None while an adapter that was here before is away."""
        if self._bus is None:
            try:
                self._bus = self._opened(self._url, self._pins)
            except (AdapterNotFoundError, BusError):
                if not self._known:
                    raise
                tell("adapter missing: plug it in again")
                return None
            if self._known:
                tell(WAITING)
            self._known = True
        return self._bus


def _look(bus: Bus) -> bytes:
    """The chip's ID, `NOTHING` or `UNSTEADY`. Raises `BusError`."""
    try:
        return probe(bus).id
    except ChipAbsentError:
        return NOTHING
    except BusError:
        raise
    except SpiflashError:
        return UNSTEADY


class _Seen:
    """What the looks at the clip gave so far."""

    def __init__(self) -> None:
        self._last = NOTHING
        self._same = 0
        self._looks = 0

    def settled(self, found: bytes) -> bool:
        """Whether work may begin: the clip is seated, or will not get any better."""
        steady = found not in (NOTHING, UNSTEADY)
        self._same = self._same + 1 if steady and found == self._last else int(steady)
        self._looks = self._looks + 1 if found != NOTHING else 0
        self._last = found
        return self._same >= STEADY or self._looks >= LONGEST_SEATING


class TurnStation:
    """Simulated boards one after the other: each is on the clip from the start."""

    def __init__(self, name: str, urls: Sequence[str], pins: Pins | None = None) -> None:
        self.name = name
        self._urls = iter(tuple(urls))
        self._pins = pins
        self._bus: Bus | None = None

    def next_board(self, stopping: Stopping, tell: Tell) -> Bus | None:
        """See `Station`."""
        url = None if stopping() else next(self._urls, None)
        if url is not None:
            self._bus = open_bus(url, self._pins)
            return self._bus
        return None

    def taken_away(self, stopping: Stopping) -> None:
        """See `Station`."""
        self.close()

    def close(self) -> None:
        """See `Station`."""
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.close()


def station_for(url: str | None, pins: Pins | None = None) -> Station:
    """The station that an adapter URL names; sim:FOLDER/* is every board kept in FOLDER, one
    after the other, and any other sim: URL one board.

    Raises `UsageError` for a folder without boards.
    """
    if url is None or not url.startswith("sim:"):
        return ClipStation(url, pins)
    name, mark, query = url.partition("?")
    if not name.endswith("/*"):
        return TurnStation(url, [url], pins)
    folder = Path(name[len("sim:") : -len("/*")])
    boards = sorted(path.parent for path in folder.glob("*/chip.json"))
    if not boards:
        raise UsageError(
            f"There is no simulated board in {folder}.",
            remedy=f"Make one: spiflash identify --adapter 'sim:{folder}/1?new=heron&board=1'",
        )
    return TurnStation(url, [f"sim:{board}{mark}{query}" for board in boards], pins)
