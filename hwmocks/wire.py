"""The wires between the simulated adapter and the simulated chip.

The adapter (`hwmocks.ftdi`) drives whatever implements `SpiDevice`; the chip (`hwmocks.nor`)
implements it; faults sit between the two as further `SpiDevice`s that wrap another one. None
of them knows what is on the other side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Beat:
    """How the bits of one transfer are clocked.

    `start` is the virtual time in seconds of the first clock edge, `hertz` the SPI clock,
    `late` says that the master samples half a clock period after the rising edge.
    """

    start: float
    hertz: float
    late: bool = False


class SpiDevice(Protocol):
    """A device on a SPI bus in mode 0. All times are virtual seconds."""

    def select(self, now: float) -> None:
        """Chip select falls."""
        ...

    def deselect(self, now: float) -> None:
        """Chip select rises."""
        ...

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock len(mosi) bytes both ways, MSB first; what the master samples on MISO.

        Called with chip select high too (idle clocks): a deselected device leaves MISO
        floating, which reads as all ones through the adapter's pull-up.
        """
        ...

    def level(self, pin: str, high: bool | None, now: float) -> None:
        """A side wire changes: `pin` is "WP#", "HOLD#" or "RESET#"; None means undriven."""
        ...
