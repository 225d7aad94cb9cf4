"""Faults of the USB side, each at a place that the test chooses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

#: A read command of this many bytes is the longest there is.
LONGEST_READ = 65536


@dataclass(slots=True)
class LongReadFlaw:
    """One byte is wrong at the same place of every 64 KiB read, chip attached or not.

    People report this of some FT232H. `from_end` counts bytes back from the end of the read
    (1 is the last byte); `flip` is XORed onto the byte.
    """

    from_end: int = 9
    flip: int = 0x01

    def apply(self, data: bytes, position: int, total: int) -> bytes:
        """`data` as the host gets it; it starts at `position` of a read of `total` bytes."""
        place = total - self.from_end - position
        if total != LONGEST_READ or not 0 <= place < len(data):
            return data
        return data[:place] + bytes((data[place] ^ self.flip,)) + data[place + 1 :]


@dataclass(slots=True)
class UsbFaults:
    """What goes wrong on the USB cable. Bulk transfers of a device are counted from 1.

    `unplug_at`: the device is gone when this transfer begins. `write_timeouts`: these
    transfers, when they are writes, take nothing and time out. `on_transfer` is called with
    its number before a transfer moves anything (power loss, a hand on the clip).
    `stubborn_engine`: only serial port mode restarts the engine.

    The last three make an adapter that is none of FTDI's: `deaf_to` are invalid opcodes that it
    passes over without an answer, `loses_last_byte` of every read of several bytes, and
    `latency_factor` multiplies the latency time that it was told.
    """

    unplug_at: int | None = None
    write_timeouts: frozenset[int] = frozenset()
    on_transfer: Callable[[int], None] | None = None
    long_read: LongReadFlaw | None = field(default=None)
    stubborn_engine: bool = False
    deaf_to: frozenset[int] = frozenset()
    loses_last_byte: bool = False
    latency_factor: float = 1.0
