"""The supply that fails at a chosen moment, and the clip that is moved to another board."""

from __future__ import annotations

from typing import Protocol

from hwmocks.faults.wrapper import Wrapper
from hwmocks.wire import Beat, SpiDevice


class Powered(SpiDevice, Protocol):
    """A device whose supply can be switched."""

    def power(self, on: bool, now: float) -> None:
        """The supply is switched on or off."""
        ...


class PowerCut(Wrapper):
    """The supply fails once: at a virtual time, or `after` so many select periods have ended
    plus `delay` seconds. It stays off until `restore`."""

    def __init__(
        self,
        inner: Powered,
        *,
        at: float | None = None,
        after: int | None = None,
        delay: float = 0.0,
    ) -> None:
        super().__init__(inner)
        self._supply = inner
        self._at = at
        self._after = after
        self._delay = delay
        self.happened = False

    def select(self, now: float) -> None:
        """Chip select falls."""
        self._look(now)
        super().select(now)

    def deselect(self, now: float) -> None:
        """Chip select rises."""
        self._look(now)
        super().deselect(now)
        if self._after is not None:
            self._after -= 1
            if self._after == 0:
                self._at = now + self._delay
                self._look(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways."""
        self._look(beat.start)
        return super().transfer(mosi, beat)

    def restore(self, now: float) -> None:
        """The supply returns; a failure that was due before `now` has happened."""
        self._look(now)
        self._supply.power(True, now)

    def _look(self, now: float) -> None:
        if self._at is not None and not self.happened and now >= self._at:
            self.happened = True
            self._supply.power(False, self._at)


class MovedClip(Wrapper):
    """A clip that is taken off one board and put on another, both powered, while work goes on: call
    `move` whenever it suits the test. A command to the first board that is half sent ends there."""

    def move(self, other: SpiDevice, now: float = 0.0) -> None:
        """The wires lead to `other` from now on."""
        self.inner.deselect(now)
        self.inner = other
