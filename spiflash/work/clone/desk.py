"""What all workers share: the job, the ledger, the shelf, and which boards are being worked on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger_record import BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.nor.tables import ChipTable
from spiflash.work.clone.failing import BoardError
from spiflash.work.clone.job import Job
from spiflash.work.progress import Watcher


@dataclass(frozen=True, slots=True)
class Desk:
    """`bench` is the name of this computer in the ledger; `again` is asked whether a finished
    board is to be done once more; `unprotect` lets block protection be lifted."""

    job: Job
    ledger: Ledger
    shelf: Shelf
    table: ChipTable
    bench: str
    again: Callable[[BoardRecord], bool]
    part: str | None = None
    ceiling: float | None = None
    unprotect: bool = False

    @contextmanager
    def working_on(self, key: str) -> Iterator[None]:
        """Nobody else works on the board with this key meanwhile. Raises `BoardError`."""
        release = self.ledger.claim(key)
        if release is None:
            raise BoardError("other", "This board is being worked on at another adapter.")
        try:
            yield
        finally:
            release()

    def idle(self, key: str) -> bool:
        """Whether nobody is working on the board with this key, at whatever bench."""
        release = self.ledger.claim(key)
        if release is None:
            return False
        release()
        return True


@dataclass(frozen=True, slots=True)
class Seat:
    """One worker's place at the desk."""

    station: str
    watcher: Watcher
    tell: Callable[[str], None]
    """Shown one short line of what is being done."""
