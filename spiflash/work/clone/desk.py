"""What all workers share: the job, the ledger, the shelf; and what each has to itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger_claims import Release
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
    def hold(self) -> Iterator[Hold]:
        """What a worker claims, until its board's row is written."""
        hold = Hold(self.ledger)
        try:
            yield hold
        finally:
            hold.release()


class Hold:
    """The board that one worker has, which nobody else works on meanwhile, at whatever bench.

    It lasts until the row is written: before that, a board that looks the same could be taken
    for this one, and get its values.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._held: dict[str, Release] = {}

    def take(self, key: str) -> None:
        """Claim the board with this key, unless it is ours. Raises `BoardError`."""
        if not self.taken(key):
            raise BoardError("other", "This board is being worked on at another adapter.")

    def taken(self, key: str) -> bool:
        """Claim the board with this key, unless it is ours; False when somebody has it."""
        if key not in self._held:
            release = self._ledger.claim(key)
            if release is None:
                return False
            self._held[key] = release
        return True

    def free(self, key: str) -> bool:
        """Whether the board with this key is ours, or nobody's."""
        if key in self._held:
            return True
        release = self._ledger.claim(key)
        if release is not None:
            release()
        return release is not None

    def release(self) -> None:
        """Let go of what is claimed."""
        while self._held:
            self._held.popitem()[1]()


@dataclass(frozen=True, slots=True)
class Seat:
    """One worker's place at the desk."""

    station: str
    watcher: Watcher
    tell: Callable[[str], None]
    """Shown one short line of what is being done."""
