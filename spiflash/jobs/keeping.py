"""What a chip holds and no set does is kept on the shelf before it is overwritten.

A board that ran since its last backup has written to its flash: settings, logs, counters. A work
that overwrites that destroys the only copy, however many older backups there are. The rules that
live here:

* what is about to be overwritten counts as saved where a whole set of this very chip has the same
  bytes at the same place, whether that set is verified or not: equality with a fresh reading is
  evidence enough. For a chip without a unique ID only sets whose whole contents were this board's
  at some time that is known count;
* what is not saved is kept as a set of its own, made of the reading that the work rests on. A set
  made of fewer than two whole passes says so and is not verified, though nothing is lost;
* a journal is dropped only when everything that it holds is on the chip or in a set; else it is
  moved aside, whole.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from spiflash.archive.backupset import BackupSet
from spiflash.archive.journal import Journal
from spiflash.archive.record import EvidenceRecord
from spiflash.archive.shelf import Shelf
from spiflash.errors import BackupSetError, ShelfError
from spiflash.jobs.backup import now, readings_kept, record_of
from spiflash.jobs.connection import Connection
from spiflash.jobs.evidence import LIMIT
from spiflash.jobs.one_time import read_one_time
from spiflash.jobs.progress import Watcher
from spiflash.jobs.reading import Reading
from spiflash.jobs.rewrite_reading import Before, Stretch
from spiflash.nor.geometry import SECTOR

_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title></head>
<body><h1>{title}</h1>
<p>{why} It was put on the shelf by itself, on {made:%Y-%m-%d %H:%M}, because no set had it.</p>
<p>The contents have not been examined. <code>spiflash audit</code> with this folder does that.</p>
</body></html>
"""


def sectors_of(where: Iterable[Stretch]) -> list[int]:
    """Start addresses of the sectors that `where` touches, ascending, each once."""
    return sorted({at for low, high in where for at in range(low // SECTOR * SECTOR, high, SECTOR)})


def sets_of(
    connection: Connection, shelf: Shelf, known: Sequence[bytes], named: BackupSet | None = None
) -> list[BackupSet]:
    """The whole sets of this very chip. For a chip without a unique ID those that hold one of
    `known`, which it held whole at some time, and the one that a person `named`."""
    identity = connection.identity
    unique = identity.unique_hex
    found: list[BackupSet] = []
    for noted in dict.fromkeys((unique, None)):
        sets = shelf.backups_of(identity.jedec_id.hex(), noted, identity.size).sets
        # What has no unique ID written down is this board's by its contents alone.
        found += [each for each in sets if noted is not None or _contents(each) in known]
    return found if named is None else [named, *found]


def unsaved(contents: bytes, sectors: Sequence[int], sets: Iterable[BackupSet]) -> list[int]:
    """Those of `sectors` that no set has as `contents`, the whole chip, has them."""
    left = np.array(sectors, dtype=np.int64) // SECTOR
    ours = np.frombuffer(contents, np.uint8).reshape(-1, SECTOR)
    for each in sets:
        if not len(left):
            break
        theirs = np.frombuffer(_contents(each), np.uint8)
        if len(theirs) == len(contents):
            differs = (theirs.reshape(-1, SECTOR)[left] != ours[left]).any(axis=1)
            left = left[differs]
    return [int(index) * SECTOR for index in left]


def _contents(found: BackupSet) -> bytes:
    try:
        return found.contents()
    except (BackupSetError, ShelfError):  # changed since it was opened: it saves nothing
        return b""


def keep(
    connection: Connection,
    shelf: Shelf,
    old: Before,
    why: str,
    sets: Sequence[BackupSet],
    watcher: Watcher,
) -> BackupSet:
    """Put what the chip holds on the shelf, and say where; `why` completes "kept". The label is
    that of the board's newest set. Raises `ShelfError`."""
    reading = old.reading or _corroborated(old)
    if old.reading is None:
        one_time = read_one_time(connection)
    else:
        one_time = read_one_time(connection, reading.evidence.rate_high)
    made = now()
    board = sets[0].record.board if sets else ""
    record = record_of(connection, reading, one_time, (), board, made)
    if old.reading is None:
        doubt = (
            f"one whole pass only: a set or an image on this bench has {old.corroborated} of its "
            f"sectors alike, and {old.again} were read twice"
        )
        record = replace(record, verified=False, doubts=(doubt,))
    title = f"{record.chip.name}, before it was written"
    page = _PAGE.format(title=html.escape(title), why=html.escape(f"Kept {why}."), made=made)
    placed = shelf.place(record, reading.contents, one_time.otp, page, readings_kept(reading))
    watcher.say(f"kept {why}: {placed.path}")
    return placed


def _corroborated(old: Before) -> Reading:
    """A reading of one pass, whose other witness is not a pass: the set is not verified."""
    assert old.first is not None
    evidence = EvidenceRecord(
        bits=8 * len(old.contents),
        passes=1,
        differing=0,
        rate=0.0,
        rate_low=0.0,
        rate_high=1.0,
        shared=1.0,
        settled=0.0,
        limit=LIMIT,
        stretch=0.0,
    )
    return Reading(old.contents, (old.first,), (), old.unstable, evidence)


def finish_journal(
    journal: Journal, held: bytes, sets: Iterable[BackupSet], watcher: Watcher
) -> None:
    """Drop the journal of a proven work on a chip that holds `held` now; or move it aside, when
    it has something that is neither there nor in one of `sets`. Raises `ShelfError`."""
    before = bytearray(held)
    at = 0
    kept = journal.before()
    for each in journal.ranges:
        before[each.start : each.end] = kept[at : at + each.length]
        at += each.length
    ours = np.frombuffer(bytes(before), np.uint8).reshape(-1, SECTOR)
    theirs = np.frombuffer(held, np.uint8).reshape(-1, SECTOR)
    gone = [int(i) * SECTOR for i in np.flatnonzero((ours != theirs).any(axis=1))]
    if not unsaved(bytes(before), gone, sets):
        journal.finish()
        return
    place: Path = journal.put_aside()
    watcher.say(
        f"what the chip held before is in no set on the shelf: its journal is kept as {place}"
    )
