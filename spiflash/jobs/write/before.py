"""What a chip holds before it is rewritten: believed only with a second witness.

Two passes that agree are good evidence, and cost a whole pass. A restore often has a witness
already: a verified backup of this very chip on the shelf, or the image that is to be written. A
sector that one pass reads exactly as a witness has it is corroborated: the witness was not read
in this pass, over this contact, at this clock, and an error that turns other contents into just
these 4096 bytes is not to be expected. The rules that live here:

* a sector that matches a witness needs no further reading;
* every other sector is read once more, with another opcode, clock, edge and transfer length, and
  must then be equal bit for bit;
* the two readings may share wrong bits by chance. How many is bounded by the error rate that the
  corroborated bits of the same pass show; where that bound is not below `LIMIT`, or a
  single sector disagrees, or a quarter of the chip has no witness, whole passes are taken and
  weighed as for a backup.

What a chip holds and no set does is kept on the shelf before it is overwritten.

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
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spiflash.archive.backupset import BackupSet
from spiflash.archive.journal import Journal
from spiflash.archive.record import EvidenceRecord
from spiflash.archive.shelf import Shelf
from spiflash.errors import BackupSetError, ShelfError, UnstableReadError
from spiflash.jobs import Watcher
from spiflash.jobs.backup import now, readings_kept, record_of
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import Reading, read_in_passes
from spiflash.jobs.reading.again import read_one_time
from spiflash.jobs.reading.evidence import LIMIT
from spiflash.jobs.reading.passes import PassTaken, apply, pass_setting, take_pass
from spiflash.jobs.same_board import still_there
from spiflash.nor.commands import ReadStyle
from spiflash.spans import SECTOR

ENOUGH = 0.75
"""Share of the chip that needs a witness for the others to be read one by one."""

NONE_SEEN = 3.0
"""Upper 95 % bound of a Poisson mean of which no event was seen (F. Garwood, Biometrika 28
(1936) 437–442)."""

Stretch = tuple[int, int]
"""Start and end address, whole sectors."""


@dataclass(frozen=True, slots=True)
class Witness:
    """Contents known from elsewhere, from address `start` on."""

    start: int
    contents: bytes


@dataclass(frozen=True, slots=True)
class Before:
    """What the chip holds.

    `unstable` are sectors that read differently each time; `passes` whole readings taken;
    `corroborated` and `again` sectors that a witness confirmed, and that were read twice.
    `reading` is the evidence of whole passes, where they were taken; `first` the only whole pass,
    where a witness spared the others.
    """

    contents: bytes
    unstable: tuple[int, ...]
    passes: int
    corroborated: int = 0
    again: int = 0
    reading: Reading | None = None
    first: PassTaken | None = None

    @classmethod
    def of(cls, reading: Reading) -> Before:
        """A reading in whole passes."""
        return cls(reading.contents, reading.unstable, len(reading.passes), reading=reading)


def read_before(
    connection: Connection, witnesses: Sequence[Witness], passes: int, watcher: Watcher
) -> Before:
    """Read what the chip holds. With `passes` above 2, that many whole passes are taken.

    Raises `UnstableReadError` when it cannot be believed.
    """
    if passes > 2 or not witnesses:
        return _believed(read_in_passes(connection, passes, watcher))
    first = take_pass(connection, 1, "reading what is there", watcher)
    alone = unconfirmed(first.contents, witnesses)
    if _few(len(alone) * SECTOR, len(first.contents)):
        where = stretches(alone)
        second = read_stretches(connection, where, 2, "reading again what is new", watcher)
        if second == [first.contents[low:high] for low, high in where]:
            confirmed = len(first.contents) // SECTOR - len(alone)
            return Before(first.contents, (), 1, confirmed, len(alone), first=first)
    # Not enough is known of this contact: the whole evidence is taken.
    return _believed(read_in_passes(connection, passes, watcher, earlier=[first]))


def unconfirmed(contents: bytes, witnesses: Sequence[Witness]) -> list[int]:
    """Addresses of the sectors that are not, as a whole, what some witness has there."""
    alone = np.ones(len(contents) // SECTOR, dtype=bool)
    for witness in witnesses:
        low = -(-witness.start // SECTOR) * SECTOR
        high = (witness.start + len(witness.contents)) // SECTOR * SECTOR
        if low < high:
            theirs = np.frombuffer(
                witness.contents, np.uint8, high - low, low - witness.start
            ).reshape(-1, SECTOR)
            ours = np.frombuffer(contents, np.uint8, high - low, low).reshape(-1, SECTOR)
            alone[low // SECTOR : high // SECTOR] &= (theirs != ours).any(axis=1)
    return [int(index) * SECTOR for index in np.flatnonzero(alone)]


def _few(alone: int, size: int) -> bool:
    """Whether two readings of `alone` bytes can share less than `LIMIT` wrong bits, by what the
    other bytes of the pass, all of them right, say about its error rate."""
    confirmed = size - alone
    if confirmed < ENOUGH * size:
        return False
    rate = NONE_SEEN / (8 * confirmed)
    return 8 * alone * rate * rate < LIMIT


def stretches(sectors: Sequence[int]) -> list[Stretch]:
    """Ascending sector addresses, joined where they meet."""
    found: list[Stretch] = []
    for start in sectors:
        if found and found[-1][1] == start:
            found[-1] = (found[-1][0], start + SECTOR)
        else:
            found.append((start, start + SECTOR))
    return found


def read_stretches(
    connection: Connection,
    where: Sequence[Stretch],
    number: int,
    title: str,
    watcher: Watcher,
) -> list[bytes]:
    """Read some stretches with the setting of pass `number`.

    Raises `ChipMismatchError` or `UnstableReadError` unless the chip gives its known answers
    before and after.
    """
    chip = connection.chip
    setting = pass_setting(
        number,
        chip,
        connection.bus.clock_limits,
        connection.ceiling,
        connection.edge_limit,
    )
    style = ReadStyle(setting.fast, chip.fast_read_dummy, setting.chunk)
    still_there(connection)
    apply(connection, setting)
    found: list[bytes] = []
    with watcher.step(title, sum(high - low for low, high in where)) as advance:
        for low, high in where:
            found.append(connection.flash.read_all(low, high - low, style))
            advance(high - low)
    still_there(connection)
    return found


def _believed(reading: Reading) -> Before:
    refuse_unstable(reading.unstable)
    if reading.doubts:
        raise UnstableReadError(
            f"What the chip holds is not known well enough: {'; '.join(reading.doubts)}.",
            state="Nothing has been erased or written.",
            remedy="Seat the clip again, shorten the leads or set a lower --clock; "
            "'spiflash contact' names the pin to look at.",
        )
    return Before.of(reading)


def refuse_unstable(sectors: Sequence[int]) -> None:
    """Raise `UnstableReadError` when there are any."""
    if sectors:
        raise UnstableReadError(
            f"{len(sectors)} sectors read differently each time, the first at {sectors[0]:#x}.",
            state="Nothing has been erased or written.",
            remedy="Seat the clip again, shorten the leads or set a lower --clock; a chip that "
            "cannot be read reliably must not be written.",
        )


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
