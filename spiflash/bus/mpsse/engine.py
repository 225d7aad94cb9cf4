"""What each kind of adapter can do: channels, FIFOs, clocks. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

SET_DIVISOR = 0x86


@dataclass(frozen=True, slots=True)
class Engine:
    """What one kind of adapter can do.

    `base_hz` is the clock that the divisor divides (after halving), `tx_fifo` and `rx_fifo`
    the bytes that fit into the adapter on the way to the engine and back, `idle_clocks`
    whether it can clock without moving data (0x8F, H types only). Figures: FT232H, FT2232H,
    FT4232H and FT2232D data sheets (from memory); the FT4232HA as pyftdi has it.
    """

    name: str
    base_hz: float
    tx_fifo: int
    rx_fifo: int
    high_speed: bool
    channels: str

    @property
    def top_hz(self) -> float:
        """The fastest SPI clock."""
        return self.base_hz / 2

    @property
    def slowest_hz(self) -> float:
        """The slowest SPI clock."""
        return self.base_hz / 2 / 65536

    @property
    def idle_clocks(self) -> bool:
        """Whether 0x8F exists."""
        return self.high_speed


ENGINES: dict[int, Engine] = {
    0x0500: Engine("FT2232C/D", 12e6, 128, 384, False, "A"),
    0x0700: Engine("FT2232H", 60e6, 4096, 4096, True, "AB"),
    0x0800: Engine("FT4232H", 60e6, 2048, 2048, True, "AB"),
    0x0900: Engine("FT232H", 60e6, 1024, 1024, True, "A"),
    0x3600: Engine("FT4232HA", 60e6, 2048, 2048, True, "AB"),
}
"""By the bcdDevice number of the USB device descriptor."""


@dataclass(frozen=True, slots=True)
class Divisor:
    """A setting of the clock divider and the SPI clock in hertz that it gives."""

    value: int
    hertz: float

    @property
    def command(self) -> bytes:
        """The bytes that set it."""
        return bytes((SET_DIVISOR, self.value & 0xFF, self.value >> 8))


def divisor(engine: Engine, hertz: float) -> Divisor:
    """The fastest setting not above `hertz`; the slowest one where `hertz` is below it.

    SCK = base / (2 × (1 + value)), AN_108 section 3.8.2. Raises ValueError for a clock that
    is not positive.
    """
    if not hertz > 0:
        raise ValueError(f"an SPI clock of {hertz} Hz does not exist")
    half = engine.base_hz / 2
    # A hair of tolerance, so that 30e6 / 7 asked for as a float still gives divisor 6.
    value = max(0, min(0xFFFF, math.ceil(half / hertz * (1 - 1e-12)) - 1))
    return Divisor(value, half / (value + 1))
