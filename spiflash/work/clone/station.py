"""Where boards come from: an adapter whose clip goes from board to board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from spiflash.bus.locate import open_bus
from spiflash.bus.mpsse import Pins
from spiflash.bus.transaction import Bus
from spiflash.errors import BusError, ChipAbsentError, SpiflashError, UsageError
from spiflash.nor.probe import probe

LOOK = 0.3
"""Seconds between two looks at an empty clip."""

STEADY = 3
"""Looks in a row that must find the same chip before work begins, or none before it counts as
taken away: a clip that is being seated makes and loses contact several times."""

LONGEST_SEATING = 20
"""Looks after which a chip that answers differently each time is worked on all the same, so
that it is recorded what is wrong with it."""

Stopping = Callable[[], bool]


class Station(Protocol):
    """One place where boards are put on, one after the other."""

    @property
    def name(self) -> str:
        """What to call it, for people and in the ledger."""
        ...

    def next_board(self, stopping: Stopping) -> Bus | None:
        """Wait for a board; an open bus with it. None when no more come, or when stopping."""
        ...

    def taken_away(self, stopping: Stopping) -> None:
        """Wait until the board has gone."""
        ...

    def close(self) -> None:
        """Release the adapter. May be called twice."""
        ...


class ClipStation:
    """A real adapter: a person moves its clip."""

    def __init__(self, url: str | None, pins: Pins | None = None) -> None:
        self.name = url or "adapter"
        self._url = url
        self._pins = pins
        self._bus: Bus | None = None

    def next_board(self, stopping: Stopping) -> Bus | None:
        """See `Station`. Raises `SpiflashError` when the adapter cannot be opened at first."""
        same, last, looks = 0, b"", 0
        bus = self._open()
        while not stopping():
            found = self._look(bus)
            looks = looks + 1 if found else 0
            same = same + 1 if found and found == last else 0
            last = found
            if found and (same >= STEADY or looks >= LONGEST_SEATING):
                return bus
            bus.clock.sleep(LOOK)
        return None

    def taken_away(self, stopping: Stopping) -> None:
        """See `Station`."""
        gone = 0
        while gone < STEADY and not stopping():
            if self._bus is None:
                return
            try:
                gone = 0 if self._look(self._bus) else gone + 1
            except BusError:
                # The adapter itself was pulled out: it is opened anew for the next board.
                self.close()
                return
            self._bus.clock.sleep(LOOK)

    def close(self) -> None:
        """See `Station`."""
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.close()

    def _open(self) -> Bus:
        if self._bus is None:
            self._bus = open_bus(self._url, self._pins)
        return self._bus

    @staticmethod
    def _look(bus: Bus) -> bytes:
        """The chip's ID; empty when nothing answers."""
        try:
            return probe(bus).id
        except ChipAbsentError:
            return b""
        except BusError:
            raise
        except SpiflashError:
            return b"?"


class TurnStation:
    """Simulated boards one after the other: each is on the clip from the start."""

    def __init__(self, name: str, urls: Sequence[str], pins: Pins | None = None) -> None:
        self.name = name
        self._urls = iter(tuple(urls))
        self._pins = pins
        self._bus: Bus | None = None

    def next_board(self, stopping: Stopping) -> Bus | None:
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
            state="Nothing has been touched.",
            remedy=f"Make one: spiflash identify --adapter 'sim:{folder}/1?new=heron&board=1'",
        )
    return TurnStation(url, [f"sim:{board}{mark}{query}" for board in boards], pins)
