"""Wires that are not connected, or connected to the wrong level."""

from __future__ import annotations

import numpy as np

from hwmocks.faults.wrapper import FLOATING, Wrapper, mostly_ones
from hwmocks.wire import Beat, SpiDevice


class LooseMiso(Wrapper):
    """MISO does not reach the adapter: it reads `level`, or noise when that is None (mostly
    ones, since the adapter pulls up weakly)."""

    def __init__(self, inner: SpiDevice, level: bool | None, *, seed: int = 0) -> None:
        super().__init__(inner)
        self.stuck = level
        self._rng = np.random.default_rng(seed)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """The chip works, but its answer does not arrive."""
        count = len(self.inner.transfer(mosi, beat))
        if self.stuck is None:
            return mostly_ones(self._rng, count)
        return (b"\xff" if self.stuck else b"\x00") * count


class StuckBits(Wrapper):
    """The bits of `mask` in every byte of the answer read `level`: an adapter that loses clock
    edges at a fixed place of each byte."""

    def __init__(self, inner: SpiDevice, mask: int, level: bool) -> None:
        super().__init__(inner)
        self._table = bytes(b | mask if level else b & ~mask & 0xFF for b in range(256))

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways; some bits of the answer are lost."""
        return self.inner.transfer(mosi, beat).translate(self._table)


class LooseMosi(Wrapper):
    """MOSI does not reach the chip, which sees `level` all the time."""

    def __init__(self, inner: SpiDevice, level: bool) -> None:
        super().__init__(inner)
        self.stuck = level

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """The chip receives all zeros or all ones."""
        return self.inner.transfer((b"\xff" if self.stuck else b"\x00") * len(mosi), beat)


class LooseChipSelect(Wrapper):
    """Chip select never reaches the chip: it stays deselected and its output floats."""

    def select(self, now: float) -> None:
        """The chip does not notice."""

    def deselect(self, now: float) -> None:
        """The chip does not notice."""


class DeadClock(Wrapper):
    """SCK never reaches the chip: it is selected but no bit moves."""

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Nothing is clocked; the output floats."""
        return FLOATING * len(mosi)


class NoPower(Wrapper):
    """The chip has no supply and never notices anything; MISO reads `level`."""

    def __init__(self, inner: SpiDevice, level: bool = True) -> None:
        super().__init__(inner)
        self.stuck = level

    def select(self, now: float) -> None:
        """No chip reacts."""

    def deselect(self, now: float) -> None:
        """No chip reacts."""

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """No chip reacts."""
        return (b"\xff" if self.stuck else b"\x00") * len(mosi)


class HeldLow(Wrapper):
    """A side wire ("WP#", "HOLD#", "RESET#") is pulled low whatever the adapter drives."""

    def __init__(self, inner: SpiDevice, pin: str, *, now: float = 0.0) -> None:
        super().__init__(inner)
        self.pin = pin
        inner.level(pin, False, now)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        """Changes of the held wire do not arrive."""
        if pin != self.pin:
            super().level(pin, high, now)
