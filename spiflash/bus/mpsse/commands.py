"""The MPSSE commands themselves (FTDI AN_108, section 3; from memory). Pure.

SPI mode 0 throughout: MOSI changes on the falling edge of SCK (0x11), MISO is sampled on the
rising edge (0x20) or half a clock later (0x24).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from spiflash.bus.mpsse.engine import Divisor, Engine
from spiflash.bus.transaction import Sampling

SCK, MOSI, MISO, CS = 0x01, 0x02, 0x04, 0x08
"""Bits of the low pin byte, xDBUS0–3."""

BYTES_OUT = 0x11
BYTES_IN_EDGE = 0x20
BYTES_IN_LATE = 0x24
SET_LOW_PINS = 0x80
READ_LOW_PINS = 0x81
SET_HIGH_PINS = 0x82
LOOPBACK_OFF = 0x85
SEND_NOW = 0x87
DIVIDE_BY_5_OFF = 0x8A
THREE_PHASE_OFF = 0x8D
IDLE_CLOCKS = 0x8F
ADAPTIVE_OFF = 0x97
BAD_COMMAND = 0xFA

TRANSFER_LIMIT = 65536
"""Most bytes one command moves: its 16-bit length field holds n-1."""


@dataclass(frozen=True, slots=True)
class Pins:
    """The levels of the four spare pins D4–D7: bit masks; a pin in neither mask is an input.

    WP# and HOLD# are tied to pins held high, a board's processor is kept in reset by a pin
    held low.
    """

    high: int = 0
    low: int = 0

    def __post_init__(self) -> None:
        if self.high & self.low:
            raise ValueError("a pin cannot be held high and low at once")
        if (self.high | self.low) & ~0xF0:
            raise ValueError("only D4 to D7 are free; D0 to D3 carry the SPI bus")

    @property
    def direction(self) -> int:
        """The outputs, SPI pins included."""
        return SCK | MOSI | CS | self.high | self.low

    def set_bus(self, *, selected: bool) -> bytes:
        """The command that drives chip select low or high, with SCK and MOSI low."""
        return bytes((SET_LOW_PINS, self.high | (0 if selected else CS), self.direction))


OUTPUTS_LOW = bytes((SET_LOW_PINS, 0, SCK | MOSI | CS))
"""SCK, MOSI and chip select driven low, everything else an input."""

RELEASE = bytes((SET_LOW_PINS, 0, 0, SET_HIGH_PINS, 0, 0))
"""Every pin becomes an input."""


def setup(engine: Engine, pins: Pins, clock: Divisor) -> bytes:
    """The commands that bring a freshly reset engine into a known state, deselected."""
    head = bytes((DIVIDE_BY_5_OFF, ADAPTIVE_OFF, THREE_PHASE_OFF)) if engine.high_speed else b""
    return head + bytes((LOOPBACK_OFF,)) + clock.command + pins.set_bus(selected=False)


def bytes_out(data: bytes) -> Iterator[bytes]:
    """Commands that send `data`, changing MOSI on the falling edge."""
    for start in range(0, len(data), TRANSFER_LIMIT):
        piece = data[start : start + TRANSFER_LIMIT]
        yield bytes((BYTES_OUT,)) + (len(piece) - 1).to_bytes(2, "little") + piece


def bytes_in(count: int, sampling: Sampling) -> bytes:
    """The command that clocks 1–65536 bytes in."""
    if not 1 <= count <= TRANSFER_LIMIT:
        raise ValueError(f"one command cannot read {count} bytes")
    opcode = BYTES_IN_LATE if sampling is Sampling.LATE else BYTES_IN_EDGE
    return bytes((opcode,)) + (count - 1).to_bytes(2, "little")


def idle(seconds: float, hertz: float) -> Iterator[tuple[bytes, int]]:
    """(command, bits clocked): let at least `seconds` pass with idle clocks."""
    groups = math.ceil(seconds * hertz / 8)
    while groups > 0:
        now = min(groups, TRANSFER_LIMIT)
        yield bytes((IDLE_CLOCKS,)) + (now - 1).to_bytes(2, "little"), now * 8
        groups -= now


def idle_bytes(seconds: float, hertz: float) -> Iterator[bytes]:
    """The same for engines without idle clocks: zeros that nobody is selected to hear."""
    yield from bytes_out(bytes(math.ceil(seconds * hertz / 8)))
