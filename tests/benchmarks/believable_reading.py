"""How often backups are called verified on a bad clip, and how often that is wrong.

    python tests/benchmarks/believable_reading.py [--trials N] [--rows WORD ...] [--jobs N]

Each row is a fault of the simulated bench, a bit error rate, or an adapter; each trial has its
own seed, contact and chip contents. A trial is wrong when the reading is called verified and is
not what the memory array holds, or the security registers are not; where the contents change
meanwhile, when it is none of the states that the chip was in. Times are those of the simulated
bench, relative to the median of clean readings of the same chip with the same adapter.

What goes wrong in the same few places by itself cannot be excluded by two passes, and the screen
of every verdict says so. Rows of that kind carry a star: their wrong ones are counted as "said so"
when the screen did say it, and as "wrong" otherwise.

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
    AlikeAtClocks,
    BitErrors,
    DeadClock,
    FixedPlaceError,
    HeldLow,
    IntermittentContact,
    LooseChipSelect,
    LooseMiso,
    LooseMosi,
    Meanwhile,
    MovedClip,
    NoPower,
    OneBitLate,
    OtherMaster,
    Pattern,
    PowerCut,
    SlowWire,
    StuckBits,
    WeakCells,
    WrongBlock,
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
from spiflash.report.backup_text import backup_text
from spiflash.work.backup import back_up
from spiflash.work.connection import connected, find_out
from spiflash.work.eye import best_clock, measure_eye
from spiflash.work.progress import Unwatched

MIB = 1 << 20
ADAPTERS = ("ft232h", "ft2232h", "ft4232h", "ft2232c", "ft2232d")

NOT_EXCLUDED = "Not excluded"
"""How the screen begins what no passes can exclude."""

Clip = Callable[[NorChip, int], SpiDevice]


def _plain(chip: NorChip, seed: int) -> SpiDevice:
    return chip


@dataclass(frozen=True)
class Row:
    """One line of the table; `clip` wraps the chip in its fault, drawn from a seed; `change`
    does something to the chip itself; `rate` is the true bit error rate where it is known; a
    `slow` row takes many passes. `anonymous` chips have no unique ID. `alone` rows are of
    places that go wrong by themselves, which the screen says are not excluded."""

    name: str
    clip: Clip = _plain
    adapter: str = "ft232h"
    size: int = MIB
    usb: Callable[[int], UsbFaults] = field(default=lambda seed: UsbFaults())
    change: Callable[[NorChip, int], None] = field(default=lambda chip, seed: None)
    half: bool = False
    rate: float | None = None
    slow: bool = False
    anonymous: bool = False
    alone: bool = False


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


def _fill_security(chip: NorChip, seed: int) -> None:
    rng = random.Random(f"{seed}/security")
    for register in chip.security:
        register[:] = rng.randbytes(len(register))


def _worn(chip: NorChip, seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(5):
        chip.wear_out(rng.randrange(chip.description.size // 4096), bits=3)


def _places(chip: NorChip, seed: int, count: int) -> list[int]:
    """Addresses of bits, drawn from the whole chip."""
    return random.Random(f"{seed}/places").sample(range(8 * chip.description.size), count)


def _weak(count: int, chance: float) -> Row:
    cells = "1 cell" if count == 1 else f"{count} cells"
    return Row(
        f"weak: {cells}, p {chance:g}",
        lambda c, s: WeakCells(
            c, c.description.size, dict.fromkeys(_places(c, s, count), chance), seed=s
        ),
        alone=True,
    )


def _alike(count: int, size: int = MIB) -> Row:
    return Row(
        f"{count} bits wrong at 30 and 15 MHz" + (" 8 MiB" if size > MIB else ""),
        lambda c, s: AlikeAtClocks(c, c.description.size, _places(c, s, count), (30e6, 15e6)),
        size=size,
    )


def _one_band(c: NorChip, s: int) -> SpiDevice:
    low = random.Random(s).randrange(c.description.size - 65536)
    return Pattern(c, c.description.size, 1e-4, low=low, high=low + 65536, seed=s)


def _wrong_block(rate: float) -> Clip:
    def clip(c: NorChip, s: int) -> SpiDevice:
        rng = random.Random(s)
        blocks = rng.sample(range(c.description.size // 65536), 1 + s % 4)
        return WrongBlock(c, c.description.size, blocks, rng.randrange(8, 19), rate, seed=s)

    return clip


def _writes(seed: int, chip: NorChip) -> None:
    """What a processor does to its settings or log: a few bytes, a record, or a sector anew."""
    rng = random.Random(f"{seed}/writes")
    size = chip.description.size
    match seed % 3:
        case 0:
            at, data = rng.randrange(size - 64), rng.randbytes(rng.randrange(1, 32))
            for place, byte in enumerate(data, start=at):
                chip.contents[place] &= byte
        case 1:
            at = rng.randrange(size // 256) * 256
            for place, byte in enumerate(rng.randbytes(256), start=at):
                chip.contents[place] &= byte
        case _:
            at = rng.randrange(size // 4096) * 4096
            used = rng.randrange(256, 4096)
            chip.contents[at : at + 4096] = rng.randbytes(used) + b"\xff" * (4096 - used)


def _processor(times: int) -> Clip:
    """Writes `times` times, at any moment of the passes."""

    def clip(c: NorChip, s: int) -> SpiDevice:
        found: SpiDevice = c
        rng = random.Random(f"{s}/when")
        for number in range(times):

            def act(now: float, number: int = number) -> None:
                _writes(s + number, c)
                STATES.append(bytes(c.contents))

            found = Meanwhile(found, 0.3 + rng.random() * 1.2, act)
        return found

    return clip


def _sister(c: NorChip, s: int) -> SpiDevice:
    """A board with the same firmware and settings of its own comes onto the clip."""
    rng = random.Random(f"{s}/sister")
    contents = bytearray(c.contents)
    for _ in range(3):
        at = rng.randrange(len(contents) - 6)
        contents[at : at + 6] = rng.randbytes(6)
    other = NorChip(c.description, bytes(contents), seed=s + 100_000)
    moved = MovedClip(c)

    def act(now: float) -> None:
        moved.move(other, now)
        STATES.append(bytes(other.contents))

    return Meanwhile(moved, 0.3 + rng.random() * 1.2, act)


STATES: list[bytes] = []
"""Contents that were on the clip in the trial under way, since its beginning."""

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
    _weak(1, 0.02),
    _weak(1, 0.3),
    _weak(1, 0.5),
    _weak(5, 0.3),
    _weak(50, 0.02),
    _weak(50, 0.3),
    _alike(1),
    _alike(3),
    _alike(3, 8 * MIB),
    Row("one band of 64 KiB, 1e-04", _one_band),
    Row("after runs of zeros, 1e-02", lambda c, s: Pattern(
        c, c.description.size, 1e-2, "zero runs", seed=s), alone=True),
    Row("on edges, 1e-05", lambda c, s: Pattern(c, c.description.size, 1e-5, "edges", seed=s)),
    Row("wrong address by block", _wrong_block(1.0)),
    Row("wrong address by block, p 0.5", _wrong_block(0.5)),
    Row("processor writes once", _processor(1)),
    Row("processor writes 4 times", _processor(4)),
    Row("a sister board meanwhile", _sister),
    Row("a sister board, no unique ID", _sister, anonymous=True),
    Row("processor writes, no unique ID", _processor(1), anonymous=True),
    *(Row(
        f"security registers, errors {rate:.0e}",
        lambda c, s, rate=rate: BitErrors(c, rate, seed=s),
        change=lambda chip, s: _fill_security(chip, s),
        rate=rate,
    ) for rate in (1e-6, 1e-5, 3e-5)),
)  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """What became of one backup; `inside` is None where there was no estimate or no truth. `said`
    is a wrong one of a kind that the screen said is not excluded."""

    verified: bool
    wrong: bool
    said: bool
    refused: bool
    seconds: float
    inside: bool | None


@lru_cache(maxsize=4)
def described(size: int, half: bool, anonymous: bool = False) -> ChipDescription:
    """A W25Q64JV, or a chip of another size with its behaviour: the density in its SFDP
    (JESD216F, second double word of the basic table: bits, less one) says so."""
    base = describe("W25Q64JV")
    table = bytearray(base.sfdp)
    start = int.from_bytes(table[12:15], "little")
    table[start + 4 : start + 8] = (8 * size - 1).to_bytes(4, "little")
    code = base.id[:2] + bytes((size.bit_length() - 1,))
    if anonymous:
        base = replace(base, opcodes={k: v for k, v in base.opcodes.items() if k != 0x4B})
    return replace(base, sfdp=bytes(table), id=code, size=size // 2 if half else size)


@lru_cache(maxsize=4)
def contents_of(size: int) -> bytes:
    """The demo board's flash, or as many bytes around the start of its file system."""
    whole = heron_factory()
    return whole if size == len(whole) else whole[0x1C0000 : 0x1C0000 + size]


def run_trial(row: Row, seed: int) -> Trial:
    """One backup, from first contact to the set on the shelf."""
    chip = NorChip(
        described(row.size, row.half, row.anonymous),
        contents_of(row.size)[: row.size >> row.half],
        seed=seed,
    )
    row.change(chip, seed)
    STATES[:] = [bytes(chip.contents)]
    security = b"".join(map(bytes, chip.security)) or None
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
            return Trial(False, False, False, True, bench.clock.now() - start, None)
        seconds = bench.clock.now() - start
        opened = open_set(made.set.path)
        record = opened.record
        states = STATES
        if record.chip.unique_id not in (None, chip.unique_id.hex()):
            states = []
        elif record.chip.unique_id is not None and row.clip is _sister:
            states = STATES[:1]  # with the first board's unique ID, none but its contents
        otp = opened.otp()
        wrong = record.verified and (
            opened.contents() not in states or (security is not None and otp != security)
        )
        said = wrong and row.alone and NOT_EXCLUDED in backup_text(record, made.audit, Path("set"))
        inside = None
        if row.rate is not None:
            inside = record.evidence.rate_low <= row.rate <= record.evidence.rate_high
        return Trial(record.verified, wrong and not said, said, False, seconds, inside)


@lru_cache(maxsize=16)
def _clean_seconds(size: int, adapter: str) -> float:
    row = Row("clean", size=size, adapter=adapter)
    return statistics.median(run_trial(row, seed).seconds for seed in range(3))


HEADER = (
    f"{'row':<34} {'trials':>6} {'verified':>8} {'wrong':>5} {'said so':>7} {'refused':>7} "
    f"{'not ver.':>8} {'time':>6} {'rate inside':>11}"
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
        f"{row.name + ' *' * row.alone:<34} {len(trials):>6} {sum(t.verified for t in trials):>8} "
        f"{sum(t.wrong for t in trials):>5} {sum(t.said for t in trials):>7} "
        f"{sum(t.refused for t in trials):>7} {sum(not t.verified for t in made):>8} "
        f"{time:>6} {inside:>11}"
    )


def _trial(work: tuple[int, int]) -> Trial:
    number, seed = work
    return run_trial(ROWS[number], seed)


def main() -> int:
    """Print the table; the exit status is 1 when any backup was wrongly called verified."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--rows", nargs="*", metavar="WORD", help="only rows with these words")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="seed of the first trial")
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
            work = [(number, seed) for seed in range(options.first, options.first + options.trials)]
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
