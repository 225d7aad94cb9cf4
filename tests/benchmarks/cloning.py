"""A batch of boards cloned through several adapters, some faulty; and the same with kills.

    python tests/benchmarks/cloning.py [--boards 60] [--faulty 6] [--adapters 4]
    python tests/benchmarks/cloning.py --kills 50 [--boards 20] [--faulty 4] [--adapters 2]

The first prints simulated times, throughput against one adapter, and the host's processor time
(simulation included). Times of one adapter are the sum over the same boards, each of which has
its own clock. The time a person takes to move the clip is not in them.

The second runs the batch in a process that loses its power at random moments: chips are left as
a power cut leaves them, the process ends without any clean-up, and a new one goes on.
"""

# ruff: noqa: E402 - run as a script, it has to find the packages beside it first.
from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import sys
import tempfile
import threading
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from clone_rig import FAULTS, Board, Quiet, Table, batch, board_number, judge, kept_board, write_job

from hwmocks import store
from hwmocks.bench import Bench
from hwmocks.nor.chip import NorChip
from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger_record import BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.nor.tables import chip_table
from spiflash.work.clone.desk import Desk
from spiflash.work.clone.job_file import load_job
from spiflash.work.clone.loop import Loop

DONE = "done.txt"


def desk_in(folder: Path, ledger: Ledger, *, redo: bool = False) -> Desk:
    """The desk of a batch in `folder`."""
    job = load_job(folder / "job.toml")
    shelf = Shelf(folder / "shelf")
    return Desk(job, ledger, shelf, chip_table(), "bench", lambda record: redo)


def run_batch(
    folder: Path, boards: list[Board], adapters: int
) -> tuple[list[str], list[BoardRecord], float, float]:
    """One batch: (what is wrong, rows, simulated seconds, processor seconds)."""
    write_job(folder, len(boards))
    chips: dict[int, NorChip] = {}

    def opened(board: Board) -> Bench:
        chips[board.number] = board.new()
        return board.bench(chips[board.number])

    table = Table(list(boards), opened)
    stations = table.stations(adapters)
    with Ledger(folder / "ledger.sqlite") as ledger:
        begun = time.process_time()
        done = Loop(desk_in(folder, ledger), stations, Quiet()).run()
        spent = time.process_time() - begun
        wrong = [str(error) for error in done.errors]
        records = [row.record() for row in ledger.rows()]
        wrong += judge(boards, lambda board: bytes(chips[board.number].contents), records, folder)
        wrong += _ledger_complaints(ledger, records)
    return wrong, records, max(station.spent for station in stations), spent


def _ledger_complaints(ledger: Ledger, records: list[BoardRecord]) -> list[str]:
    good = {record.key for record in records if record.good}
    checked = ledger.check()
    wrong = [checked.broken] if checked.broken else []
    given = {text for record in records if record.good for text in record.values.values()}
    if len(given) != 2 * len(good):
        wrong.append(f"{len(good)} good boards have {len(given)} values")
    if any(board.values for board in ledger.all_in_hand()):
        wrong.append("a board in hand still has values")
    return wrong


def survive_kills(
    folder: Path, boards: list[Board], adapters: int, kills: int, seed: int, longest: float
) -> tuple[list[str], int, int]:
    """The batch with `kills` power cuts: (what is wrong, cuts made, boards taken up again)."""
    write_job(folder, len(boards))
    for board in boards:
        kept_board(board, folder / "boards" / str(board.number))
    (folder / DONE).touch()
    rng = random.Random(seed)
    context = multiprocessing.get_context("fork")
    made = 0
    while True:
        ended = {int(line) for line in (folder / DONE).read_text().split()}
        waiting = [board for board in boards if board.number not in ended]
        if not waiting:
            break
        moment = rng.uniform(0.2, longest) if made < kills else None
        child = context.Process(target=_part, args=(folder, waiting, adapters, moment))
        child.start()
        child.join()
        made += child.exitcode == 9
        if child.exitcode not in (0, 9):
            return [f"a part of the batch ended with {child.exitcode}"], made, 0
        print(f"  cut {made}, {len(waiting)} boards were waiting", file=sys.stderr, flush=True)
    with Ledger(folder / "ledger.sqlite") as ledger:
        records = [row.record() for row in ledger.rows()]
        wrong = judge(
            boards,
            lambda board: (folder / "boards" / str(board.number) / store.CONTENTS).read_bytes(),
            records,
            folder,
        )
        wrong += _ledger_complaints(ledger, records)
    return wrong, made, sum(record.resumed for record in records)


def _part(folder: Path, waiting: list[Board], adapters: int, moment: float | None) -> None:
    """What one process does until its power fails, `moment` seconds of processor time from now."""
    cut = threading.Event()
    on_clip: dict[int, tuple[NorChip, Bench, Path]] = {}

    def held(number: int) -> None:
        if cut.is_set():
            threading.Event().wait()

    def opened(board: Board) -> Bench:
        home = folder / "boards" / str(board.number)
        chip = store.load(home)
        bench = board.bench(chip, folder=home, on_transfer=held)
        on_clip[board.number] = (chip, bench, home)
        return bench

    def ended(record: BoardRecord) -> None:
        _write_done(folder, board_number(record))

    def power_fails() -> None:
        cut.set()
        for chip, bench, home in list(on_clip.values()):
            if chip.powered:
                chip.power(False, bench.clock.now())
                store.save(chip, home)
        os._exit(9)

    def watch(moment: float) -> None:
        while time.process_time() < moment:
            time.sleep(0.002)
        power_fails()

    if moment is not None:
        begun = time.process_time()
        threading.Thread(target=watch, args=(begun + moment,), daemon=True).start()
    table = Table(list(waiting), opened)
    screen = Quiet(ended)
    screen.skipped = lambda station, record: ended(record)  # type: ignore[method-assign]
    with Ledger(folder / "ledger.sqlite") as ledger:
        Loop(desk_in(folder, ledger), table.stations(adapters), screen).run()
    os._exit(0)


def _write_done(folder: Path, number: int) -> None:
    with (folder / DONE).open("a") as file:
        file.write(f"{number}\n")


def main() -> int:
    """Run what was asked for; 1 when anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--boards", type=int, default=60)
    parser.add_argument("--faulty", type=int, default=6)
    parser.add_argument("--adapters", type=int, default=4)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--longest", type=float, default=7.0, help="processor seconds to a cut, at most"
    )
    options = parser.parse_args()
    # A board that is unplugged in mid-write is what each power cut does to it anyway.
    faults = [each for each in FAULTS if not (options.kills and each == "unplugged")]
    boards = batch(options.boards, options.faulty, faults)
    with tempfile.TemporaryDirectory(prefix="cloning-") as name:
        folder = Path(name)
        if options.kills:
            wrong, made, resumed = survive_kills(
                folder, boards, options.adapters, options.kills, options.seed, options.longest
            )
            print(
                f"{options.boards} boards ({options.faulty} faulty), {options.adapters} adapters, "
                f"{made} power cuts: {resumed} boards taken up again; wrong: {len(wrong)}"
            )
        else:
            wrong, records, simulated, processor = run_batch(folder, boards, options.adapters)
            alone = sum(record.seconds["all"] for record in records)
            _print(records, options.adapters, simulated, alone, processor, wrong)
    for line in wrong:
        print("WRONG:", line)
    return 1 if wrong else 0


def _print(
    records: list[BoardRecord],
    adapters: int,
    simulated: float,
    alone: float,
    processor: float,
    wrong: list[str],
) -> None:
    good = [record for record in records if record.good]
    print(f"boards                          {len(records):8d}")
    print(f"good                            {len(good):8d}")
    for kind in sorted({record.kind for record in records if not record.good}):
        count = sum(record.kind == kind for record in records)
        print(f"failed: {kind:<24}{count:8d}")
    print(f"one adapter, simulated          {alone:8.1f} s")
    print(f"{adapters} adapters, simulated           {simulated:8.1f} s")
    print(f"throughput                      {alone / simulated:8.2f} times")
    mean = sum(record.seconds["all"] for record in good) / max(1, len(good))
    print(f"a good board, simulated         {mean:8.1f} s")
    print(f"processor time a board          {processor / max(1, len(records)):8.2f} s")
    print(f"wrong                           {len(wrong):8d}")


if __name__ == "__main__":
    sys.exit(main())
