"""Where boards come from: an adapter whose clip goes from board to board."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from spiflash.bus.locate import open_bus
from spiflash.bus.mpsse import Pins
from spiflash.bus.transaction import Bus
from spiflash.errors import (
    AdapterNotFoundError,
    BusError,
    ChipAbsentError,
    SpiflashError,
    UsageError,
)
from spiflash.nor.probe import probe

WAITING = "waiting for a board"
TAKE_OFF = "done: take the clip off"
"""What is shown between two boards."""

LOOK = 0.3
"""Seconds between two looks at an empty clip."""

STEADY = 3
"""Looks in a row that must find the same chip before work begins, or none before it counts as
taken away: a clip that is being seated makes and loses contact several times."""

LONGEST_SEATING = 20
"""Looks after which a chip that answers differently each time is worked on all the same, so
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
