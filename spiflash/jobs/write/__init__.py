"""Write an image to a chip, with everything that must be true before it.

Blank a chip or part of it, with the same safety as a restore.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.backupset import BackupSet, open_set
from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.shelf import Shelf
from spiflash.dump.audit import examine
from spiflash.dump.found_again import strangers
from spiflash.errors import (
    ChipMismatchError,
    ImageError,
    NoBackupError,
    ShelfError,
    UnfinishedWorkError,
    UsageError,
)
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image, overlay
from spiflash.jobs.write.before import Before, Witness, read_before, sets_of
from spiflash.jobs.write.interrupted import (
    read_twice,
    refuse_stranger,
    refuse_withdrawn,
    replayed,
    settle_outside,
)
from spiflash.jobs.write.proof import Verify
from spiflash.jobs.write.readiness import refuse_unknown, register_differences
from spiflash.jobs.write.rewrite import (
    Rewritten,
    Work,
    plan_resumed,
    plan_work,
    rewrite,
    whole_sectors,
)
from spiflash.nor.chip import ChipIdentity
from spiflash.text import counted

MOST_SETS = 8
"""Sets of one board that are looked through, from the newest on."""

SAFE = "Nothing has been erased or written."


@dataclass(frozen=True, slots=True)
class Leave:
    """What a person allowed.

    `without_backup` writes although no verified backup of this very chip is known; `backup`
    names a set that is this board's, for chips that have no unique ID to prove it; `unprotect`
    lifts the chip's block protection for the time of the work. `in_advance` agrees to the change
    before it is planned: nobody is asked, so that no time passes between reading and writing.
    """

    without_backup: bool = False
    backup: Path | None = None
    unprotect: bool = False
    in_advance: bool = False


def backup_of_this_chip(
    connection: Connection, shelf: Shelf, leave: Leave, current: bytes
) -> BackupSet | None:
    """A verified set of this very chip; None when the person waived it.

    A chip with a unique ID is known by it. One without is known when a set's contents are
    `current`, what it holds now or held whole before a work that was cut short; or when the
    person names the set. Raises `NoBackupError`.
    """
    if leave.backup is not None:
        return _named(leave.backup, connection)
    for candidate in sets_of(connection, shelf, [current]):
        if candidate.record.verified:
            return candidate
    if leave.without_backup:
        return None
    raise NoBackupError(
        f"No verified backup of this very chip is on the shelf ({shelf.root}).",
        state=SAFE,
        remedy="Run 'spiflash backup' first. If its backup is kept elsewhere, name it with "
        "--backup; --without-backup writes all the same, and then there is no way back.",
    )


def refuse_strangers(connection: Connection, shelf: Shelf, leave: Leave, work: Work) -> None:
    """Raise `ImageError` when the work would bring another board's address or serial number to
    a board that has its own, on the chip or in a set."""
    if not work.plan.steps:
        return
    named = _named(leave.backup, connection) if leave.backup is not None else None
    sets = sets_of(connection, shelf, [work.old.contents], named)[:MOST_SETS]
    found = strangers(
        examine(work.old.contents, "the chip", signs=False),
        examine(work.target, "the image", signs=False),
        [each.contents() for each in sets if each.record.verified],
    )
    if found:
        shown = ", ".join(dict.fromkeys(each.text for each in found[:6]))
        raise ImageError(
            f"It states another board's {shown}.",
            state=SAFE,
            remedy="Use 'spiflash convert' or 'spiflash triage --image', which keep this board's "
            "own; or give --other-board when this is meant.",
        )


def _named(path: Path, connection: Connection) -> BackupSet:
    found = open_set(path)
    record = found.record
    kept = ChipIdentity.from_hex(record.chip.jedec_id, record.chip.unique_id, record.size)
    same = connection.identity.may_stand_as(kept)
    if same and record.verified:
        return found
    why = "is of another chip" if not same else "is not verified"
    raise NoBackupError(
        f"The backup set {path} {why}.",
        state=SAFE,
        remedy="Name a verified set of this very board, or take one with 'spiflash backup'.",
    )


@dataclass(frozen=True, slots=True)
class Cut:
    """A work on this very chip that was cut short, and what the chip holds now."""

    journal: Journal
    found: Before


def cut_work(
    connection: Connection,
    shelf: Shelf,
    watcher: Watcher,
    *,
    needed: bool,
) -> Cut | None:
    """The work on this chip that was cut short, known by its contents; None when there is none.

    Journals that another program works with are another chip's. With `needed`, journals of
    chips of this kind of which none is this one's raise `ChipMismatchError`; without, that is
    said. Raises `UnfinishedWorkError` for a damaged journal that may be this chip's, and
    `ShelfError` when two journals fit.
    """
    identity = connection.identity
    chip = identity.jedec_id.hex(), identity.unique_hex
    found = open_journals(shelf.journals)
    for path, error in found.corrupt_of_chip(*chip):
        raise UnfinishedWorkError(
            f"A work on a chip like this one was cut short, and its journal is damaged: "
            f"{error.cause}",
            state=f"{SAFE} This chip may be half written.",
            remedy=f"Move {path} away from the shelf and keep it; then write the board's backup "
            "set, the whole of it, with 'spiflash restore'.",
        )
    journals = [each for each in found.of_chip(*chip) if not each.in_use]
    if not journals:
        return None
    before = read_twice(connection, journals, watcher)
    fitting: list[Journal] = []
    strange: list[ChipMismatchError] = []
    for journal in journals:
        try:
            refuse_stranger(connection, journal, before)
        except ChipMismatchError as exc:
            strange.append(exc)
        else:
            fitting.append(journal)
    if len(fitting) > 1:
        paths = "\n  ".join(str(journal.path) for journal in fitting)
        raise ShelfError(
            f"{len(fitting)} restores of chips of this kind were cut short, and what this chip "
            f"holds fits each of them:\n  {paths}",
            state=SAFE,
            remedy="Move the journals of the other boards away from the shelf, then repeat.",
        )
    if fitting:
        return Cut(fitting[0], before)
    if needed:
        raise strange[0]
    watcher.say(
        f"{counted(len(journals), 'restore')} of another board with such a chip was cut short; "
        f"its journal waits for it: {journals[0].path}"
    )
    return None


def restore(
    connection: Connection,
    shelf: Shelf,
    image: Image | None,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    leave: Leave | None = None,
    at: int = 0,
    passes: int = 2,
    verify: Verify = Verify.CHANGED,
    undo: bool = False,
    again: Sequence[tuple[int, int]] = (),
) -> Rewritten:
    """Write `image` at address `at`; None finishes the restore that was cut short, or with
    `undo` writes back what the chip held before it. An undo that is cut short as well can be
    finished in either direction.

    Only what differs is erased and programmed, and the (start, end) ranges `again` are erased
    whatever they read; everything outside the image stays. Raises the refusals described in
    `errors`, all before anything is changed.
    """
    refuse_unknown(connection)
    leave = leave or Leave()
    if image is not None:
        _fits(connection, image, at)
    cut = cut_work(connection, shelf, watcher, needed=image is None)
    if cut is not None:
        refuse_withdrawn(cut.journal, undo=undo)
        _same_request(cut.journal, image, at, again)
        with cut.journal.held():
            return _resume(
                connection,
                shelf,
                cut,
                watcher,
                agree=agree,
                leave=leave,
                passes=passes,
                verify=verify,
                undo=undo,
            )
    if image is None:
        raise _nothing_to_resume()
    for line in register_differences(connection, image):
        watcher.say(line)
    old = read_before(connection, witnesses(connection, shelf, leave, image, at), passes, watcher)
    work = plan_work(connection, old, overlay(old.contents, image, at), _asked(image, at), again)
    # A work that ended just before a cut has nothing left to lose.
    backup = (
        backup_of_this_chip(connection, shelf, leave, old.contents) if work.plan.steps else None
    )
    return rewrite(
        connection,
        shelf,
        work,
        image.name,
        image.sha256,
        watcher,
        agree=agree,
        passes=passes,
        verify=verify,
        unprotect=leave.unprotect,
        in_advance=leave.in_advance,
        backup=backup,
        at=at,
        parts=image.parts,
    )


def witnesses(
    connection: Connection, shelf: Shelf, leave: Leave, image: Image, at: int
) -> list[Witness]:
    """What is known of this chip's contents without reading it: the image, which large parts of
    the chip often hold already, and a verified backup of this very chip.

    Raises `NoBackupError` for a backup set that was named and is not this chip's.
    """
    found = [Witness(at, image.contents)]
    identity = connection.identity
    backup = None
    if leave.backup is not None:
        backup = _named(leave.backup, connection)
    elif identity.unique_hex is not None:
        backup = shelf.verified_backup_of(
            identity.jedec_id.hex(), identity.unique_hex, identity.size
        )
    if backup is not None:
        found.append(Witness(0, backup.contents()))
    return found


def preview(
    connection: Connection,
    shelf: Shelf,
    image: Image | None,
    watcher: Watcher,
    *,
    leave: Leave | None = None,
    at: int = 0,
    undo: bool = False,
    again: Sequence[tuple[int, int]] = (),
) -> Work:
    """What `restore` would do, after reading the chip; nothing is changed or asked."""
    if image is not None:
        _fits(connection, image, at)
    cut = cut_work(connection, shelf, watcher, needed=image is None)
    if cut is not None:
        refuse_withdrawn(cut.journal, undo=undo)
        _same_request(cut.journal, image, at, again)
        target = replayed(cut.journal, cut.found, undo=undo)
        return plan_resumed(connection, cut.found, target, cut.journal)
    if image is None:
        raise _nothing_to_resume()
    known = witnesses(connection, shelf, leave or Leave(), image, at)
    old = read_before(connection, known, 2, watcher)
    return plan_work(connection, old, overlay(old.contents, image, at), _asked(image, at), again)


def _asked(image: Image, at: int) -> list[tuple[int, int]]:
    """Where on the chip the image is to be, or the parts of it that are."""
    parts = image.parts or ((0, len(image.contents)),)
    return [(at + low, at + high) for low, high in parts]


def _nothing_to_resume() -> ImageError:
    return ImageError(
        "No restore of this chip was cut short: there is nothing to resume.",
        state=SAFE,
        remedy="Name the image or the backup set to write.",
    )


def _resume(
    connection: Connection,
    shelf: Shelf,
    cut: Cut,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    leave: Leave,
    passes: int,
    verify: Verify,
    undo: bool,
) -> Rewritten:
    journal, old = cut.journal, cut.found
    backup = _backup_of_cut(connection, shelf, leave, journal, old)
    what = "undoing" if undo else "finishing"
    watcher.say(f"{what} the restore of {journal.state.image_name} that was cut short")
    settle_outside(connection, journal, old, watcher)
    work = plan_resumed(connection, old, replayed(journal, old, undo=undo), journal)
    return rewrite(
        connection,
        shelf,
        work,
        journal.state.image_name,
        journal.state.image_sha256,
        watcher,
        agree=agree,
        passes=passes,
        verify=verify,
        journal=journal,
        unprotect=leave.unprotect,
        in_advance=leave.in_advance,
        backup=backup,
    )


def _backup_of_cut(
    connection: Connection, shelf: Shelf, leave: Leave, journal: Journal, old: Before
) -> BackupSet | None:
    """The backup that a resume needs like any write. What the chip held whole before the cut work
    counts wherever a set has it: the journal is a second reading of it."""
    whole = journal.whole()
    if whole is None:
        return backup_of_this_chip(connection, shelf, leave, old.contents)
    for candidate in sets_of(connection, shelf, [whole]):
        if candidate.contents() == whole:
            return candidate
    return backup_of_this_chip(connection, shelf, leave, whole)


def _fits(connection: Connection, image: Image, at: int) -> None:
    """Raise before the long reading what would be raised after it."""
    overlay(bytes(connection.chip.size), image, at)


def _same_request(
    journal: Journal, image: Image | None, at: int, again: Sequence[tuple[int, int]]
) -> None:
    """Raise `UnfinishedWorkError` unless `image` at `at` is what the interrupted work was to write,
    and `again` what it was to erase: finishing that would not be what was asked for."""
    state = journal.state
    if image is None:
        return
    parts = state.parts if state.parts is None else tuple((r.start, r.end) for r in state.parts)
    erased = tuple((r.start, r.end) for r in state.again)
    asked = (image.sha256, at, image.parts, whole_sectors((*again, *erased)))
    if asked == (state.image_sha256, state.at, parts, erased):
        return
    raise UnfinishedWorkError(
        f"A restore of {state.image_name} to this chip was cut short on "
        f"{state.begun:%Y-%m-%d %H:%M}, and this is another request: another file, address or "
        "region. Parts of the chip are half written.",
        state=f"{SAFE} What was asked for now has not been done. What the chip held is in "
        f"{journal.path}.",
        remedy="Run 'spiflash restore --resume' to finish the first one, or --undo to take it "
        "back; then repeat this.",
    )


def erase(
    connection: Connection,
    shelf: Shelf,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    leave: Leave | None = None,
    at: int = 0,
    length: int | None = None,
    passes: int = 2,
    verify: Verify = Verify.CHANGED,
) -> Rewritten:
    """Make `length` bytes from `at` on (to the end when None) FFh; neighbours that share an
    erase block are kept. Raises as `restore` does, `UsageError` for a range off the chip."""
    size = connection.chip.size
    end = size if length is None else at + length
    if not 0 <= at < end <= size:
        raise UsageError(
            f"The range {at:#x}–{end:#x} does not lie on a chip of {size} bytes.",
            state=SAFE,
            remedy="Give --at and --length within the chip.",
        )
    blank = Image(f"blank {at:#x}–{end - 1:#x}", b"\xff" * (end - at))
    return restore(
        connection,
        shelf,
        blank,
        watcher,
        agree=agree,
        leave=leave,
        at=at,
        passes=passes,
        verify=verify,
    )
