"""Cut a restore at every USB transfer, and see what a resume makes of it.

    python tests/benchmarks/cuts.py [--chip-kib N] [--every N] [--adapter NAME] [--kind K]
                                    [--contents C]

A restore rewrites 12 scattered sectors of a region; everything else has to stay. What they hold
and what they get is random, all zeros, blank, a mask of what was there, or the same again:
contents in which a step that was skipped cannot be told from one that was done. It is cut once
at each of its USB transfers by unplugging the adapter, and once more with the chip losing power
as well: at that transfer when an erase or a page is under way, else at the first later one when
one is (cells are left half done, as `hwmocks.nor.cells` says). Then everything is plugged in
again and the work finished, by a resume or by the same restore again in turn, and the chip's
array is compared with what it should be.

The exhaustive run uses a chip of 512 KiB with the behaviour of a W25Q64JV, which has the same
transfers for the same sectors and fewer for reading; `--chip-kib 8192 --every 40` is a sample on
the real size.
"""

# ruff: noqa: E402 - run as a script, it has to find the packages beside it first.
from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from hwmocks.bench import Bench, make_bench
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import JOURNALS, Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import SpiflashError
from spiflash.jobs import Unwatched
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import Connection, connected
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from tests.job_rig import contents, small

NAME = "W25Q64JV"
SECTOR = 4096
SECTORS = 12
KINDS = ("unplug", "power")
CONTENTS = ("mixed", "random", "patched", "zeros", "blank", "masked", "same")
CLOCK = 30e6


@dataclass
class Case:
    """What the chip holds at first, the image, where it belongs, and what must come of it."""

    size: int
    adapter: str = "ft232h"
    seed: int = 1
    contents: str = "patched"
    old: bytes = field(init=False)
    at: int = field(init=False)
    image: Image = field(init=False)
    new: bytes = field(init=False)

    def __post_init__(self) -> None:
        rng = random.Random(self.seed)
        old = bytearray(rng.randbytes(self.size))
        self.at = self.size // 8 + 100  # not at the start of a sector: neighbours share it
        end = self.size - self.size // 8
        sectors = rng.sample(range(1, (end - self.at) // SECTOR - 1), SECTORS)
        new = bytearray(old)
        for number, sector in enumerate(sectors):
            start = self.at - self.at % SECTOR + sector * SECTOR
            kind = self.contents
            if kind == "mixed":
                kind = CONTENTS[1 + number % (len(CONTENTS) - 1)]
                # What was there is uniform in some of them, too.
                held = (None, 0x00, None, 0xFF, None)[rng.randrange(5)]
                if held is not None:
                    old[start : start + SECTOR] = bytes((held,)) * SECTOR
            new[start : start + SECTOR] = contents(kind, bytes(old[start : start + SECTOR]), rng)
        self.old, self.new = bytes(old), bytes(new)
        self.image = Image("cut", self.new[self.at : end])

    def chip(self) -> NorChip:
        return NorChip(small(NAME, self.size)[0], self.old, seed=self.seed)

    @contextmanager
    def session(self, chip: NorChip, faults: UsbFaults) -> Iterator[tuple[Connection, Bench]]:
        """The chip is powered up, and clipped off at the end."""
        bench = make_bench(chip, adapter=self.adapter, faults=faults)
        chip.power(True, 0.0)
        bench.clock.advance(0.1)
        bus = open_bench_bus(bench, "cuts")
        try:
            with connected(bus, small(NAME, self.size)[1], CLOCK) as connection:
                yield connection, bench
        finally:
            bus.close()

    def write(self, connection: Connection, shelf: Shelf, image: Image | None) -> None:
        restore(
            connection, shelf, image, Unwatched(), WriteOptions(at=self.at), agree=lambda _: True
        )

    def prepare(self, folder: Path) -> None:
        """A verified backup on the shelf `folder`."""
        with self.session(self.chip(), UsbFaults()) as (connection, _):
            back_up(connection, Shelf(folder), Unwatched())

    def transfers(self, folder: Path) -> tuple[int, int]:
        """Numbers of the first and the last USB transfer of an undisturbed restore."""
        chip = self.chip()
        with self.session(chip, UsbFaults()) as (connection, bench):
            first = bench.device.transfers + 1
            self.write(connection, Shelf(folder), self.image)
            last = bench.device.transfers
        assert chip.contents == self.new
        return first, last


@dataclass
class Outcome:
    """What a cut led to. `during`: the operation that the loss of power broke off."""

    happened: bool = False
    during: str = ""
    journal: bool = False
    problem: str = ""


def cut_once(case: Case, folder: Path, kind: str, number: int) -> Outcome:
    """One restore, cut at transfer `number`, and what a resume makes of it."""
    outcome = Outcome()
    chip, shelf = case.chip(), Shelf(folder)
    now: list[Bench] = []

    def cut(transfer: int) -> None:
        if transfer < number or outcome.happened:
            return
        bench = now[0]
        if kind == "power":
            under_way = chip.under_way
            if under_way is None:
                return
            outcome.during = under_way
            chip.power(False, bench.clock.now())
        outcome.happened = True
        bench.device.unplug()

    try:
        with case.session(chip, UsbFaults(on_transfer=cut)) as (connection, bench):
            now.append(bench)
            case.write(connection, shelf, case.image)
    except SpiflashError as error:
        if not outcome.happened:
            outcome.problem = f"failed without a cut: {error}"
            return outcome
    chip.power(False, 1e9)  # clipped off: what was under way, if anything, is over
    outcome.journal = bool(open_journals(shelf.journals).whole)
    try:
        with case.session(chip, UsbFaults()) as (connection, _):
            again = None if outcome.journal and number % 2 else case.image
            case.write(connection, shelf, again)
    except SpiflashError as error:
        outcome.problem = f"not finished: {error}"
        return outcome
    found = open_journals(shelf.journals)
    if found.whole or found.corrupt:
        outcome.problem = "a journal is left over"
    end = case.at + len(case.image.contents)
    for what, low, high in (
        ("below the image", 0, case.at),
        ("the image", case.at, end),
        ("above the image", end, case.size),
    ):
        if chip.contents[low:high] != case.new[low:high]:
            outcome.problem = f"{what} is not as it should be"
    if chip.four_byte_mode or chip.registers["SR1"] or chip.protected_ranges:
        outcome.problem = "registers or address mode are not as before"
    return outcome


def sweep(
    case: Case, folder: Path, every: int = 1, kinds: Sequence[str] = KINDS
) -> tuple[Counter[str], list[str]]:
    """Cut at every `every`th transfer, in each way; counts, and a line for each loss."""
    template, shelf = folder / "template", folder / "shelf"
    case.prepare(template)
    trial = folder / "trial"
    shutil.copytree(template, trial)
    first, last = case.transfers(trial)
    counts: Counter[str] = Counter(transfers=last - first + 1)
    losses: list[str] = []
    shutil.copytree(template, shelf)
    for kind in kinds:
        for number in range(first, last + 1, every):
            outcome = cut_once(case, shelf, kind, number)
            counts["cuts by " + kind] += outcome.happened
            counts["resumed from a journal"] += outcome.journal
            if outcome.during:
                counts["during " + outcome.during] += 1
            if kind == "power" and not outcome.happened:
                counts["after the last operation"] += 1
            for path in shelf.iterdir():
                if not (template / path.name).exists() and path.name != JOURNALS:
                    counts["kept as a set"] += 1
                    shutil.rmtree(path)
            if outcome.problem:
                losses.append(f"{kind} at transfer {number}: {outcome.problem}")
                shutil.rmtree(shelf)
                shutil.copytree(template, shelf)
    return counts, losses


def main() -> int:
    parser = argparse.ArgumentParser(description="cut a restore at every USB transfer")
    parser.add_argument("--chip-kib", type=int, default=512)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--adapter", default="ft232h")
    parser.add_argument("--kind", choices=KINDS, help="only this one")
    parser.add_argument("--contents", choices=CONTENTS, help="only these; otherwise all in turn")
    given = parser.parse_args()
    lost = False
    for kind in (given.contents,) if given.contents else CONTENTS:
        lost |= run(Case(given.chip_kib << 10, given.adapter, contents=kind), given)
    return 1 if lost else 0


def run(case: Case, given: argparse.Namespace) -> bool:
    """One sweep, printed; whether anything was lost."""
    with tempfile.TemporaryDirectory(prefix="cuts-") as folder:
        counts, losses = sweep(
            case, Path(folder), given.every, (given.kind,) if given.kind else KINDS
        )
    print(
        f"{SECTORS} sectors of a chip of {given.chip_kib} KiB on {given.adapter}, "
        f"new contents: {case.contents}"
    )
    for name, count in counts.items():
        print(f"  {count:>6}  {name}")
    print(f"  {len(losses):>6}  losses")
    for line in losses[:20]:
        print(line)
    return bool(losses)


if __name__ == "__main__":
    sys.exit(main())
