"""How fast reading, programming and restoring are, beside what physics allows and a plain loop.

    python tests/benchmarks/throughput.py            everything, about ten minutes
    python tests/benchmarks/throughput.py --quick    one adapter and clock, no plain restore
    python tests/benchmarks/throughput.py --kernel   through a real kernel and libusb, some minutes

Times are those of the simulated bench: SPI bits at the actual clock, USB microframes, a fixed
cost for each host call, and the busy times that the chip draws.

* `limit`: the bits that must move at the actual clock, plus the busy times the simulated chip
  really drew. Bits that must move: for a read the contents; for a page write enable, opcode,
  address and data; for a restore one reading before (the plan and the journal need it), the
  erases and pages, and one reading back of all (full) or nothing more (damaged).
* `ours`: NorFlash, or the whole of `work.restore` on a connected chip with a backup on the shelf.
* `plain`: a loop over pyftdi's own SPI port: one exchange a command, the status polled until
  ready; a restore erases the chip, programs every page and reads it back.

Processor time is what the host spends outside the simulated device and chip.

With --kernel both run in a guest (`tests/references/kernel_guest.py` says what it needs), where
only the ratio of the two means something: the guest's processor is emulated.
"""

# ruff: noqa: E402 - run as a script, it has to find the packages beside it first.
from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from pyftdi.spi import SpiController, SpiPort

from hwmocks.bench import Bench, make_bench
from hwmocks.boards.heron import heron_factory
from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.jobs import Unwatched
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import Connection, connected, identify_chip
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from spiflash.nor.chip import Chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import chip_table

NAME = "W25Q64JV"
SIZE = 8 << 20
SECTOR, PAGE = 4096, 256
MIB = 1 << 20
PROGRAMMED = 1 * MIB
"""Bytes of the program benchmark."""
DAMAGED = 0.02
SEED = 5
CHUNK = 32768
"""Bytes of one read of the plain loop; pyftdi's port takes 65280 at most."""
HEAD = 4
"""Opcode and address."""


@dataclass(frozen=True)
class Result:
    """Seconds on the simulated bench, and seconds of processor time in the host."""

    seconds: float
    host: float


class Meter:
    """Time on the bench, and processor time outside the simulation."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._inside = 0.0
        backend: Any = bench.usb_device().backend
        for name in ("bulk_write", "bulk_read", "ctrl_transfer"):
            setattr(backend, name, self._timed(getattr(backend, name)))

    def _timed(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*given: Any) -> Any:
            start = time.process_time()
            try:
                return call(*given)
            finally:
                self._inside += time.process_time() - start

        return timed

    def of(self, work: Callable[[], object]) -> Result:
        """Measure `work`."""
        start, inside, began = time.process_time(), self._inside, self.bench.clock.now()
        work()
        spent = time.process_time() - start - (self._inside - inside)
        return Result(self.bench.clock.now() - began, spent)


def drawn(chip: NorChip) -> float:
    """The busy times of erases and pages so far."""
    return sum(
        seconds
        for kind, seconds in chip.busy_drawn.items()
        if kind == "program" or kind.startswith("erase")
    )


@dataclass
class Work:
    """Bits that must move for what a chip has done since a certain moment."""

    chip: NorChip
    hertz: float

    def __post_init__(self) -> None:
        self._drawn = drawn(self.chip)
        self._pages = self.chip.pages_programmed
        self._erases = len(self.chip.erased)

    def needed(self) -> float:
        """Seconds of busy time drawn since, and of the bytes that made it so (all pages full)."""
        pages = self.chip.pages_programmed - self._pages
        erases = len(self.chip.erased) - self._erases
        moved = pages * (1 + HEAD + PAGE) + erases * (1 + HEAD)
        return drawn(self.chip) - self._drawn + 8 * moved / self.hertz


# -- ours ------------------------------------------------------------------------------------------


@contextmanager
def our_flash(chip: NorChip, adapter: str, hertz: float) -> Iterator[tuple[NorFlash, Chip, Meter]]:
    bench = make_bench(chip, adapter=adapter)
    chip.power(True, 0.0)
    meter = Meter(bench)
    bus = open_bench_bus(bench, "benchmark")
    try:
        found = identify_chip(bus, chip_table(), NAME)
        with NorFlash(bus, found) as flash:
            bus.set_clock(hertz)
            yield flash, found, meter
    finally:
        bus.close()


@contextmanager
def our_connection(chip: NorChip, adapter: str, hertz: float) -> Iterator[tuple[Connection, Meter]]:
    bench = make_bench(chip, adapter=adapter)
    chip.power(True, 0.0)
    bench.clock.advance(0.1)
    meter = Meter(bench)
    bus = open_bench_bus(bench, "benchmark")
    try:
        with connected(bus, identify_chip(bus, chip_table(), NAME), hertz) as connection:
            yield connection, meter
    finally:
        bus.close()


def pages_of(data: bytes) -> list[tuple[int, bytes]]:
    return [(at, data[at : at + PAGE]) for at in range(0, len(data), PAGE)]


def our_read(adapter: str, hertz: float) -> tuple[Result, float]:
    chip = NorChip(NAME, heron_factory(), seed=SEED)
    with our_flash(chip, adapter, hertz) as (flash, found, meter):
        actual = flash.bus.hertz
        style = ReadStyle(True, found.fast_read_dummy)
        read: list[bytes] = []
        result = meter.of(lambda: read.append(flash.read_all(0, SIZE, style)))
        assert read[0] == chip.contents
    return result, 8 * (SIZE + HEAD + 1) / actual


def our_program(adapter: str, hertz: float) -> tuple[Result, float]:
    chip = NorChip(NAME, seed=SEED)
    data = random.Random(SEED).randbytes(PROGRAMMED)
    with our_flash(chip, adapter, hertz) as (flash, _, meter):
        work = Work(chip, flash.bus.hertz)
        result = meter.of(lambda: flash.program(pages_of(data)))
        limit = work.needed()
    assert chip.contents[:PROGRAMMED] == data
    return result, limit


def our_restore(
    adapter: str, hertz: float, shelf: Shelf, old: bytes, new: bytes, *, full: bool
) -> tuple[Result, float]:
    chip = NorChip(NAME, old, seed=SEED)
    with our_connection(chip, adapter, hertz) as (connection, meter):
        connection.bus.set_clock(hertz)
        actual = connection.bus.hertz
        work = Work(chip, actual)
        image = Image("benchmark", new)
        result = meter.of(
            lambda: restore(
                connection,
                shelf,
                image,
                Unwatched(),
                WriteOptions(in_advance=True),
                agree=lambda _: True,
            )
        )
        reading = 8 * SIZE / actual
        limit = work.needed() + reading * (2 if full else 1)
    assert chip.contents == new
    return result, limit


def saved(folder: Path) -> Shelf:
    """A shelf with a verified backup of the chip that the benchmarks use."""
    shelf = Shelf(folder)
    chip = NorChip(NAME, heron_factory(), seed=SEED)
    with our_connection(chip, "ft232h", 15e6) as (connection, _):
        back_up(connection, shelf, Unwatched())
    return shelf


# -- plain -----------------------------------------------------------------------------------------


@contextmanager
def plain_port(chip: NorChip, adapter: str, hertz: float) -> Iterator[tuple[SpiPort, Meter]]:
    bench = make_bench(chip, adapter=adapter)
    chip.power(True, 0.0)
    bench.clock.advance(0.1)
    meter = Meter(bench)
    controller = SpiController()
    controller.configure(bench.usb_device(), interface=bench.interface)
    try:
        yield controller.get_port(0, freq=hertz, mode=0), meter
    finally:
        controller.close()


def _ready(port: SpiPort) -> None:
    while port.exchange([0x05], 1)[0] & 0x01:
        pass


def plain_reading(port: SpiPort, size: int) -> bytes:
    return b"".join(
        bytes(port.exchange(b"\x03" + at.to_bytes(3, "big"), min(CHUNK, size - at)))
        for at in range(0, size, CHUNK)
    )


def plain_programming(port: SpiPort, data: bytes, start: int = 0) -> None:
    for at in range(0, len(data), PAGE):
        port.exchange([0x06])
        port.exchange(b"\x02" + (start + at).to_bytes(3, "big") + data[at : at + PAGE])
        _ready(port)


def plain_read(adapter: str, hertz: float) -> Result:
    chip = NorChip(NAME, heron_factory(), seed=SEED)
    with plain_port(chip, adapter, hertz) as (port, meter):
        read: list[bytes] = []
        result = meter.of(lambda: read.append(plain_reading(port, SIZE)))
        assert read[0] == chip.contents
    return result


def plain_program(adapter: str, hertz: float) -> Result:
    chip = NorChip(NAME, seed=SEED)
    data = random.Random(SEED).randbytes(PROGRAMMED)
    with plain_port(chip, adapter, hertz) as (port, meter):
        result = meter.of(lambda: plain_programming(port, data))
    assert chip.contents[:PROGRAMMED] == data
    return result


def plain_restore(adapter: str, hertz: float, old: bytes, new: bytes) -> Result:
    chip = NorChip(NAME, old, seed=SEED)
    with plain_port(chip, adapter, hertz) as (port, meter):

        def work() -> None:
            port.exchange([0x06])
            port.exchange([0xC7])
            _ready(port)
            plain_programming(port, new)
            assert plain_reading(port, SIZE) == new

        return meter.of(work)


# -- the table -------------------------------------------------------------------------------------


def damaged(contents: bytes, share: float = DAMAGED) -> bytes:
    """The contents with some sectors, scattered, holding something else."""
    rng = random.Random(SEED)
    found = bytearray(contents)
    for sector in rng.sample(range(SIZE // SECTOR), round(share * SIZE / SECTOR)):
        found[sector * SECTOR : (sector + 1) * SECTOR] = rng.randbytes(SECTOR)
    return bytes(found)


COLUMNS = (
    f"{'':<9}{'MHz':>5}  {'work':<9}{'limit s':>9}{'ours s':>9}{'plain s':>9}"
    f"{'limit/ours':>12}{'plain/ours':>12}  target"
)


def row(
    adapter: str,
    hertz: float,
    what: str,
    limit: float,
    ours: Result,
    plain: Result | None,
    target: str,
    met: bool,
) -> bool:
    print(
        f"{adapter:<9}{hertz / 1e6:>5.3g}  {what:<9}{limit:>9.2f}{ours.seconds:>9.2f}"
        + (f"{plain.seconds:>9.2f}" if plain else f"{'-':>9}")
        + f"{limit / ours.seconds:>12.3f}"
        + (f"{plain.seconds / ours.seconds:>12.1f}" if plain else f"{'-':>12}")
        + f"  {target}{'' if met else '  MISSED'}",
        flush=True,
    )
    return met


def in_the_guest() -> int:
    """Run `kernel_throughput` in the guest and print what it measured."""
    from tests.references import kernel_guest

    missing = kernel_guest.missing()
    if missing:
        print(f"missing: {', '.join(missing)}", file=sys.stderr)
        return 2
    program = Path(__file__).with_name("kernel_throughput.py")
    results, console = kernel_guest.run("heron", program)
    if len(results) < 3:
        print(console[-2000:], file=sys.stderr)
        return 1
    print(f"{'work':<22}{'':8}{'seconds':>9}{'processor s':>13}{'URBs':>8}")
    for each in results:
        for who in ("ours", "plain"):
            took, spent, urbs = each[who]
            print(f"{each['work']:<22}{who:8}{took:>9.2f}{spent:>13.2f}{urbs:>8}")
        ratios = [b / a for a, b in zip(each["ours"], each["plain"], strict=True)]
        shown = [f"{ratio:.2f}" for ratio in ratios]
        print(f"{'':22}{'ratio':8}{shown[0]:>9}{shown[1]:>13}{shown[2]:>8}")
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description="limits, ours, and a plain loop")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--kernel", action="store_true")
    given = parser.parse_args()
    if given.kernel:
        return in_the_guest()
    quick = given.quick
    adapters = ("ft232h",) if quick else ("ft232h", "ft2232h")
    clocks = (30e6,) if quick else (6e6, 12e6, 30e6)
    factory = heron_factory()
    other = random.Random(SEED).randbytes(SIZE)
    met = True
    hosts: list[str] = []
    print(f"{NAME}, {SIZE >> 20} MiB, simulated time; the clock is the fastest not above")
    print(COLUMNS)
    with tempfile.TemporaryDirectory(prefix="throughput-") as folder:
        shelf = saved(Path(folder))
        for adapter in adapters:
            for hertz in clocks:
                top = hertz == 30e6
                ours, limit = our_read(adapter, hertz)
                plain = plain_read(adapter, hertz)
                met &= row(
                    adapter,
                    hertz,
                    "read",
                    limit,
                    ours,
                    plain,
                    "≥ 0.98",
                    limit / ours.seconds >= 0.98,
                )
                reads = (ours, plain)
                ours, limit = our_program(adapter, hertz)
                plain = plain_program(adapter, hertz)
                met &= row(
                    adapter,
                    hertz,
                    "program",
                    limit,
                    ours,
                    plain,
                    "≥ 0.90",
                    limit / ours.seconds >= 0.90,
                )
                per_mib = SIZE / MIB
                hosts.append(
                    f"{adapter:<9}{hertz / 1e6:>5.3g}"
                    f"{1e3 * reads[0].host / per_mib:>12.0f}{1e3 * reads[1].host / per_mib:>12.0f}"
                    f"{1e3 * ours.host / (PROGRAMMED / MIB):>14.0f}"
                    f"{1e3 * plain.host / (PROGRAMMED / MIB):>14.0f}"
                )
                ours, limit = our_restore(adapter, hertz, shelf, factory, other, full=True)
                plain_full = None if quick else plain_restore(adapter, hertz, factory, other)
                met &= row(
                    adapter,
                    hertz,
                    "full",
                    limit,
                    ours,
                    plain_full,
                    "≥ 0.93" if top else "",
                    not top or limit / ours.seconds >= 0.93,
                )
                bad = damaged(factory)
                ours, limit = our_restore(adapter, hertz, shelf, bad, factory, full=False)
                met &= row(
                    adapter,
                    hertz,
                    "2 % bad",
                    limit,
                    ours,
                    plain_full,
                    "≥ 0.91 (1/1.10)",
                    limit / ours.seconds >= 1 / 1.10,
                )
    print("\nprocessor time of the host, ms per MiB, without the simulation")
    print(f"{'':<9}{'MHz':>5}{'read':>12}{'plain':>12}{'program':>14}{'plain':>14}")
    print("\n".join(hosts))
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
