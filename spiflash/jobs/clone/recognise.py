"""Telling which board is on the clip: a new one, one in hand, or one that is finished.

A chip's unique ID is a hint: half of all chips have none, and copies share one. So what was read
is compared with what ledger, backup set and journal say of each board whose chip answers alike. A
board in hand was backed up before it was written to. It holds

* what its backup holds, when nothing has been written yet;
* what it was to get, when it was interrupted between the last write and its row; the job may have
  been changed since, so the values that were drawn for it and stand on it are enough;
* outside its journal's ranges what it held before the interrupted work, and inside them, page by
  page, old contents, new contents, nothing, or something between: an interrupted erase has only
  set bits, all over its sector; an interrupted program has only cleared bits that are to be clear.

Where two boards can look like that, nobody guesses: a person says which it is, or it is left alone.
"""

from __future__ import annotations

import enum
import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from spiflash.archive.backupset import BackupSet, open_set
from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.ledger import InHand
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.ledger.values import TEXT, Identity
from spiflash.archive.shelf import Shelf
from spiflash.errors import BackupSetError, ShelfError
from spiflash.jobs.clone import BoardError
from spiflash.jobs.clone.target import PAGE
from spiflash.jobs.reading import Reading
from spiflash.nor.chip import ChipIdentity
from spiflash.spans import SECTOR, differing, joined, sectors_in

Targets = Callable[[InHand, bytes], Sequence[bytes]]
"""What a board that came with these contents was to get; several when that is not certain."""


class Likeness(enum.Enum):
    """How a board looks that may be one in hand."""

    FRESH = "it holds what that board came with"
    DONE = "it holds what that board was to get"
    BEGUN = "it is partly written"
    CARRIES = "it has a value that was given to that board"
    NEARLY = "it is partly written, with sectors that hold neither old nor new contents"


@dataclass(frozen=True, slots=True)
class Recognised:
    """A board in hand, what it came with, the shelf that holds its backup and its journals, the
    journal of its interrupted work, if there is one, and how the board looks."""

    board: InHand
    own: bytes
    shelf: Shelf
    journal: Journal | None
    looks: Likeness


@dataclass(frozen=True, slots=True)
class Recognition:
    """Which boards in hand it may be, the likeliest first; which finished one it is, and whether
    that looks as it came, without its values: it was put back, or this is a twin; and boards of
    other benches that it could not be compared with, since their backups are out of reach here."""

    candidates: tuple[Recognised, ...]
    finished: BoardRecord | None
    unseen: tuple[InHand, ...]
    as_it_came: bool = False


def recognise(
    boards: Sequence[InHand],
    finished: Sequence[BoardRecord],
    reading: Reading,
    shelf: Shelf,
    bench: str,
    targets: Targets,
    keeps: Callable[[str], bool | None],
    given: Callable[[str], Sequence[Identity]],
) -> Recognition:
    """Compare the board that was read with `boards` in hand and with `finished` ones; `keeps` says
    by its key whether it keeps what one of them keeps (None: nothing is known),
    `given` which values may stand on a board in hand, by its key.

    Raises `BoardError` when a backup that this bench made is gone: that very board, half written,
    would be taken for a new one.
    """
    unseen: list[InHand] = []
    found: list[Recognised] = []
    for board in boards:
        try:
            kept = backup_of(board, shelf)
        except BoardError:
            if board.bench == bench or board.unique_id:
                raise
            unseen.append(board)
            continue
        known = _compared(board, kept, reading, targets)
        if known is None and board.written:
            looks = _by_its_values(given(board.key), keeps(board.key), reading)
            if looks is not None:
                # Another job was to make it, or this one before its file was changed: what it came
                # with is in its set, and all of it is made anew.
                known = Recognised(board, kept.contents(), Shelf(kept.path.parent), None, looks)
        if known is not None:
            found.append(known)
    order = list(Likeness)
    found.sort(key=lambda each: order.index(each.looks))
    done, as_it_came = _finished(finished, reading, keeps)
    if done is not None:
        # A finished board differs from one in hand by little more than its values; one that holds
        # just what it left with is not partly written at all.
        unlike = [Likeness.CARRIES, Likeness.NEARLY]
        if done.after_sha256 == hashlib.sha256(reading.contents).hexdigest():
            unlike += [Likeness.BEGUN]
        found = [each for each in found if each.looks not in unlike]
    return Recognition(tuple(found), done, tuple(unseen), as_it_came)


def _finished(
    records: Sequence[BoardRecord], reading: Reading, keeps: Callable[[str], bool | None]
) -> tuple[BoardRecord | None, bool]:
    """The finished board that was read, and whether it looks as it came: as it left, or changed
    since but with its values and what it keeps; else without its values."""
    digest = hashlib.sha256(reading.contents).hexdigest()
    for record in records:
        if record.after_sha256 == digest:
            return record, False
    came = None
    for record in records:
        kept = keeps(record.key)
        own = [Identity.of(TEXT, text) for text in record.values.values()]
        if record.before_sha256 == digest:
            came = came or record
        elif kept is False:
            continue
        elif own and all(each.stands_in(reading.contents) for each in own):
            return record, False
        elif not own and (kept or record.unique_id):
            # Where nothing else tells boards apart the ID has to: whether it is done is asked.
            return record, False
        elif kept:
            came = came or record
    return came, True


def _by_its_values(
    given: Sequence[Identity], keeps: bool | None, reading: Reading
) -> Likeness | None:
    """How a board looks on which values stand that were given to this one, and so to no other. One
    that nobody has seen yet may have come with such a value: what they keep tells them apart."""
    if keeps is False or not any(each.stands_in(reading.contents) for each in given):
        return None
    return Likeness.DONE if keeps else Likeness.CARRIES


def _compared(
    board: InHand, kept: BackupSet, reading: Reading, targets: Targets
) -> Recognised | None:
    own, shelf = kept.contents(), Shelf(kept.path.parent)
    goals = list(targets(board, own))

    def known(looks: Likeness, journal: Journal | None = None) -> Recognised:
        return Recognised(board, own, shelf, journal, looks)

    journals = list(_journals(board, (own, *goals), shelf))
    if _same(own, reading):
        return known(Likeness.FRESH, journals[0][0] if journals else None)
    for goal in goals:
        if _same(goal, reading):
            return known(Likeness.DONE, journals[0][0] if journals else None)
    nearly = None
    for journal, base in journals:
        looks = _on_the_way(journal, base, reading)
        if looks is Likeness.BEGUN:
            return known(looks, journal)
        nearly = nearly or (known(looks, journal) if looks else None)
    return nearly


def _journals(
    board: InHand, bases: Sequence[bytes], shelf: Shelf
) -> Iterator[tuple[Journal, bytes]]:
    """The journals of interrupted work on this board, each with what the whole board held before
    it: one of `bases`."""
    for journal in journals_of(board.jedec_id, board.unique_id, shelf):
        for base in bases:
            if len(base) == journal.state.size and joined(base, journal.ranges) == journal.before():
                yield journal, base
                break


def interrupted_journals(board: InHand, shelf: Shelf, targets: Targets) -> tuple[Journal, ...]:
    """The journals of interrupted work on a board in hand; none when its backup is out of reach."""
    try:
        kept = backup_of(board, shelf)
    except BoardError:
        return ()
    own = kept.contents()
    bases = (own, *targets(board, own))
    return tuple(each for each, _ in _journals(board, bases, Shelf(kept.path.parent)))


def _on_the_way(journal: Journal, base: bytes, reading: Reading) -> Likeness | None:
    """How a board looks that held `base` when the journal's work began; None for another board."""
    sectors = set(sectors_in(journal.ranges))
    if {*differing(base, reading.contents), *reading.unstable} - sectors:
        return None
    held, before, after = (
        _pages(each)
        for each in (joined(reading.contents, journal.ranges), journal.before(), journal.after())
    )
    old, new = (held == before).all(axis=1), (held == after).all(axis=1)
    blank = (held == 0xFF).all(axis=1)
    erased, programmed = (((held & each) == each).all(axis=1) for each in (before, after))
    between = ~(old | new | blank)
    moved = bool(((before != after).any(axis=1) & (new | (blank & ~old))).any())
    starts = _sector_of_each_page(journal)
    strange: list[int] = []
    erasing = False
    for sector in dict.fromkeys(starts[between].tolist()):
        here = starts == sector
        if sector in reading.unstable:
            continue
        whole = not (here & (old | new) & ~blank).any()
        erasing = erasing or whole
        # An interrupted erase has changed all of its sector, a program one page.
        fits = (
            (erased | programmed)[here & between].all()
            if whole
            else (programmed[here & between].all() and (here & between).sum() == 1)
        )
        if not fits:
            strange.append(sector)
    if not strange:
        return Likeness.BEGUN if moved or erasing else Likeness.NEARLY
    # Cells of the block that was being erased may hold anything: 64 KiB is the largest.
    near = max(strange) - min(strange) < 64 << 10
    return Likeness.NEARLY if moved and near else None


def _pages(data: bytes) -> npt.NDArray[np.uint8]:
    return np.frombuffer(data.ljust(-(-len(data) // PAGE) * PAGE, b"\xff"), np.uint8).reshape(
        -1, PAGE
    )


def _sector_of_each_page(journal: Journal) -> npt.NDArray[np.int64]:
    every = [np.arange(low, high) for low, high in journal.ranges]
    return np.concatenate(every)[::PAGE] // SECTOR * SECTOR


def _same(contents: bytes, reading: Reading) -> bool:
    return not reading.unstable and contents == reading.contents


def backup_of(board: InHand, shelf: Shelf) -> BackupSet:
    """The backup set of a board in hand: where it was made, or under the same name on `shelf`,
    which another bench may have in another place. Raises `BoardError` when it is not available.
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
        reason = reason or "it holds other contents"
    raise BoardError("own", _gone(board, reason.rstrip(".")))


def _gone(board: InHand, reason: str) -> str:
    which = "This board" if board.unique_id else "A board like this one, perhaps this very one,"
    return (
        f"{which} was started at bench {board.bench}, and its backup set {board.backup} cannot be "
        f"read here ({reason}). Make it available here, or continue at that bench."
    )


def journals_of(jedec_id: str, unique_id: str, shelf: Shelf) -> tuple[Journal, ...]:
    """The journals of interrupted work on chips with these IDs."""
    # Journals are found whatever the size.
    identity = ChipIdentity.from_hex(jedec_id, unique_id or None, 0)
    return open_journals(shelf.journals).of_chip(identity)


def unseen_remark(unseen: Sequence[InHand]) -> str:
    """What a person should know of boards that could not be compared; empty for none."""
    if not unseen:
        return ""
    names = ", ".join(sorted({board.bench for board in unseen}))
    return (
        f"treated as a new board; it could not be compared with {len(unseen)} started at {names}, "
        "whose backups cannot be read here"
    )
