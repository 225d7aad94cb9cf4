"""SPI transactions <-> MPSSE command bytes. Pure: no USB, no clock, no device.

The rules that live here and nowhere else:

* what each kind of adapter can do, and which clock divisor gives the fastest clock that is not
  above the wanted one (`engine`);
* which command bytes there are, which pins are driven, and how (`commands`);
* which of them an SPI transaction becomes, and how they are cut into bursts that a host can
  write without anybody reading the replies meanwhile, given the adapter's FIFOs (`batching`).
"""

from spiflash.bus.mpsse.batching import REPLY_MARGIN, Burst, answers, bursts
from spiflash.bus.mpsse.commands import (
    BAD_COMMAND,
    BYTES_IN_EDGE,
    BYTES_IN_LATE,
    BYTES_OUT,
    CS,
    IDLE_CLOCKS,
    MOSI,
    OUTPUTS_LOW,
    READ_LOW_PINS,
    RELEASE,
    SCK,
    SEND_NOW,
    TRANSFER_LIMIT,
    Pins,
    bytes_in,
    bytes_out,
    setup,
)
from spiflash.bus.mpsse.engine import ENGINES, Divisor, Engine, divisor

__all__ = [
    "BAD_COMMAND",
    "BYTES_IN_EDGE",
    "BYTES_IN_LATE",
    "BYTES_OUT",
    "CS",
    "ENGINES",
    "IDLE_CLOCKS",
    "MOSI",
    "OUTPUTS_LOW",
    "READ_LOW_PINS",
    "RELEASE",
    "REPLY_MARGIN",
    "SCK",
    "SEND_NOW",
    "TRANSFER_LIMIT",
    "Burst",
    "Divisor",
    "Engine",
    "Pins",
    "answers",
    "bursts",
    "bytes_in",
    "bytes_out",
    "divisor",
    "setup",
]
