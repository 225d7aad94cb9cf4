"""A batch of boards cloned through several adapters, some faulty; and the same with kills.

    python tests/benchmarks/cloning.py [--boards 60] [--faulty 6] [--adapters 4]
    python tests/benchmarks/cloning.py --kills 50 --adapters 1 --boards 20 --faulty 2
    python tests/benchmarks/cloning.py --kills 50 --adapters 4 --boards 44 --faulty 4
    python tests/benchmarks/cloning.py --twins 20 --swaps 20 --boards 60

The first runs the batch twice, through all adapters and through one, in simulated time. The time
that a person takes to move the clip is in separate lines: CHANGE seconds a board, one person for
all adapters, put together from the times that the boards took. Processor time is the host's,
the simulation of chips and adapters included.

The others run it in a process that is killed at random moments: see `cloning_kills.py`. All
kills have to fall into the batch, which has to be long enough for that.

The last has boards of 128 KiB among which are `--twins`: every other one has the unique ID of
other twins and contents of its own, the rest have no unique ID and hold what the first board does,
so that they have to be refused. `--swaps` boards are exchanged for another in the middle of the
work, half of them while they are written to, and come again. `clone_rig.world` judges after each.
"""

# ruff: noqa: E402 - run as a script, it has to find the packages beside it first.
from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from hwmocks.bench import Bench
from hwmocks.nor.chip import NorChip
from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.jobs.clone.runner import Runner
from tests.clone_rig.heron import (
    FAULTS,
    Board,
    Quiet,
    Table,
    batch,
    context_in,
    write_job,
)
from tests.clone_rig.judge import batch_complaints, judge

CHANGE = 20.0
"""Seconds to take the clip off one board and seat it on the next (common practice, no source)."""


@dataclass(frozen=True)
class Batch:
    """One run: what is wrong, the rows, simulated seconds until the last adapter was done, and
    seconds of processor time."""

    wrong: list[str]
    records: list[BoardRecord]
    simulated: float
    processor: float


def run_batch(folder: Path, boards: list[Board], adapters: int) -> Batch:
    """The boards through so many adapters."""
    write_job(folder, len(boards))
    chips: dict[int, NorChip] = {}

    def opened(board: Board) -> Bench:
        chips[board.number] = board.new()
        return board.bench(chips[board.number])

    stations = Table(list(boards), opened).stations(adapters)
    with Ledger(folder / "ledger.sqlite") as ledger:
        begun = time.process_time()
        done = Runner(context_in(folder, ledger), stations, Quiet()).run()
        spent = time.process_time() - begun
        wrong = [str(error) for error in done.errors]
        records = [row.record() for row in ledger.rows()]
        wrong += judge(boards, lambda board: bytes(chips[board.number].contents), records, folder)
        wrong += batch_complaints(ledger, records)
    return Batch(wrong, records, max(station.spent for station in stations), spent)


def with_person(times: Sequence[float], adapters: int, change: float) -> float:
    """Seconds for boards that take `times` at the adapter, when one person changes the clips,
    `change` seconds each: an adapter that is done waits until the person comes."""
    free = [0.0] * adapters
    person = 0.0
    for each in times:
        first = min(range(adapters), key=free.__getitem__)
        person = max(person, free[first]) + change
        free[first] = person + each
    return max(free)


def main() -> int:
    """Run what was asked for; 1 when anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--boards", type=int, default=60)
    parser.add_argument("--faulty", type=int, default=6)
    parser.add_argument("--adapters", type=int, default=4)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--longest", type=float, help="processor seconds to a kill, at most (6, or 4 an adapter)"
    )
    parser.add_argument("--twins", type=int, default=0)
    parser.add_argument("--swaps", type=int, default=0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="cloning-") as name:
        if options.twins or options.swaps:
            wrong = _twins(options, Path(name))
        else:
            wrong = (_kills if options.kills else _batches)(options, Path(name))
    print(f"wrong                           {len(wrong):8d}")
    for line in wrong:
        print("WRONG:", line)
    return 1 if wrong else 0


def _kills(options: argparse.Namespace, folder: Path) -> list[str]:
    from tests.benchmarks.cloning_kills import survive_kills

    # A board that is unplugged in mid-write is what each kill does to it anyway.
    faults = [each for each in FAULTS if each != "unplugged"]
    boards = batch(options.boards, options.faulty, faults)
    longest = options.longest or max(6.0, 4.0 * options.adapters)
    found = survive_kills(folder, boards, options.adapters, options.kills, options.seed, longest)
    print(f"boards                          {options.boards:8d}")
    print(f"of them faulty                  {options.faulty:8d}")
    print(f"adapters                        {options.adapters:8d}")
    print(f"killed by power cut             {found.power_cuts:8d}")
    print(f"killed by SIGKILL               {found.sigkills:8d}")
    print(f"boards taken up again           {found.resumed:8d}")
    return found.wrong


def _twins(options: argparse.Namespace, folder: Path) -> list[str]:
    from tests.clone_rig.world import Event, ViolationError, World

    rng = random.Random(options.seed)
    kinds = [("shared", False) if i % 2 == 0 else ("none", True) for i in range(options.twins)]
    kinds += [("own" if i % 2 else "none", False) for i in range(options.boards - options.twins)]
    world = World.new(folder, str(folder / "ledger.sqlite"), kinds)
    swapped = set(rng.sample(range(len(kinds)), options.swaps))
    order = rng.sample(range(len(kinds)), len(kinds))
    wrong: list[str] = []
    noticed = 0
    refused: set[int] = set()
    for index in [*order, *order]:
        board = world.boards[index]
        event = None
        if index in swapped:
            swapped.remove(index)
            event = Event("swap", rng.randrange(30), rng.random() < 0.5, rng.randrange(9))
        if board.good and event is None:
            continue
        try:
            outcome = world.work(board, "batch", event)
        except ViolationError as error:
            wrong.append(str(error).splitlines()[-1])
            continue
        noticed += event is not None and not board.good
        if event is None and "byte for byte" in str(getattr(outcome, "reason", outcome)):
            refused.add(index)
    print(f"boards                          {len(kinds):8d}")
    print(f"twins                           {options.twins:8d}")
    print(f"exchanged in the middle         {world.tally['swaps']:8d}")
    print(f"of them noticed                 {noticed:8d}")
    print(f"good                            {sum(each.good for each in world.boards):8d}")
    print(f"refused as a second identity    {len(refused):8d}")
    return wrong


def _batches(options: argparse.Namespace, folder: Path) -> list[str]:
    boards = batch(options.boards, options.faulty)
    many = run_batch(folder / "many", boards, options.adapters)
    _print_boards(many)
    one = run_batch(folder / "one", boards, 1)
    label = f"{options.adapters} adapters"
    print(f"one adapter, simulated          {one.simulated:8.1f} s")
    print(f"{label}, simulated           {many.simulated:8.1f} s")
    print(f"throughput                      {one.simulated / many.simulated:8.2f} times")
    people = [
        with_person([record.seconds["all"] for record in run.records], adapters, CHANGE)
        for run, adapters in ((one, 1), (many, options.adapters))
    ]
    print(f"one adapter, one person         {people[0]:8.1f} s")
    print(f"{label}, one person          {people[1]:8.1f} s")
    print(f"throughput, one person          {people[0] / people[1]:8.2f} times")
    count = len(one.records) + len(many.records)
    print(f"processor time a board          {(one.processor + many.processor) / count:8.2f} s")
    return [*(f"{label}: {line}" for line in many.wrong), *(f"one: {line}" for line in one.wrong)]


def _print_boards(run: Batch) -> None:
    good = [record for record in run.records if record.good]
    print(f"boards                          {len(run.records):8d}")
    print(f"good                            {len(good):8d}")
    for kind in sorted({record.kind for record in run.records if not record.good}):
        count = sum(record.kind == kind for record in run.records)
        print(f"failed: {kind:<24}{count:8d}")
    mean = sum(record.seconds["all"] for record in good) / max(1, len(good))
    print(f"a good board, simulated         {mean:8.1f} s", flush=True)


if __name__ == "__main__":
    sys.exit(main())
