"""What all workers share: the job, the ledger, the shelf; and what each has to itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spiflash.archive.ledger import BoardRecord, Claim, Held, Ledger
from spiflash.archive.shelf import Shelf
from spiflash.jobs import Watcher
from spiflash.jobs.backup import SetPage
from spiflash.jobs.clone.job import BoardError, Job
from spiflash.nor.chip import Chip
from spiflash.nor.tables import ChipTable


def nobody_knows(station: str, name: str, backup: str) -> bool:
    """The answer of a bench at which nobody can be asked."""
    return False


@dataclass(frozen=True, slots=True)
class Desk:
    """`bench` is the name of this computer in the ledger; `again` is asked at a station whether a
    finished board is to be done once more, `same` whether a board is the very one that it looks
    like, given its name and its backup; `cautions` says what must be heard about a chip's supply,
    `page` makes the page of a set; `unprotect` lets block protection be lifted."""

    job: Job
    ledger: Ledger
    shelf: Shelf
    table: ChipTable
    bench: str
    again: Callable[[str, BoardRecord], bool]
    same: Callable[[str, str, str], bool] = nobody_knows
    cautions: Callable[[Chip], Sequence[str]] = lambda _chip: ()
    page: SetPage | None = None
    part: str | None = None
    ceiling: float | None = None
    unprotect: bool = False


@dataclass(frozen=True, slots=True)
class Seat:
    """One worker's place at the desk."""

    station: str
    watcher: Watcher
    tell: Callable[[str], None]
    """Shown one short line of what is being done."""


class Hold:
    """The board that one worker has, which nobody else works on meanwhile, at whatever bench.

    It lasts until the row is written: before that, a board that looks the same could be taken
    for this one, and get its values.
    """

    def __init__(self, ledger: Ledger, bench: str) -> None:
        self._ledger = ledger
        self._bench = bench
        self._held: dict[str, Claim] = {}

    def take(self, key: str) -> None:
        """Claim the board with this key, unless it is ours. Raises `BoardError`."""
        other = self.taken_by(key)
        if other is not None:
            raise BoardError("other", in_other_hands(other))

    def taken_by(self, key: str) -> Held | None:
        """Claim the board with this key, unless it is ours; who has it."""
        if key not in self._held:
            found = self._ledger.claim(key, self._bench)
            if isinstance(found, Held):
                return found
            self._held[key] = found
        return None

    def other_holder(self, key: str) -> Held | None:
        """Who else has the board with this key."""
        return None if key in self._held else self._ledger.claims.holder(key)

    def check(self) -> None:
        """See that what is claimed is ours still. Raises `ClaimLostError`, `LedgerError`."""
        for claim in self._held.values():
            claim.check()

    def release(self) -> None:
        """Let go of what is claimed."""
        while self._held:
            self._held.popitem()[1].release()


def in_other_hands(held: Held) -> str:
    """Why a board is left alone that somebody has."""
    return (
        f"This board, or one that answers and looks alike, is being worked on at bench "
        f"{held.bench}. Put it on again when that is done; a bench that has crashed lets go of "
        f"it in {held.seconds:.0f} s."
    )
