"""How often backups are called verified on a bad clip, and how often that is wrong.

    python tests/benchmarks/believable_reading.py [--trials N] [--rows WORD ...] [--jobs N]

Each row is a fault of the simulated bench, a bit error rate, or an adapter; each trial has its
own seed, contact and chip contents. A trial is wrong when the reading is called verified and is
not what the memory array holds. Times are those of the simulated bench, relative to the median
of clean readings of the same chip with the same adapter.

The rows of bit error rates named "8 MiB" use a whole W25Q64JV; all others a chip of 1 MiB with
the same behaviour. The true rate is known where every bit is hit alike.
"""

# ruff: noqa: E402 - run as a script, it has to find the packages beside it first.
from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import statistics
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from hwmocks.bench import make_bench
from hwmocks.boards.heron import heron_factory
from hwmocks.faults import (
    BitErrors,
    DeadClock,
    FixedPlaceError,
    HeldLow,
    IntermittentContact,
    LooseChipSelect,
    LooseMiso,
    LooseMosi,
    NoPower,
    OneBitLate,
    OtherMaster,
    PowerCut,
    SlowWire,
    StuckBits,
)
from hwmocks.ftdi import LongReadFlaw, UsbFaults
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import ChipDescription
from hwmocks.wire import SpiDevice
from spiflash.archive.backupset import open_set
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import SpiflashError
from spiflash.nor.tables import chip_table
from spiflash.work.backup import back_up
from spiflash.work.connection import connected, find_out
from spiflash.work.eye import best_clock, measure_eye
from spiflash.work.progress import Unwatched

MIB = 1 << 20
ADAPTERS = ("ft232h", "ft2232h", "ft4232h", "ft2232c", "ft2232d")

Clip = Callable[[NorChip, int], SpiDevice]


def _plain(chip: NorChip, seed: int) -> SpiDevice:
    return chip


@dataclass(frozen=True)
class Row:
    """One line of the table; `clip` wraps the chip in its fault, drawn from a seed; `change`
    does something to the chip itself; `rate` is the true bit error rate where it is known; a
    `slow` row takes many passes."""

    name: str
    clip: Clip = _plain
    adapter: str = "ft232h"
    size: int = MIB
    usb: Callable[[int], UsbFaults] = field(default=lambda seed: UsbFaults())
    change: Callable[[NorChip, int], None] = field(default=lambda chip, seed: None)
    half: bool = False
    rate: float | None = None
    slow: bool = False


def _noise(rate: float, *, size: int = MIB) -> Row:
    name = f"bit errors {rate:.0e}" if rate else "no fault"
    return Row(
        name + (" 8 MiB" if size > MIB else ""),
        lambda chip, seed: BitErrors(chip, rate, seed=seed),
        size=size,
        rate=rate,
    )


def _no_quad(chip: NorChip, seed: int) -> None:
    """With the quad enable bit set, as the chip ships, HOLD# is a data line and holds nothing."""
    chip.core.registers.kept["SR2"] &= ~0x02
    chip.core.forget()


def _stuck_cells(chip: NorChip, seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(20):
        chip.stick(rng.randrange(chip.description.size), rng.randrange(8), rng.randrange(2))


def _worn(chip: NorChip, seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(5):
        chip.wear_out(rng.randrange(chip.description.size // 4096), bits=3)


ROWS: tuple[Row, ...] = (
    _noise(1e-6, size=8 * MIB),
    *(_noise(rate) for rate in (0, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3)),
    *(Row(f"adapter {name}", adapter=name, rate=0.0) for name in ADAPTERS),
    *(
        Row(
            f"adapter {name}, errors 1e-06",
            lambda chip, seed: BitErrors(chip, 1e-6, seed=seed),
            name,
            rate=1e-6,
        )
        for name in ADAPTERS
    ),
    Row("errors on MISO and MOSI", lambda c, s: BitErrors(c, 1e-6, mosi_rate=1e-5, seed=s)),
    Row("slow wire", lambda c, s: SlowWire(c, seed=s)),
    Row("slower wire", lambda c, s: SlowWire(c, delay=60e-9, jitter=3e-9, seed=s)),
    Row("MISO open, high", lambda c, s: LooseMiso(c, True)),
    Row("MISO open, low", lambda c, s: LooseMiso(c, False)),
    Row("MISO floating", lambda c, s: LooseMiso(c, None, seed=s)),
    Row("MOSI open", lambda c, s: LooseMosi(c, bool(s % 2))),
    Row("chip select open", lambda c, s: LooseChipSelect(c)),
    Row("clock open", lambda c, s: DeadClock(c)),
    Row("no supply", lambda c, s: NoPower(c, bool(s % 2))),
    Row("HOLD# low", lambda c, s: HeldLow(c, "HOLD#"), change=_no_quad),
    Row("HOLD# low, quad enabled", lambda c, s: HeldLow(c, "HOLD#"), rate=0.0),
    Row("WP# low", lambda c, s: HeldLow(c, "WP#"), rate=0.0),
    Row("one bit late", lambda c, s: OneBitLate(c)),
    Row("data bits stuck", lambda c, s: StuckBits(c, 0xF0 if s % 2 else 0x0F, bool(s // 2 % 2))),
    Row("one data bit stuck", lambda c, s: StuckBits(c, 1 << s % 8, bool(s // 8 % 2))),
    Row(
        "byte at a fixed place",
        lambda c, s: FixedPlaceError(c, random.Random(s).randrange(200), length=2000),
    ),
    Row(
        "byte at a fixed place, short",
        lambda c, s: FixedPlaceError(c, random.Random(s).randrange(200), length=400),
    ),
    Row("long read flaw", usb=lambda s: UsbFaults(long_read=LongReadFlaw(from_end=s % 300 + 1))),
    Row("MISO comes and goes", lambda c, s: IntermittentContact(c, quiet=0.3, seed=s)),
    Row(
        "MISO comes and goes, often",
        lambda c, s: IntermittentContact(c, quiet=0.02, seed=s),
        slow=True,
    ),
    Row(
        "CS comes and goes",
        lambda c, s: IntermittentContact(c, line="CS", quiet=0.3, seed=s),
        slow=True,
    ),
    Row("CS comes and goes, rare", lambda c, s: IntermittentContact(c, line="CS", quiet=3, seed=s)),
    Row("other master", lambda c, s: OtherMaster(c, seed=s), slow=True),
    Row("other master, rare", lambda c, s: OtherMaster(c, quiet=2.0, burst=2e-3, seed=s)),
    Row("supply cut", lambda c, s: PowerCut(c, at=0.1 + random.Random(s).random())),
    Row(
        "unplugged", usb=lambda s: UsbFaults(unplug_at=random.Random(s).randrange(20, 600)),
        rate=None,
    ),
    Row("worn sectors", change=_worn, rate=0.0),
    Row("stuck cells", change=_stuck_cells, rate=0.0),
    Row("relabelled, half the size", half=True),
)  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """What became of one backup; `inside` is None where there was no estimate or no truth."""

    verified: bool
    wrong: bool
    refused: bool
    seconds: float
    inside: bool | None


@lru_cache(maxsize=4)
def described(size: int, half: bool) -> ChipDescription:
    """A W25Q64JV, or a chip of another size with its behaviour: the density in its SFDP
    (JESD216F, second double word of the basic table: bits, less one) says so."""
    base = describe("W25Q64JV")
    table = bytearray(base.sfdp)
    start = int.from_bytes(table[12:15], "little")
    table[start + 4 : start + 8] = (8 * size - 1).to_bytes(4, "little")
    code = base.id[:2] + bytes((size.bit_length() - 1,))
    return replace(base, sfdp=bytes(table), id=code, size=size // 2 if half else size)


@lru_cache(maxsize=4)
def contents_of(size: int) -> bytes:
    """The demo board's flash, or as many bytes around the start of its file system."""
    whole = heron_factory()
    return whole if size == len(whole) else whole[0x1C0000 : 0x1C0000 + size]


def run_trial(row: Row, seed: int) -> Trial:
    """One backup, from first contact to the set on the shelf."""
    chip = NorChip(
        described(row.size, row.half), contents_of(row.size)[: row.size >> row.half], seed=seed
    )
    row.change(chip, seed)
    bench = make_bench(
        chip, adapter=row.adapter, clip=lambda inner: row.clip(chip, seed), faults=row.usb(seed)
    )
    bench.clock.advance(0.1)
    start = bench.clock.now()
    with tempfile.TemporaryDirectory() as folder:
        try:
            bus = open_bench_bus(bench, "benchmark")
            try:
                found = find_out(bus, chip_table())
                eye = measure_eye(bus, found.answers, top=found.clock_fast)
                with connected(bus, found, best_clock(eye), eye) as connection:
                    made = back_up(connection, Shelf(Path(folder)), Unwatched())
            finally:
                bus.close()
        except SpiflashError:
            return Trial(False, False, True, bench.clock.now() - start, None)
        seconds = bench.clock.now() - start
        opened = open_set(made.set.path)
        record = opened.record
        wrong = record.verified and opened.contents() != bytes(chip.contents)
        inside = None
        if row.rate is not None:
            inside = record.evidence.rate_low <= row.rate <= record.evidence.rate_high
        return Trial(record.verified, wrong, False, seconds, inside)


@lru_cache(maxsize=16)
def _clean_seconds(size: int, adapter: str) -> float:
    row = Row("clean", size=size, adapter=adapter)
    return statistics.median(run_trial(row, seed).seconds for seed in range(3))


HEADER = (
    f"{'row':<32} {'trials':>6} {'verified':>8} {'wrong':>5} {'refused':>7} {'not ver.':>8} "
    f"{'time':>6} {'rate inside':>11}"
)


def line(row: Row, trials: Sequence[Trial]) -> str:
    """One row of the table. "refused": no set, an error with its reason; "not ver.": a set
    that says that it is not verified; "time": median of the sets, clean = 1."""
    made = [trial for trial in trials if not trial.refused]
    known = [trial.inside for trial in trials if trial.inside is not None]
    time = "-"
    if made:
        median = statistics.median(trial.seconds for trial in made)
        time = f"{median / _clean_seconds(row.size, row.adapter):.2f}"
    inside = f"{sum(known) / len(known):.1%}" if known else "-"
    return (
        f"{row.name:<32} {len(trials):>6} {sum(t.verified for t in trials):>8} "
        f"{sum(t.wrong for t in trials):>5} {sum(t.refused for t in trials):>7} "
        f"{sum(not t.verified for t in made):>8} {time:>6} {inside:>11}"
    )


def _trial(work: tuple[int, int]) -> Trial:
    number, seed = work
    return run_trial(ROWS[number], seed)


def main() -> int:
    """Print the table; the exit status is 1 when any backup was wrongly called verified."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--rows", nargs="*", metavar="WORD", help="only rows with these words")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes at a time")
    options = parser.parse_args()
    print(HEADER, flush=True)
    wrong = done = verified = 0
    known: list[bool] = []
    # The rows hold functions, which only a fork takes along.
    with multiprocessing.get_context("fork").Pool(options.jobs) as pool:
        for number, row in enumerate(ROWS):
            if options.rows and not any(word in row.name for word in options.rows):
                continue
            work = [(number, seed) for seed in range(options.trials)]
            trials = pool.map(_trial, work, chunksize=1)
            done += len(trials)
            verified += sum(trial.verified for trial in trials)
            wrong += sum(trial.wrong for trial in trials)
            known += [trial.inside for trial in trials if trial.inside is not None]
            print(line(row, trials), flush=True)
    print(f"backups, all rows: {done}; verified: {verified}")
    if known:
        print(
            f"true rate inside the bound, all rows: {sum(known) / len(known):.1%} of {len(known)}"
        )
    print(f"wrongly called verified, all rows: {wrong}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
