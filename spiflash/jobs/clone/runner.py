"""A worker at each station, until no more boards come or somebody stops them.

Workers are threads: most of their time is spent waiting for adapter and chip. What they share,
the ledger, draws values and writes rows one after the other.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Protocol

from spiflash.archive.ledger import BoardRecord
from spiflash.bus.transaction import Bus
from spiflash.errors import InterruptedWorkError, SpiflashError
from spiflash.jobs import BYTES, Advance
from spiflash.jobs.clone.board import clone_board
from spiflash.jobs.clone.context import Context, SkippedError, Worker
from spiflash.jobs.clone.station import TAKE_OFF, WAITING, Station

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
