"""A batch that is killed at random moments and goes on: half of the kills are power cuts, which
leave each chip as lost power leaves it, half are SIGKILL from outside, with the boards' folders
following at every USB transfer. Run by `cloning.py --kills`.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sys
import threading
import time
from dataclasses import dataclass
from multiprocessing.context import ForkProcess
from pathlib import Path

from hwmocks import store
from hwmocks.bench import Bench
from hwmocks.nor.chip import NorChip
from hwmocks.through import WriteThrough
from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.jobs.clone.runner import Runner
from tests.clone_rig.heron import (
    Board,
    Quiet,
    Table,
    context_in,
    kept_board,
    write_job,
)
from tests.clone_rig.judge import batch_complaints, board_number, judge

DONE = "done.txt"
POWER_CUT = 9
"""Exit status of a process that plays a power cut."""

TICKS = os.sysconf("SC_CLK_TCK")


@dataclass
class Survived:
    """What is wrong; kills of both kinds that fell into the batch; boards taken up again; and
    boards that were on a clip when a kill came."""

    wrong: list[str]
    power_cuts: int = 0
    sigkills: int = 0
    resumed: int = 0
    hit: int = 0

    @property
    def kills(self) -> int:
        """All of them."""
        return self.power_cuts + self.sigkills


@dataclass(frozen=True)
class Part:
    """What one process is to do: the boards that wait, and after how many seconds of processor
    time its power fails (None: it does not)."""

    folder: Path
    waiting: list[Board]
    adapters: int
    power_fails: float | None
    through: bool


def survive_kills(
    folder: Path, boards: list[Board], adapters: int, kills: int, seed: int, longest: float
) -> Survived:
    """The batch with `kills` kills, each up to `longest` seconds of processor time after the
    start. A batch that ends before all kills have come is wrong too."""
    write_job(folder, len(boards))
    for board in boards:
        kept_board(board, folder / "boards" / str(board.number))
    (folder / DONE).touch()
    rng = random.Random(seed)
    result = Survived([])
    while True:
        ended = {int(line) for line in (folder / DONE).read_text().split()}
        waiting = [board for board in boards if board.number not in ended]
        if not waiting:
            break
        moment = rng.uniform(0.2, longest) if result.kills < kills else None
        outside = result.kills % 2 == 1
        status = _run(Part(folder, waiting, adapters, None if outside else moment, outside), moment)
        result.power_cuts += status == POWER_CUT
        result.sigkills += status == -signal.SIGKILL
        if status not in (0, POWER_CUT, -signal.SIGKILL):
            result.wrong.append(f"a part of the batch ended with {status}")
            return result
        print(f"  kill {result.kills}, {len(waiting)} boards were waiting", file=sys.stderr)
    if result.kills < kills:
        result.wrong.append(f"the batch ended after {result.kills} of {kills} kills")
    with Ledger(folder / "ledger.sqlite") as ledger:
        records = [row.record() for row in ledger.rows()]
        result.wrong += judge(boards, lambda board: _held(folder, board), records, folder)
        result.wrong += batch_complaints(ledger, records)
    result.resumed = sum(record.resumed for record in records)
    return result


def _held(folder: Path, board: Board) -> bytes:
    return (folder / "boards" / str(board.number) / store.CONTENTS).read_bytes()


def _run(part: Part, moment: float | None) -> int:
    """One process, killed from outside when it does not end itself; its exit status."""
    child = multiprocessing.get_context("fork").Process(target=_work, args=(part,))
    child.start()
    if part.through and moment is not None:
        while child.exitcode is None and _processor_time(child) < moment:
            time.sleep(0.005)
        child.kill()
    child.join()
    assert child.exitcode is not None
    return child.exitcode


def _processor_time(process: ForkProcess) -> float:
    """Seconds, from proc(5): utime and stime, the 14th and 15th field."""
    try:
        stat = Path(f"/proc/{process.pid}/stat").read_text()
    except OSError:
        return 0.0
    fields = stat.rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def _work(part: Part) -> None:
    cut = threading.Event()
    on_clip: dict[int, tuple[NorChip, Bench, Path]] = {}

    def held(number: int) -> None:
        if cut.is_set():
            threading.Event().wait()

    def opened(board: Board) -> Bench:
        home = part.folder / "boards" / str(board.number)
        chip = store.load(home)
        follow = WriteThrough(chip, home).hook(held) if part.through else held
        bench = board.bench(chip, folder=home, on_transfer=follow)
        on_clip[board.number] = (chip, bench, home)
        return bench

    def power_fails() -> None:
        cut.set()
        for chip, bench, home in list(on_clip.values()):
            if chip.powered:
                chip.power(False, bench.clock.now())
                store.save(chip, home)
        os._exit(POWER_CUT)

    def watch(moment: float) -> None:
        while time.process_time() < moment:
            time.sleep(0.002)
        power_fails()

    def ended(record: BoardRecord) -> None:
        with (part.folder / DONE).open("a") as file:
            file.write(f"{board_number(record)}\n")

    if part.power_fails is not None:
        moment = time.process_time() + part.power_fails
        threading.Thread(target=watch, args=(moment,), daemon=True).start()
    screen = Quiet(ended)
    screen.skipped = lambda station, record: ended(record)  # type: ignore[method-assign]
    with Ledger(part.folder / "ledger.sqlite") as ledger:
        stations = Table(list(part.waiting), opened).stations(part.adapters)
        done = Runner(context_in(part.folder, ledger), stations, screen).run()
    os._exit(1 if done.errors else 0)
