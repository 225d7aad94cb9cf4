"""Convert generated boards, and see what becomes of everything that is theirs alone.

    python tests/benchmarks/converting.py [--boards 200] [--on-chips 12]
    python tests/benchmarks/converting.py --cuts 20

Boards of seven layouts, each with an identity of its own, get images of six kinds. Every own item
must be found again by an independent reader (`fw_printenv`, raw bytes at the stated place) or be
listed as not carried over: anything else is a silent loss. `--on-chips` of them go through a
simulated adapter and chip, and what the chip's array holds is judged.

With `--cuts N` one conversion, its backup included, is cut at every Nth USB transfer, by unplugging
the adapter and once more with the chip losing power too; then the same conversion is begun again.
The chip must hold what an undisturbed conversion makes, and a set the factory contents.
"""

# ruff: noqa: E402 - run as a script, it has to find the packages beside it first.
from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from hwmocks.bench import Bench, make_bench
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.dump.audit import Audit, examine
from spiflash.dump.convert import Proposal, propose
from spiflash.errors import SpiflashError
from spiflash.jobs import Unwatched
from spiflash.jobs import convert as job
from spiflash.jobs.connection import Connection, connected
from spiflash.jobs.image import Image
from tests.convert_boards import (
    BOARDS,
    IMAGES,
    SIZE,
    Identity,
    heron,
    same_layout,
    silent_losses,
    volumes,
)
from tests.job_rig import small

NAME = "W25Q64JV"
KINDS = ("unplug", "power")
CLOCK = 30e6
DESPITE = ("short", "boot-command", "size", "loader", "damaged")
"""Concerns about images that are made to be odd: what counts here is what becomes of own items."""


@cache
def audited(contents: bytes) -> Audit:
    return examine(contents, "contents", signs=False)


@contextmanager
def session(chip: NorChip, faults: UsbFaults | None = None) -> Iterator[tuple[Connection, Bench]]:
    """The chip is powered up, and clipped off at the end."""
    bench = make_bench(chip, faults=faults or UsbFaults())
    chip.power(True, 0.0)
    bench.clock.advance(0.1)
    bus = open_bench_bus(bench, "converting")
    try:
        with connected(bus, small(NAME, SIZE)[1], CLOCK) as connection:
            yield connection, bench
    finally:
        bus.close()


def new_chip(contents: bytes) -> NorChip:
    return NorChip(small(NAME, SIZE)[0], contents, seed=1)


def converted(connection: Connection, shelf: Shelf, image: bytes) -> Proposal:
    """One conversion, as the command does it."""
    asked = job.Asked(despite=DESPITE)
    prepared = job.prepare(connection, shelf, Image("open.bin", image), asked, Unwatched())
    job.convert(connection, shelf, prepared, Unwatched(), agree=lambda work: True)
    return prepared.proposal


def batch(boards: int, on_chips: int) -> tuple[Counter[str], list[str]]:
    """Counts, and a line for each silent loss."""
    counts: Counter[str] = Counter()
    losses: list[str] = []
    makers = (*BOARDS, *([volumes] if shutil.which("ubinize") else []))
    every = max(boards // on_chips, 1) if on_chips else boards + 1
    with tempfile.TemporaryDirectory(prefix="converting-") as temporary:
        folder = Path(temporary)
        for number in range(boards):
            board = makers[number % len(makers)](Identity.of(number))
            counts["boards"] += 1
            for image_of in IMAGES:
                image = image_of(board)
                contents, theirs = bytes(board.contents), bytes(image.contents)
                said = propose(examine(contents, board.name, signs=False), audited(theirs))
                made = said.made
                if number % every == 0:
                    chip = new_chip(contents)
                    with session(chip) as (connection, _):
                        shelf = Shelf(folder / f"shelf-{number}-{image.name.replace(' ', '-')}")
                        said = converted(connection, shelf, theirs)
                    made = bytes(chip.contents)
                    counts["conversions of a simulated chip"] += 1
                wrong, kept, lost = silent_losses(board, image, said, made, folder)
                counts["conversions"] += 1
                counts["own items"] += len(board.own)
                counts["own items found again"] += kept
                counts["own items listed as not carried over"] += lost
                losses += [f"{board.name} {number}, {image.name}: {each}" for each in wrong]
            audited.cache_clear()
    return counts, losses


def cuts(
    every: int, skipped: float = 0.0, kinds: Sequence[str] = KINDS
) -> tuple[Counter[str], list[str]]:
    """Cut one conversion at every `every`th USB transfer behind the share `skipped` of them.

    Counts, and a line for each failure."""
    board = heron(Identity.of(7))
    contents, image = bytes(board.contents), bytes(same_layout(board).contents)
    counts: Counter[str] = Counter()
    problems: list[str] = []
    with tempfile.TemporaryDirectory(prefix="converting-") as temporary:
        folder = Path(temporary)
        chip = new_chip(contents)
        with session(chip) as (connection, bench):
            first = bench.device.transfers + 1
            wanted = converted(connection, Shelf(folder / "whole"), image).made
            last = bench.device.transfers
        assert chip.contents == wanted
        counts["transfers"] = last - first + 1
        for kind in kinds:
            for number in range(first + int(skipped * (last - first)), last + 1, every):
                shelf = Shelf(folder / f"{kind}-{number}")
                problem = _cut(new_chip(contents), shelf, kind, number, image, wanted, counts)
                held = [each.contents() for each in shelf.sets().sets]
                if not problem and contents not in held:
                    problem = "no set holds the factory contents"
                if problem:
                    problems.append(f"{kind} at transfer {number}: {problem}")
                shutil.rmtree(shelf.root)
    return counts, problems


def _cut(
    chip: NorChip,
    shelf: Shelf,
    kind: str,
    number: int,
    image: bytes,
    wanted: bytes,
    counts: Counter[str],
) -> str:
    """What is wrong after one conversion that was cut at transfer `number` and begun again."""
    now: list[Bench] = []
    happened = False

    def cut(transfer: int) -> None:
        nonlocal happened
        if transfer < number or happened:
            return
        if kind == "power":
            chip.power(False, now[0].clock.now())
        happened = True
        now[0].device.unplug()

    try:
        with session(chip, UsbFaults(on_transfer=cut)) as (connection, bench):
            now.append(bench)
            converted(connection, shelf, image)
    except SpiflashError as error:
        if not happened:
            return f"failed without a cut: {error}"
    counts[f"cuts by {kind}"] += happened
    chip.power(False, 1e9)
    counts["of them with a journal open"] += bool(open_journals(shelf.journals).whole)
    try:
        with session(chip) as (connection, _):
            converted(connection, shelf, image)
    except SpiflashError as error:
        return f"not finished: {error}"
    if open_journals(shelf.journals).whole:
        return "a journal is left over"
    return "" if chip.contents == wanted else "the chip does not hold what it should"


def main() -> int:
    parser = argparse.ArgumentParser(description="convert generated boards")
    parser.add_argument("--boards", type=int, default=200)
    parser.add_argument("--on-chips", type=int, default=12)
    parser.add_argument("--cuts", type=int, metavar="N", help="cut at every Nth USB transfer")
    given = parser.parse_args()
    if given.cuts:
        counts, problems = cuts(given.cuts)
        what = "not finished right"
    else:
        counts, problems = batch(given.boards, given.on_chips)
        what = "silent losses"
    for name, count in counts.items():
        print(f"  {count:>6,}  {name}")
    print(f"  {len(problems):>6,}  {what}")
    for line in problems[:20]:
        print(line)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
