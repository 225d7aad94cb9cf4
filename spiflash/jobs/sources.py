"""What a board can be judged by and repaired from: its own backup on the shelf, an image."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.backupset import BackupSet, open_set
from spiflash.archive.shelf import Shelf
from spiflash.dump.triage import Reference, reference, triage
from spiflash.errors import NoBackupError
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection

MOST_SETS = 8
"""Sets of one board that are looked through, from the newest on."""


@dataclass(frozen=True, slots=True)
class OwnBackup:
    """A verified backup of this very board, from the time when it worked."""

    path: Path
    reference: Reference


def own_backup(
    connection: Connection,
    shelf: Shelf,
    chip: Reference,
    watcher: Watcher,
    *,
    named: Path | None = None,
) -> OwnBackup | None:
    """The backup to go by: the one that was named, or the newest on the shelf that is of this
    board and was made while nothing was wrong.

    A set that was made of a damaged board holds the damage, too, and what it cannot prove may be
    part of it: it is passed over when its own checksums, the boot command, or an older set of
    the same board speak against it. One that holds what the chip holds now is taken only if
    there is no other. A chip without a unique ID is recognised by what is its board's own.
    Raises `NoBackupError` for a named set that is of another chip or not verified.
    """
    if named is not None:
        return _named(connection, named)
    identity = connection.identity
    listed = shelf.backups_of(identity)
    ours: list[tuple[str, OwnBackup]] = []
    seen: set[bytes] = set()
    for candidate in [each for each in listed.sets if each.record.verified][:MOST_SETS]:
        contents = candidate.contents()
        if contents in seen:
            continue
        seen.add(contents)
        found = OwnBackup(
            candidate.path, chip if contents == chip.contents else reference(contents)
        )
        if identity.unique_id is not None or _akin(found.reference, chip):
            ours.append((candidate.name, found))
    same: OwnBackup | None = None
    for place, (name, found) in enumerate(ours):
        older = [each.reference for _, each in ours[place + 1 :]]
        if _damaged(found.reference, older):
            watcher.say(f"{name} is of this chip, but damaged itself: not used")
        elif found.reference.contents == chip.contents:
            same = same or found
        else:
            return found
    return same


def _damaged(candidate: Reference, older: Sequence[Reference]) -> bool:
    """Whether a set was made while something was wrong: judged by itself, and by each older
    one. What has merely changed since is no damage."""
    return any(triage(candidate, own_backup=each).damaged for each in (None, *older))


def _akin(backup: Reference, chip: Reference) -> bool:
    """Whether both hold the same address, serial number or calibration."""

    def items(each: Reference) -> set[tuple[str, bytes]]:
        return {
            (item.kind, each.contents[item.start : item.end])
            for item in each.own
            if item.kind in ("mac", "serial", "calibration")
        }

    return bool(items(backup) & items(chip))


def _named(connection: Connection, path: Path) -> OwnBackup:
    found: BackupSet = open_set(path)
    record = found.record
    if record.identity != connection.identity:
        problem = "is of another chip"
    elif not record.verified:
        problem = "is not verified"
    else:
        return OwnBackup(path, reference(found.contents()))
    raise NoBackupError(
        f"The backup set {path} {problem}.",
        state="The chip was not touched.",
        remedy="Name a verified set of this very board, or give the model's image with --image.",
    )
