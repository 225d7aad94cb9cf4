"""Reading, programming and restoring in the guest, ours and a plain loop: see `throughput.py`.

Runs as root in the guest of `tests/references/kernel_guest.py` only.
"""

from __future__ import annotations

import functools
import json
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import usb.core
from pyftdi.spi import SpiController

from spiflash.archive.shelf import Shelf
from spiflash.jobs import Unwatched
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import Settings, connect
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from spiflash.nor.commands import ReadStyle
from tests.benchmarks.throughput import pages_of, plain_programming, plain_reading

HERTZ = 12e6
READ, WRITTEN = 1 << 20, 64 << 10
URBS = 0


def counted(name: str) -> None:
    call = getattr(usb.core.Device, name)

    @functools.wraps(call)  # pyftdi looks at the parameters
    def count(*given: Any, **more: Any) -> Any:
        global URBS
        URBS += 1
        return call(*given, **more)

    setattr(usb.core.Device, name, count)


def measured(work: Callable[[], object]) -> tuple[float, float, int]:
    """Seconds, processor seconds and URBs of `work`."""
    urbs, spent, start = URBS, time.process_time(), time.monotonic()
    work()
    return time.monotonic() - start, time.process_time() - spent, URBS - urbs


def tell(work: str, ours: object, plain: object) -> None:
    print("RESULT " + json.dumps({"work": work, "ours": ours, "plain": plain}), flush=True)


def main() -> None:
    for name in ("write", "read", "ctrl_transfer"):
        counted(name)
    port = sys.argv[1]
    words = ["usbip", "--tcp-port", port, "attach", "-r", "10.0.2.2", "-b", "1-1"]
    subprocess.run(words, check=True)
    while not list(Path("/dev").glob("ttyUSB*")):
        time.sleep(0.1)
    data = random.Random(5).randbytes(WRITTEN)
    at = (8 << 20) - WRITTEN  # blank on the demo board
    pages = [(at + start, piece) for start, piece in pages_of(data)]
    settings = Settings(adapter="ftdi:///1", ceiling=HERTZ)
    with connect(settings) as connection, tempfile.TemporaryDirectory() as folder:
        bus, flash = connection.bus, connection.flash
        bus.set_clock(HERTZ)
        style = ReadStyle(True, connection.chip.fast_read_dummy)
        reading = measured(lambda: flash.read_all(0, READ, style))
        programming = measured(lambda: flash.program(pages))
        shelf = Shelf(Path(folder))
        back_up(connection, shelf, Unwatched())
        image = Image("blank", b"\xff" * WRITTEN)
        restoring = measured(
            lambda: restore(
                connection, shelf, image, Unwatched(), WriteOptions(at=at), agree=lambda _: True
            )
        )
    controller = SpiController()
    controller.configure("ftdi:///1")
    spi = controller.get_port(0, freq=HERTZ, mode=0)
    tell("read 1 MiB", reading, measured(lambda: plain_reading(spi, READ)))
    tell("program 64 KiB", programming, measured(lambda: plain_programming(spi, data, at)))

    def all_of_it() -> None:
        """What a plain loop does for the same safety: read the chip, erase, read it again."""
        plain_reading(spi, 8 << 20)
        spi.exchange([0x06])
        spi.exchange(b"\xd8" + at.to_bytes(3, "big"))
        while spi.exchange([0x05], 1)[0] & 0x01:
            pass
        plain_reading(spi, 8 << 20)

    tell("restore 64 KiB", restoring, measured(all_of_it))
    controller.close()


main()
