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
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from functools import lru_cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from hwmocks.bench import make_bench
from hwmocks.boards.heron import heron_factory
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import ChipDescription
from spiflash.archive.backupset import open_set
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import SpiflashError
from spiflash.jobs import Unwatched
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import best_clock, connected, identify_chip, sweep_clocks
from spiflash.nor.identify import chip_table
from spiflash.report.backup import backup_text
from tests.benchmarks.believable_rows import MIB, ROWS, STATES, Row, places, sister

__all__ = ["MIB", "ROWS", "Row", "contents_of", "described", "places", "run_trial"]

NOT_EXCLUDED = "Not excluded"
"""How the screen begins what no passes can exclude."""


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
                found = identify_chip(bus, chip_table())
                sweep = sweep_clocks(bus, found.answers, top=found.clock_fast)
                with connected(bus, found, best_clock(sweep), sweep) as connection:
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
        elif record.chip.unique_id is not None and row.clip is sister:
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


def _trial(work: tuple[int, int]) -> tuple[int, Trial]:
    number, seed = work
    return seed, run_trial(ROWS[number], seed)


class Kept:
    """Trials kept in a file, one a line, so that a long run can be taken up again."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self.done: dict[str, dict[int, Trial]] = {}
        if path is not None and path.exists():
            for text in path.read_text("utf-8").splitlines():
                name, seed, values = json.loads(text)
                self.done.setdefault(name, {})[seed] = Trial(*values)

    def add(self, name: str, seed: int, trial: Trial) -> None:
        """One more."""
        self.done.setdefault(name, {})[seed] = trial
        if self._path is not None:
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps([name, seed, list(astuple(trial))]) + "\n")


def main() -> int:
    """Print the table; the exit status is 1 when any backup was wrongly called verified."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--rows", nargs="*", metavar="WORD", help="only rows with these words")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="trials that are done, to go on")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes at a time")
    options = parser.parse_args()
    kept = Kept(options.keep)
    print(HEADER, flush=True)
    wrong = done = verified = 0
    known: list[bool] = []
    # The rows hold functions, which only a fork takes along.
    with multiprocessing.get_context("fork").Pool(options.jobs) as pool:
        for number, row in enumerate(ROWS):
            if options.rows and not any(word in row.name for word in options.rows):
                continue
            seeds = range(options.trials)
            had = kept.done.get(row.name, {})
            work = [(number, seed) for seed in seeds if seed not in had]
            for seed, trial in pool.imap_unordered(_trial, work):
                kept.add(row.name, seed, trial)
            had = kept.done.get(row.name, {})
            trials = [had[seed] for seed in seeds if seed in had]
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
