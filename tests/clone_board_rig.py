"""A bench on which boards are cloned one after the other, for the tests of the runner."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from clone_rig import ENV, Board, Quiet, Table, write_job

from hwmocks.bench import Bench
from hwmocks.nor.chip import NorChip
from spiflash.archive.ledger import BoardRecord, Ledger
from spiflash.archive.shelf import Shelf
from spiflash.dump.uboot_env import read_environment
from spiflash.jobs.clone.context import Context
from spiflash.jobs.clone.job import Job
from spiflash.jobs.clone.job_file import load_job
from spiflash.jobs.clone.runner import Cloned, Runner
from spiflash.nor.tables import chip_table


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

        context = Context(
            job or self.job, self.ledger, Shelf(self.folder / "shelf"), chip_table(), "b", again
        )
        screen = Quiet()
        screen.status = lambda station, text: tell(text)  # type: ignore[method-assign]
        return Runner(context, Table(list(boards), self.open).stations(1), screen).run()

    def own(self, number: int) -> str:
        """The MAC address that the board's environment has."""
        environment = bytes(self.chips[number].contents[slice(*ENV)])
        return read_environment(environment).by_name[b"ethaddr"].decode()


def finished_row(**more: object) -> BoardRecord:
    """A good row of some board; its key says which chip, unless that is given."""
    jedec, _, unique = str(more["key"]).partition("-")
    more = {"jedec_id": jedec, "unique_id": "" if "contents" in unique else unique} | more
    plain = dict.fromkeys(("job", "job_sha256", "image_sha256", "bench", "station"), "x")
    plain |= dict.fromkeys(("adapter", "part", "jedec_id", "unique_id", "label"), "x")
    day = {"begun": "2026-05-01T10:00:00+00:00", "ended": "2026-05-01T10:00:40+00:00"}
    return BoardRecord(**{**plain, **day, "result": "PASS", **more})  # type: ignore[arg-type]
