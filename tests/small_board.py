"""A board with a small chip, for the tests of writing: many commands in little time.

Contents are noise, so that no sector is like another; `image_for` changes one region of them.
"""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import pytest

from hwmocks.bench import Bench, make_bench
from hwmocks.clip import Clip
from hwmocks.ftdi import UsbFaults
from hwmocks.nor import ChipDescription, describe
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import SpiflashError
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import Connection, connected
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from tests.job_rig import WATCHER, small

KIB = 1024
SIZE = 512 * KIB
SECTOR = 4096
FREELY = WriteOptions(without_backup=True)
CLOCK = 30e6
SHARED = bytes.fromhex("D2640C0A11223344")
"""A unique ID that copies of a chip have in common."""


def yes(work: object) -> bool:
    return True


@dataclass
class Said:
    """Remembers what was said, and the titles of the bars."""

    lines: list[str] = field(default_factory=list)
    bars: list[str] = field(default_factory=list)

    @contextmanager
    def step(
        self, title: str, total: int, counting: str = "bytes"
    ) -> Iterator[Callable[[int], None]]:
        self.bars.append(title)
        yield lambda count: None

    def say(self, text: str) -> None:
        self.lines.append(text)


@dataclass
class Board:
    """A board with a small chip; `nameless` where its chip has no unique ID."""

    contents: bytes
    seed: int = 1
    nameless: bool = False
    unique: bytes | None = None
    clip: Callable[[SpiDevice], SpiDevice] | None = None
    chip: NorChip = field(init=False)
    wires: Clip = field(init=False)
    bench: Bench = field(init=False)

    def __post_init__(self) -> None:
        self.chip = NorChip(
            small("W25Q64JV", SIZE)[0], self.contents, seed=self.seed, unique_id=self.unique
        )

    @property
    def holds(self) -> bytes:
        return bytes(self.chip.contents)

    @contextmanager
    def session(self, faults: UsbFaults | None = None) -> Iterator[Connection]:
        self.wires = Clip(self.chip)
        wires = self.wires if self.clip is None else self.clip(self.wires)
        self.bench = make_bench(self.chip, faults=faults, clip=lambda _: wires)
        self.chip.power(True, 0.0)
        self.bench.clock.advance(0.1)
        bus = open_bench_bus(self.bench, "test")
        known = small("W25Q64JV", SIZE)[1]
        try:
            known = replace(known, unique_id=None) if self.nameless else known
            with connected(bus, known, CLOCK) as connection:
                yield connection
        finally:
            bus.close()
            self.chip.power(False, 1e9)

    def save(self, shelf: Shelf) -> None:
        with self.session() as connection:
            back_up(connection, shelf, WATCHER)

    def write(
        self,
        shelf: Shelf,
        image: Image | None,
        *,
        faults: UsbFaults | None = None,
        agree: Callable[[object], bool] = yes,
        **named: object,
    ) -> Said:
        """Restore `image`, or finish interrupted work (None); `named` are write options."""
        said = Said()
        with self.session(faults) as connection:
            restore(connection, shelf, image, said, WriteOptions(**named), agree=agree)  # type: ignore[arg-type]
        return said

    def cut(self, shelf: Shelf, image: Image, pages: int = 120, **named: object) -> None:
        """Begin to write, and pull the plug when `pages` are programmed."""
        goal = self.chip.pages_programmed + pages

        def unplug(number: int) -> None:
            if self.chip.pages_programmed > goal:
                self.bench.device.unplug()

        with pytest.raises(SpiflashError):
            self.write(shelf, image, faults=UsbFaults(on_transfer=unplug), **named)
        assert open_journals(shelf.journals).whole


def small_part(**different: object) -> ChipDescription:
    """A small chip without a unique ID that the chip table has: MX25L2005A (data sheet, from
    memory), as far as it is not `different`."""
    return replace(
        describe("MX25L6406E"),
        id=bytes.fromhex("C22012"),
        size=256 * KIB,
        sfdp=b"",
        rems=b"",
        **different,  # type: ignore[arg-type]
    )


def noise(seed: int, size: int = SIZE) -> bytes:
    return random.Random(seed).randbytes(size)


def sister(contents: bytes) -> bytes:
    """The same firmware on another board: one sector of settings differs."""
    return contents[:0x70000] + noise(99, SECTOR) + contents[0x71000:]


def image_for(contents: bytes, low: int = 0x20000, high: int = 0x30000) -> Image:
    """An image of the whole chip, in which one region differs."""
    return Image("new", contents[:low] + noise(7, high - low) + contents[high:])


def environment(address: str, setting: str = "bootdelay=2") -> bytes:
    text = f"baudrate=115200\0bootcmd=run nor\0{setting}\0ethaddr={address}\0\0".encode()
    body = text.ljust(SECTOR - 4, b"\xff")
    return zlib.crc32(body).to_bytes(4, "little") + body
