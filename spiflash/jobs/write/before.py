"""What a chip holds before it is written: read, confirmed by a second source, and saved.

Two passes that agree are good evidence, and cost a whole pass. A restore often has a second source
already: a verified backup of this very chip on the shelf, or the image that is to be written. A
sector that one pass reads exactly as that source has it is confirmed: the source was not read in
this pass, over this contact, at this clock, and an error that turns other contents into just these
4096 bytes is not to be expected. The rules:

* a sector that a second source confirms needs no further reading;
* every other sector is read once more, with another opcode, clock, edge and transfer length, and
  must then be equal bit for bit;
* the two readings may share wrong bits by chance. How many is bounded by the error rate that the
  confirmed bits of the same pass show. Where that bound is not below `LIMIT`, or a single sector
  disagrees, or a quarter of the chip is not confirmed, whole passes are taken as for a backup;
* a chip may hold what a bad line would give: all 00h, a test pattern, nothing but text. When all
  tests of the line hold, that stops the work only where no verified backup is known to be this
  chip's, and the person has not waived it. Otherwise such a chip could never be written again.

A board that ran since its last backup has written to its flash: settings, logs, counters. Work that
overwrites those destroys the only copy, however many older backups there are. So:

* what is about to be overwritten counts as saved where a whole set of this very chip has the same
  bytes at the same place, whether that set is verified or not: equality with a fresh reading is
  evidence enough. For a chip without a unique ID, only sets count whose whole contents were this
  board's at some time that is known;
* what is not saved is put on the shelf as a set of its own, made of the reading that the work rests
  on. A set made of fewer than two whole passes says so and is not verified, though nothing is lost;
* a journal is dropped only when everything in it is on the chip or in a set; otherwise it is moved
  aside, whole.
"""

from __future__ import annotations

import hashlib
import html
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from spiflash.archive.backupset import BEFORE_WRITE, BackupSet
from spiflash.archive.journal import Journal
from spiflash.archive.shelf import Shelf
from spiflash.errors import SAFE, BackupSetError, ShelfError, UnstableReadError
from spiflash.jobs import Watcher
from spiflash.jobs.backup import now, readings_kept, record_of
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import Reading, read_in_passes
from spiflash.jobs.reading.again import read_one_time
from spiflash.jobs.reading.evidence import LIMIT, NONE_SEEN
from spiflash.jobs.reading.passes import apply, pass_setting, take_pass
from spiflash.jobs.same_board import still_there
from spiflash.nor.commands import ReadStyle
from spiflash.spans import SECTOR, Span, sector_spans
from spiflash.text import address, counted

KEPT = 2
"""Sets whose contents are kept in memory while the work is prepared."""

ENOUGH = 0.75
"""Share of the chip that a second source must confirm for the other sectors to be read one by
one."""


def read_before(
    connection: Connection,
    known: Sequence[tuple[int, bytes]],
    passes: int,
    watcher: Watcher,
    *,
    odd: bool = False,
) -> Reading:
    """Read what the chip holds. `known` is what it may hold by other sources: start address and
    contents. With `passes` above 2, that many whole passes are taken. `odd` accepts contents that
    a bad line could give as well.

    Raises `UnstableReadError` when it cannot be believed.
    """
    if passes > 2 or not known:
        return _believed(read_in_passes(connection, passes, watcher), odd, watcher)
    first = take_pass(connection, 1, "reading the chip", watcher)
    alone = unconfirmed(first.contents, known)
    if _few(len(alone) * SECTOR, len(first.contents)):
        where = sector_spans(alone)
        second = read_spans(connection, where, 2, "confirming the reading", watcher)
        if second == [first.contents[low:high] for low, high in where]:
            confirmed = len(first.contents) // SECTOR - len(alone)
            return Reading.of_one_pass(first, confirmed, len(alone))
    # Not enough is known of this contact: the whole evidence is taken.
    return _believed(read_in_passes(connection, passes, watcher, earlier=[first]), odd, watcher)


def unconfirmed(contents: bytes, known: Sequence[tuple[int, bytes]]) -> list[int]:
    """Addresses of the sectors that are not, as a whole, what some other source has there."""
    alone = np.ones(len(contents) // SECTOR, dtype=bool)
    for start, data in known:
        low = -(-start // SECTOR) * SECTOR
        high = (start + len(data)) // SECTOR * SECTOR
        if low < high:
            theirs = np.frombuffer(data, np.uint8, high - low, low - start).reshape(-1, SECTOR)
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


def read_spans(
    connection: Connection,
    where: Sequence[Span],
    number: int,
    title: str,
    watcher: Watcher,
) -> list[bytes]:
    """Read some ranges with the setting of pass `number`.

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


def _believed(reading: Reading, odd: bool, watcher: Watcher) -> Reading:
    refuse_unstable(reading.unstable)
    if not reading.doubts:
        return reading
    doubts = "; ".join(reading.doubts)
    if reading.only_odd and odd:
        watcher.say(f"Caution: {doubts}")
        return reading
    remedy = (
        "Seat the clip again, shorten the leads or set a lower --clock; 'spiflash contact' names "
        "the pin to look at."
    )
    if reading.only_odd:
        remedy += (
            " If the chip really holds this, name its verified set with --backup, or give "
            "--without-backup."
        )
    raise UnstableReadError(
        f"What the chip holds could not be read reliably: {doubts}.", state=SAFE, remedy=remedy
    )


def refuse_unstable(sectors: Sequence[int]) -> None:
    """Raise `UnstableReadError` when there are any."""
    if sectors:
        raise UnstableReadError(
            f"{counted(len(sectors), 'sector')} read differently each time, the first at "
            f"{address(sectors[0])}.",
            state=SAFE,
            remedy="Seat the clip again, shorten the leads or set a lower --clock; a chip that "
            "cannot be read reliably must not be written.",
        )


_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title></head>
<body><h1>{title}</h1>
<p>{why} It was saved automatically on {made:%Y-%m-%d %H:%M}, because no backup set had it.</p>
<p>The contents have not been examined. <code>spiflash audit</code> with this folder does that.</p>
</body></html>
"""


class SetsOfChip:
    """The whole sets on a shelf that may be of the connected chip, opened and checked once.

    `named` is one that a person named as this board's. A set of a chip without a unique ID is this
    board's only where it holds what this chip held whole at some time that is known.
    """

    def __init__(
        self, connection: Connection, shelf: Shelf, named: BackupSet | None = None
    ) -> None:
        identity = connection.identity
        self._named = [] if named is None else [named]
        self._by_id: tuple[BackupSet, ...] = ()
        if identity.unique_id is not None:
            self._by_id = shelf.backups_of(identity).sets
        self._without_id = shelf.backups_of(replace(identity, unique_id=None)).sets
        self._read: dict[Path, bytes] = {}

    def holding(self, *known: bytes) -> list[BackupSet]:
        """Those of this very chip, which held each of `known` whole at some time; the one that was
        named first, then the newest."""
        digests = {hashlib.sha256(each).hexdigest() for each in known}
        alike = [each for each in self._without_id if each.record.sha256 in digests]
        return [*self._named, *self._by_id, *alike]

    def verified(self) -> BackupSet | None:
        """A verified set of which no contents have to say that it is this chip's."""
        for each in (*self._named, *self._by_id):
            if each.record.verified:
                return each
        return None

    def contents(self, found: BackupSet) -> bytes:
        """What the chip held by this set, read once; empty when it was changed since it was
        opened: then it saves nothing."""
        if found.path not in self._read:
            if len(self._read) >= KEPT:
                self._read.pop(next(iter(self._read)))
            self._read[found.path] = _contents(found)
        return self._read[found.path]


def unsaved(
    contents: bytes,
    sectors: Sequence[int],
    sets: Iterable[BackupSet],
    read: Callable[[BackupSet], bytes] | None = None,
) -> list[int]:
    """Those of `sectors` that no set has as `contents`, the whole chip, has them. `read` gives the
    contents of a set; without it they are read from the disk now."""
    left = np.array(sectors, dtype=np.int64) // SECTOR
    ours = np.frombuffer(contents, np.uint8).reshape(-1, SECTOR)
    for each in sets:
        if not len(left):
            break
        theirs = np.frombuffer((read or _contents)(each), np.uint8)
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
    old: Reading,
    why: str,
    sets: Sequence[BackupSet],
    watcher: Watcher,
) -> BackupSet:
    """Put what the chip holds on the shelf, and say where; `why` completes "Saved". The label is
    that of the board's newest set. Raises `ShelfError`."""
    if len(old.passes) > 1:
        one_time = read_one_time(connection, old.evidence.rate_high)
    else:
        one_time = read_one_time(connection)
    made = now()
    board = sets[0].record.board if sets else ""
    record = record_of(connection, old, one_time, (), board, made)
    title = f"{record.chip.name}, before it was written"
    page = _PAGE.format(title=html.escape(title), why=html.escape(f"Saved: {why}."), made=made)
    placed = shelf.place(
        record, old.contents, one_time.otp, page, readings_kept(old), mark=BEFORE_WRITE
    )
    watcher.say(f"Saved {why}: {placed.path}")
    return placed


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
    watcher.say(f"No backup set holds what was on the chip before: its journal is kept as {place}")
