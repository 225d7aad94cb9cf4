"""A bench for cloning: simulated demo boards with faults, adapters that share them, one after the
other or several at a time."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from hwmocks import store
from hwmocks.bench import Bench, make_bench
from hwmocks.boards.heron import heron_open, heron_variant
from hwmocks.faults import LooseMiso
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice
from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bench_bus
from spiflash.dump.uboot_env import read_environment
from spiflash.errors import BusError
from spiflash.jobs.clone import Job
from spiflash.jobs.clone.context import Context
from spiflash.jobs.clone.job_file import load_job
from spiflash.jobs.clone.runner import Cloned, Runner
from spiflash.nor.identify import chip_table

CHIPS = ("W25Q64JV", "GD25Q64C", "MX25L6406E")
"""One with an 8-byte unique ID, one with 16 bytes, one without."""

FAULTS = ("bad clip", "worn sector", "wrong chip", "unplugged")

ENV, FACTORY, SERIAL_AT = (0x040000, 0x050000), (0x050000, 0x060000), 0x7FF000
WORN = 0x200000
"""A sector inside what the open firmware's root file system rewrites."""

JOB = """clone = 1
name = "heron-open"
image = "open.bin"
chips = ["W25Q64JV", "GD25Q64C", "MX25L6406E"]
boards = {boards}
label = "Heron {{serial}}  {{ethaddr}}"

[[keep]]
name = "factory"
start = 0x050000
length = "64K"

[[environment]]
name = "env"
start = 0x040000
length = "64K"

[[value]]
name = "ethaddr"
kind = "mac"
first = "00:00:5e:00:53:80"
last = "00:00:5e:00:53:ff"
variable = "ethaddr"

[[value]]
name = "serial"
pattern = "HG-2026-####"
first = 1
last = 256
variable = "serial#"
at = 0x7FF000
length = 16
sum = "CRC-32/ISO-HDLC"
sum_at = 0x7FF010
"""


def write_job(folder: Path, boards: int = 1) -> Path:
    """The job file and its image."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "open.bin").write_bytes(heron_open())
    path = folder / "job.toml"
    path.write_text(JOB.format(boards=boards))
    return path


@dataclass(frozen=True)
class Board:
    """One board of the batch; `fault` is empty for a good one."""

    number: int
    chip: str
    fault: str = ""

    def new(self) -> NorChip:
        """Its chip as the factory left it."""
        chip = NorChip(self.chip, heron_variant(self.number), seed=1000 + self.number)
        if self.fault == "worn sector":
            # So many that some are sure to fall where the image needs a zero.
            chip.wear_out(WORN // 4096, 64, failing="program")
        return chip

    def bench(
        self,
        chip: NorChip,
        *,
        folder: Path | None = None,
        on_transfer: Callable[[int], None] | None = None,
    ) -> Bench:
        """The board on an adapter, with what is wrong with it."""
        faults = UsbFaults()
        clip: Callable[[SpiDevice], SpiDevice] | None = None
        if self.fault == "bad clip":
            clip = lambda wired: LooseMiso(wired, None, seed=self.number)  # noqa: E731
        written = chip.pages_programmed

        def moment(number: int) -> None:
            if on_transfer is not None:
                on_transfer(number)
            if self.fault == "unplugged" and chip.pages_programmed - written > 900:
                faults.unplug_at = number

        faults.on_transfer = moment
        bench = make_bench(chip, faults=faults, clip=clip, folder=folder)
        chip.power(True, 0.0)
        # tPUW: a chip ignores writes for some milliseconds after power-up.
        bench.clock.advance(0.1)
        return bench


def batch(count: int, faulty: int, faults: Sequence[str] = FAULTS) -> list[Board]:
    """`count` boards of the three chip types, of which `faulty` have a fault, evenly spread."""
    places = {int((i + 0.5) * count / faulty): faults[i % len(faults)] for i in range(faulty)}
    boards = []
    for number in range(count):
        fault = places.get(number, "")
        chip = "XM25QH64C" if fault == "wrong chip" else CHIPS[number % len(CHIPS)]
        boards.append(Board(number, chip, fault))
    return boards


@dataclass
class Table:
    """The boards that wait, handed out in the order of simulated time: the adapter whose clock
    is behind all others gets the next one, as on a real bench the adapter that is free first."""

    waiting: list[Board]
    open: Callable[[Board], Bench]
    _stations: list[SharedStation] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def stations(self, count: int) -> list[SharedStation]:
        """So many adapters at this table."""
        self._stations = [SharedStation(f"adapter {i + 1}", self) for i in range(count)]
        return self._stations

    def next_for(self, station: SharedStation, stopping: Callable[[], bool]) -> Board | None:
        """Wait for this station's turn."""
        while not stopping():
            with self._lock:
                others = [each.now() for each in self._stations if each.active]
                if station.now() <= min(others):
                    return self.waiting.pop(0) if self.waiting else None
            time.sleep(0.002)
        return None


class SharedStation:
    """One adapter. `spent` is its simulated time over all boards that it has finished."""

    def __init__(self, name: str, table: Table) -> None:
        self.name = name
        self.table = table
        self.spent = 0.0
        self.active = True
        self.boards = 0
        self.bench: Bench | None = None
        self._bus: FtdiBus | None = None

    def now(self) -> float:
        """Simulated seconds since the batch began."""
        bench = self.bench
        return self.spent + (bench.clock.now() if bench is not None else 0.0)

    def next_board(
        self, stopping: Callable[[], bool], tell: Callable[[str], None]
    ) -> FtdiBus | None:
        """See `Station`."""
        board = self.table.next_for(self, stopping)
        if board is None:
            self.active = False
            return None
        self.boards += 1
        self.bench = self.table.open(board)
        self._bus = open_bench_bus(self.bench, f"board {board.number}")
        return self._bus

    def taken_away(self, stopping: Callable[[], bool]) -> None:
        """See `Station`."""
        self.close()

    def close(self) -> None:
        """See `Station`."""
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.close()
            except BusError:
                assert self.bench is not None
                self.bench.put_away()
        if self.bench is not None:
            spent = self.now()
            self.bench = None
            self.spent = spent


class Quiet:
    """A screen that nobody looks at; `ended` is called with each row."""

    def __init__(self, ended: Callable[[BoardRecord], None] = lambda record: None) -> None:
        self.ended = ended

    def status(self, station: str, text: str) -> None:
        """Nothing."""

    def result(self, station: str, record: BoardRecord) -> None:
        """A board has ended."""
        self.ended(record)

    def skipped(self, station: str, record: BoardRecord) -> None:
        """A board was finished before."""

    def progress(self, station: str, text: str) -> None:
        """Nothing."""

    def closed(self, station: str, text: str) -> None:
        """A station has ended."""

    def say(self, text: str) -> None:
        """Nothing."""


def context_in(folder: Path, ledger: Ledger) -> Context:
    """The context of a batch in `folder`; finished boards are left alone."""
    job, shelf = load_job(folder / "job.toml"), Shelf(folder / "shelf")
    return _context(job, ledger, shelf, lambda station, record: False)


def _context(
    job: Job, ledger: Ledger, shelf: Shelf, again: Callable[[str, BoardRecord], bool]
) -> Context:
    return Context(job, ledger, shelf, chip_table(), "b", lambda chip: (), None, again)


def kept_board(board: Board, folder: Path) -> None:
    """Put a new board into a folder, so that it outlives the process."""
    folder.mkdir(parents=True)
    store.save(board.new(), folder)


class Rig:
    """A folder with a job, a shelf and a ledger; chips stay as boards do."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.job: Job = load_job(write_job(folder))
        self.ledger = Ledger(folder / "ledger.sqlite")
        self.chips: dict[int, NorChip] = {}
        self.asked: list[BoardRecord] = []

    def open(self, board: Board) -> Bench:
        if board.number not in self.chips:
            self.chips[board.number] = board.new()
        return board.bench(self.chips[board.number])

    def run(
        self,
        *boards: Board,
        redo: bool = False,
        job: Job | None = None,
        tell: Callable[[str], None] = lambda text: None,
    ) -> Cloned:
        def again(station: str, record: BoardRecord) -> bool:
            self.asked.append(record)
            return redo

        context = _context(job or self.job, self.ledger, Shelf(self.folder / "shelf"), again)
        screen = Quiet()
        screen.status = lambda station, text: tell(text)  # type: ignore[method-assign]
        return Runner(context, Table(list(boards), self.open).stations(1), screen).run()

    def own(self, number: int) -> str:
        """The MAC address that the board's environment has."""
        environment = bytes(self.chips[number].contents[slice(*ENV)])
        return read_environment(environment).by_name[b"ethaddr"].decode()
