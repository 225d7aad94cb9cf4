"""The clip at the end of the leads, and moving it while the adapter is running.

A chip that the clip is taken off loses its supply; one that it is put on is powered up, and
like every chip then takes no writes for some milliseconds. A command that was being clocked
when the clip moved is lost.
"""

from __future__ import annotations

from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat

FLOATING = b"\xff"


class Clip:
    """A `SpiDevice` that leads to one chip at a time, or to none. Times are virtual seconds."""

    def __init__(self, chip: NorChip | None = None) -> None:
        self.chip = chip
        self._levels: dict[str, bool | None] = {}
        self._next: tuple[float, NorChip] | None = None

    # -- the hand --------------------------------------------------------------------------

    def put_on(self, chip: NorChip, now: float) -> None:
        """Move the clip to `chip`. If that is the same chip, it keeps its supply."""
        if chip is not self.chip:
            self.take_off(now)
        self.chip, self._next = chip, None
        chip.power(True, now)
        for pin, high in self._levels.items():
            chip.level(pin, high, now)

    def swap(self, chip: NorChip, now: float, away: float) -> None:
        """Lift the clip, and put it on `chip` after `away` seconds: a hand takes at least half
        a second for that. Meanwhile the lines float."""
        self.take_off(now)
        self._next = now + away, chip

    def take_off(self, now: float) -> None:
        """Take the clip off: the board loses its supply, and its operation is interrupted."""
        self._next = None
        if self.chip is not None:
            self.chip.power(False, now)
        self.chip = None

    def brown_out(self, now: float, seconds: float = 1e-3) -> None:
        """The supply dips for so long that the chip restarts: what was under way is broken
        off, registers, latches and address mode are as after power-up."""
        if self.chip is not None:
            self.chip.power(False, now)
            self.chip.power(True, now + seconds)

    # -- the wires -------------------------------------------------------------------------

    def select(self, now: float) -> None:
        """Chip select falls."""
        if self._next is not None and now >= self._next[0]:
            self.put_on(self._next[1], self._next[0])
        if self.chip is not None:
            self.chip.select(now)

    def deselect(self, now: float) -> None:
        """Chip select rises."""
        if self.chip is not None:
            self.chip.deselect(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways; an open line is pulled up."""
        return FLOATING * len(mosi) if self.chip is None else self.chip.transfer(mosi, beat)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        """A side wire changes."""
        self._levels[pin] = high
        if self.chip is not None:
            self.chip.level(pin, high, now)
