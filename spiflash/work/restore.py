"""Write an image to a chip, with everything that must be true before it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.backupset import BackupSet, open_set
from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import ChipUnknownError, ImageError, NoBackupError, ShelfError
from spiflash.work.connection import Connection
from spiflash.work.image import Image, overlay
from spiflash.work.progress import Watcher
from spiflash.work.register_check import register_differences
from spiflash.work.rewrite import (
    Rewritten,
    Work,
    plan_resumed,
    plan_work,
    rewrite,
)
from spiflash.work.rewrite_proof import Verify
from spiflash.work.rewrite_reading import Witness, read_before
from spiflash.work.rewrite_resume import read_cut, refuse_withdrawn, replayed

SAFE = "Nothing has been erased or written."


@dataclass(frozen=True, slots=True)
class Leave:
    """What a person allowed.

    `without_backup` writes although no verified backup of this very chip is known; `backup`
    names a set that is this board's, for chips that have no unique ID to prove it; `unprotect`
    lifts the chip's block protection for the time of the work.
    """

    without_backup: bool = False
    backup: Path | None = None
    unprotect: bool = False


def refuse_unknown(connection: Connection) -> None:
    """Raise `ChipUnknownError` for a chip that must not be written."""
    if connection.chip.write_doubt:
        raise ChipUnknownError(
            f"This chip may be read but not written: {connection.chip.write_doubt}.",
            state=SAFE,
            remedy="Name the part with --part once you have read its marking, or describe it in "
            "a table file with --chips.",
        )


def backup_of_this_chip(
    connection: Connection, shelf: Shelf, leave: Leave, current: bytes
) -> BackupSet | None:
    """A verified set of this very chip; None when the person waived it.

    A chip with a unique ID is recognised by it. One without is recognised when a set's
    contents are what the chip holds now, or when the person names the set. Raises
    `NoBackupError`.
    """
    chip = connection.chip
    unique = connection.unique_id.hex() if connection.unique_id else None
    if leave.backup is not None:
        return _named(leave.backup, connection)
    if unique is not None:
        found = shelf.verified_backup_of(chip.jedec_id.hex(), unique, chip.size)
        if found is not None:
            return found
    else:
        for candidate in shelf.backups_of(chip.jedec_id.hex(), None, chip.size).sets:
            if candidate.record.verified and candidate.contents() == current:
                return candidate
    if leave.without_backup:
        return None
    raise NoBackupError(
        f"No verified backup of this very chip is on the shelf ({shelf.root}).",
        state=SAFE,
        remedy="Run 'spiflash backup' first. If its backup is kept elsewhere, name it with "
        "--backup; --without-backup writes all the same, and then there is no way back.",
    )


def _named(path: Path, connection: Connection) -> BackupSet:
    found = open_set(path)
    record = found.record
    unique = connection.unique_id.hex() if connection.unique_id else None
    same = (record.chip.jedec_id, record.chip.unique_id, record.size) == (
        connection.chip.jedec_id.hex(),
        unique,
        connection.chip.size,
    )
    if same and record.verified:
        return found
    why = "is of another chip" if not same else "is not verified"
    raise NoBackupError(
        f"The backup set {path} {why}.",
        state=SAFE,
        remedy="Name a verified set of this very board, or take one with 'spiflash backup'.",
    )


def open_journal(connection: Connection, shelf: Shelf) -> Journal | None:
    """The journal of a restore of this chip that was cut short.

    Raises `ShelfError` when there are several and the chip has no unique ID to tell which.
    """
    unique = connection.unique_id.hex() if connection.unique_id else None
    found = open_journals(shelf.journals).of_chip(connection.chip.jedec_id.hex(), unique)
    if not found:
        return None
    if len(found) > 1:
        paths = "\n  ".join(str(journal.path) for journal in found)
        raise ShelfError(
            f"{len(found)} restores of chips of this kind were cut short, and this chip has no "
            f"unique ID to tell which is its own:\n  {paths}",
            state=SAFE,
            remedy="Move the journals of the other boards away from the shelf, then repeat.",
        )
    return found[0]


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
) -> Rewritten:
    """Write `image` at address `at`; None finishes the restore that was cut short, or with
    `undo` writes back what the chip held before it. An undo that is cut short as well can be
    finished in either direction.

    Only what differs is erased and programmed; everything outside the image stays. Raises
    the refusals described in `errors`, all before anything is changed.
    """
    refuse_unknown(connection)
    journal = open_journal(connection, shelf)
    if image is not None:
        _fits(connection, image, at)
    elif journal is None:
        raise _nothing_to_resume()
    if journal is not None:
        unprotect = leave is not None and leave.unprotect
        return _resume(
            connection,
            shelf,
            journal,
            image,
            watcher,
            agree=agree,
            passes=passes,
            verify=verify,
            unprotect=unprotect,
            undo=undo,
        )
    assert image is not None
    leave = leave or Leave()
    for line in register_differences(connection, image):
        watcher.say(line)
    old = read_before(connection, witnesses(connection, shelf, leave, image, at), passes, watcher)
    backup_of_this_chip(connection, shelf, leave, old.contents)
    work = plan_work(connection, old, overlay(old.contents, image, at))
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
    )


def witnesses(
    connection: Connection, shelf: Shelf, leave: Leave, image: Image, at: int
) -> list[Witness]:
    """What is known of this chip's contents without reading it: the image, which large parts of
    the chip often hold already, and a verified backup of this very chip.

    Raises `NoBackupError` for a backup set that was named and is not this chip's.
    """
    found = [Witness(at, image.contents)]
    unique = connection.unique_id.hex() if connection.unique_id else None
    backup = None
    if leave.backup is not None:
        backup = _named(leave.backup, connection)
    elif unique is not None:
        backup = shelf.verified_backup_of(
            connection.chip.jedec_id.hex(), unique, connection.chip.size
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
) -> Work:
    """What `restore` would do, after reading the chip; nothing is changed or asked."""
    journal = open_journal(connection, shelf)
    if image is not None:
        _fits(connection, image, at)
    if journal is not None:
        refuse_withdrawn(journal, undo=undo)
        _same_image(journal, image)
        old = read_cut(connection, journal, watcher)
        return plan_resumed(connection, old, replayed(journal, old, undo=undo), journal)
    if image is None:
        raise _nothing_to_resume()
    known = witnesses(connection, shelf, leave or Leave(), image, at)
    old = read_before(connection, known, 2, watcher)
    return plan_work(connection, old, overlay(old.contents, image, at))


def _nothing_to_resume() -> ImageError:
    return ImageError(
        "No restore of this chip was cut short: there is nothing to resume.",
        state=SAFE,
        remedy="Name the image or the backup set to write.",
    )


def _resume(
    connection: Connection,
    shelf: Shelf,
    journal: Journal,
    image: Image | None,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    passes: int,
    verify: Verify,
    unprotect: bool,
    undo: bool,
) -> Rewritten:
    refuse_withdrawn(journal, undo=undo)
    _same_image(journal, image)
    what = "undoing" if undo else "finishing"
    watcher.say(f"{what} the restore of {journal.state.image_name} that was cut short")
    old = read_cut(connection, journal, watcher)
    work = plan_resumed(connection, old, replayed(journal, old, undo=undo), journal)
    state = journal.state
    return rewrite(
        connection,
        shelf,
        work,
        state.image_name,
        state.image_sha256,
        watcher,
        agree=agree,
        passes=passes,
        verify=verify,
        journal=journal,
        unprotect=unprotect,
    )


def _fits(connection: Connection, image: Image, at: int) -> None:
    """Raise before the long reading what would be raised after it."""
    overlay(bytes(connection.chip.size), image, at)


def _same_image(journal: Journal, image: Image | None) -> None:
    if image is None or image.sha256 == journal.state.image_sha256:
        return
    raise ShelfError(
        f"A restore of {journal.state.image_name} to this chip was cut short on "
        f"{journal.state.begun:%Y-%m-%d %H:%M}; parts of the chip are half written.",
        state=f"{SAFE} What those parts held is in {journal.path}.",
        remedy="Run 'spiflash restore --resume' first; then write the other image.",
    )
