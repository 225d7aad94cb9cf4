"""Telling which board is on the clip, among those whose work was begun and did not end well.

A chip with a unique ID says so itself. One without is known by its contents: a board in hand was
backed up before its work was cut, and what is on the clip is that board when it holds what the
backup holds, wherever the work had not begun: outside its journal's ranges. A board that was
cut before its journal was begun still holds its backup; one that was cut after its journal was
dropped holds what it was to get.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.backupset import BackupSet, open_set
from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.ledger import InHand
from spiflash.archive.shelf import Shelf
from spiflash.errors import BackupSetError, ShelfError
from spiflash.nor.geometry import SECTOR
from spiflash.work.clone.failing import BoardError
from spiflash.work.reading import Reading, disagreements

Targets = Callable[[InHand, bytes], Sequence[bytes]]
"""What a board that came with these contents was to get; several when that is not certain."""


@dataclass(frozen=True, slots=True)
class Recognised:
    """A board in hand, what it came with, the shelf that holds its backup and its journals, and
    the journal of its cut work, if there is one."""

    board: InHand
    own: bytes
    shelf: Shelf
    journal: Journal | None


def with_id(board: InHand, shelf: Shelf) -> Recognised:
    """A board in hand whose chip has a unique ID. Raises `BoardError` without its backup."""
    kept = backup_of(board, shelf)
    where = Shelf(kept.path.parent)
    found = open_journals(where.journals).of_chip(board.jedec_id, board.unique_id)
    return Recognised(board, kept.contents(), where, found[0] if found else None)


@dataclass(frozen=True, slots=True)
class Looked:
    """Which board without unique ID was read, None for a new one; and boards of other benches
    that it could not be compared with, since their backups are out of reach here."""

    known: Recognised | None
    unseen: tuple[InHand, ...]


def without_id(
    boards: Sequence[InHand], reading: Reading, shelf: Shelf, bench: str, targets: Targets
) -> Looked:
    """Look for the board that was read among `boards`.

    Raises `BoardError` when a backup that this bench made is gone: that very board, half
    written, would be taken for a new one.
    """
    unseen: list[InHand] = []
    for board in boards:
        try:
            kept = backup_of(board, shelf)
        except BoardError:
            if board.bench == bench:
                raise
            unseen.append(board)
            continue
        known = _compared(board, kept, reading, targets)
        if known is not None:
            return Looked(known, tuple(unseen))
    return Looked(None, tuple(unseen))


def _compared(
    board: InHand, kept: BackupSet, reading: Reading, targets: Targets
) -> Recognised | None:
    own, shelf = kept.contents(), Shelf(kept.path.parent)
    for journal in journals_of(board.jedec_id, "", own, shelf):
        if _alike(own, reading, _sectors(journal)):
            return Recognised(board, own, shelf, journal)
    if any(_alike(each, reading) for each in (own, *targets(board, own))):
        return Recognised(board, own, shelf, None)
    return None


def backup_of(board: InHand, shelf: Shelf) -> BackupSet:
    """The backup set of a board in hand: where it was made, or under the same name on `shelf`,
    which another bench may have in another place. Raises `BoardError` when it is not to be had.
    """
    made = Path(board.backup)
    reason = ""
    for place in dict.fromkeys((made, shelf.root / made.name)):
        try:
            found = open_set(place)
        except (BackupSetError, ShelfError) as exc:
            reason = reason or exc.cause
            continue
        if found.record.sha256 == board.before_sha256:
            return found
        reason = reason or "it holds something else"
    raise BoardError("own", _gone(board, reason.rstrip(".")))


def _gone(board: InHand, reason: str) -> str:
    which = "This board" if board.unique_id else "A board like this one, perhaps this very one,"
    return (
        f"{which} was begun at bench {board.bench}, and its backup set {board.backup} is out of "
        f"reach ({reason}): make it available here, or go on at that bench."
    )


def journals_of(jedec_id: str, unique_id: str, own: bytes, shelf: Shelf) -> tuple[Journal, ...]:
    """The journals of cut work on this chip; without a unique ID, those that were begun on a
    chip of this kind that held `own`."""
    found = open_journals(shelf.journals).of_chip(jedec_id, unique_id or None)
    return found if unique_id else tuple(each for each in found if _holds(own, each))


def _sectors(journal: Journal) -> frozenset[int]:
    return frozenset(
        at
        for each in journal.state.ranges
        for at in range(each.start // SECTOR * SECTOR, each.start + each.length, SECTOR)
    )


def _holds(own: bytes, journal: Journal) -> bool:
    """Whether the journal was begun on a chip that held `own`."""
    wanted = b"".join(own[each.start : each.start + each.length] for each in journal.state.ranges)
    return journal.before() == wanted


def _alike(contents: bytes, reading: Reading, besides: frozenset[int] = frozenset()) -> bool:
    wrong = {*disagreements([contents, reading.contents]), *reading.unstable}
    return wrong <= besides


def unseen_remark(unseen: Sequence[InHand]) -> str:
    """What a person should know of boards that could not be compared; empty for none."""
    if not unseen:
        return ""
    names = ", ".join(sorted({board.bench for board in unseen}))
    return (
        f"taken for a new board; it could not be compared with {len(unseen)} begun at {names}, "
        "whose backups are out of reach here"
    )
