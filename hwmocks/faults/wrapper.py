"""The base of all faults: one `SpiDevice` around another."""

from __future__ import annotations

import numpy as np

from hwmocks.wire import Beat, SpiDevice

FLOATING = b"\xff"


class Wrapper:
    """Passes everything on; the base of all faults."""

    def __init__(self, inner: SpiDevice) -> None:
        self.inner = inner

    def select(self, now: float) -> None:
        """Chip select falls."""
        self.inner.select(now)

    def deselect(self, now: float) -> None:
        """Chip select rises."""
        self.inner.deselect(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways."""
        return self.inner.transfer(mosi, beat)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        """A side wire changes."""
        self.inner.level(pin, high, now)


def mostly_ones(rng: np.random.Generator, count: int) -> bytes:
    """A line that floats near a weak pull-up: seven bits of eight are ones."""
    noise = rng.integers(0, 256, size=(3, count), dtype=np.uint8)
    return bytes((noise[0] | noise[1] | noise[2]).tobytes())
