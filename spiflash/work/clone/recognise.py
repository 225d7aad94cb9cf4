"""Telling which board is on the clip when its chip has no unique ID.

A board in hand was backed up before its work was cut. What is on the clip is that board when it
holds what the backup holds, wherever the work had not begun: outside its journal's ranges. A
board that was cut before its journal was begun still holds its backup; one that was cut after
its journal was dropped holds what it was to get.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.backupset import open_set
from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.ledger import InHand
from spiflash.archive.shelf import Shelf
from spiflash.errors import BackupSetError, ShelfError
from spiflash.nor.geometry import SECTOR
from spiflash.work.clone.failing import BoardError
from spiflash.work.reading import Reading, disagreements


@dataclass(frozen=True, slots=True)
class Recognised:
    """A board in hand, what it came with, and the journal of its cut work, if there is one."""

    board: InHand
    own: bytes
    journal: Journal | None


def with_id(board: InHand, shelf: Shelf) -> Recognised:
    """A board in hand whose chip has a unique ID. Raises `BoardError` without its backup."""
    found = open_journals(shelf.journals).of_chip(board.jedec_id, board.unique_id)
    return Recognised(board, backup_of(board), found[0] if found else None)


def without_id(
    boards: Sequence[InHand],
    reading: Reading,
    shelf: Shelf,
    target_of: Callable[[InHand, bytes], bytes | None],
) -> Recognised | None:
    """The board of `boards` that was read; None when it is none of them. `target_of` says
    what a board was to get. Raises `BoardError` when a backup is gone."""
    if not boards:
        return None
    journals = open_journals(shelf.journals).of_chip(boards[0].jedec_id, None)
    for board in boards:
        own = backup_of(board)
        for journal in journals:
            inside = _sectors(journal)
            if _holds(own, journal) and _alike(own, reading, inside):
                return Recognised(board, own, journal)
        if _alike(own, reading, frozenset()):
            return Recognised(board, own, None)
        target = target_of(board, own)
        if target is not None and _alike(target, reading, frozenset()):
            return Recognised(board, own, None)
    return None


def backup_of(board: InHand) -> bytes:
    """What the board came with. Raises `BoardError` when that is not to be had."""
    try:
        found = open_set(Path(board.backup))
        if found.record.sha256 == board.before_sha256:
            return found.contents()
        reason = "it holds something else"
    except (BackupSetError, ShelfError) as exc:
        reason = exc.cause
    raise BoardError(
        "own",
        f"This board was begun at bench {board.bench}, and its backup set {board.backup} cannot be "
        f"used ({reason.rstrip('.')}).",
    )


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


def _alike(own: bytes, reading: Reading, besides: frozenset[int]) -> bool:
    wrong = {*disagreements([own, reading.contents]), *reading.unstable}
    return wrong <= besides
