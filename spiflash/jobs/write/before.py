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

import html
from collections.abc import Callable, Iterable, Sequence

from spiflash.archive.backupset import BEFORE_WRITE, BackupSet
from spiflash.archive.journal import Journal
from spiflash.archive.shelf import SetsOfChip, Shelf, contents_of
from spiflash.errors import SAFE, UnstableReadError
from spiflash.jobs import Watcher
from spiflash.jobs.backup import now, readings_kept, record_of
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import Reading, read_in_passes
from spiflash.jobs.reading.again import UNKNOWN_RATE, read_one_time
from spiflash.jobs.reading.evidence import LIMIT, NONE_SEEN
from spiflash.jobs.reading.passes import read_spans, take_pass
from spiflash.jobs.write.interrupted import unexplained_sectors
from spiflash.jobs.write.work import Work
from spiflash.spans import SECTOR, differing, laid, sector_spans, sectors_in
from spiflash.text import address, counted

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
    alone = unconfirmed_sectors(first.contents, known)
    if _few(len(alone) * SECTOR, len(first.contents)):
        where = sector_spans(alone)
        second = read_spans(connection, where, 2, "confirming the reading", watcher)
        if second == [first.contents[low:high] for low, high in where]:
            confirmed = len(first.contents) // SECTOR - len(alone)
            return Reading.of_one_pass(first, confirmed, len(alone))
    # Not enough is known of this contact: the whole evidence is taken.
    return _believed(read_in_passes(connection, passes, watcher, earlier=[first]), odd, watcher)


def unconfirmed_sectors(contents: bytes, known: Sequence[tuple[int, bytes]]) -> list[int]:
    """Addresses of the sectors that are not, as a whole, what some other source has there."""
    alone = set(range(0, len(contents), SECTOR))
    for start, data in known:
        low = -(-start // SECTOR) * SECTOR
        high = max(low, (start + len(data)) // SECTOR * SECTOR)
        other = differing(contents[low:high], data[low - start : high - start])
        alone -= {*range(low, high, SECTOR)}.difference(low + at for at in other)
    return sorted(alone)


def _few(alone: int, size: int) -> bool:
    """Whether two readings of `alone` bytes can share less than `LIMIT` wrong bits, by what the
    other bytes of the pass, all of them right, say about its error rate."""
    confirmed = size - alone
    if confirmed < ENOUGH * size:
        return False
    rate = NONE_SEEN / (8 * confirmed)
    return 8 * alone * rate * rate < LIMIT


def _believed(reading: Reading, odd: bool, watcher: Watcher) -> Reading:
    sectors = reading.unstable
    if sectors:
        raise UnstableReadError(
            f"{counted(len(sectors), 'sector')} read differently each time, the first at "
            f"{address(sectors[0])}.",
            state=SAFE,
            remedy="Seat the clip again, shorten the leads or set a lower --clock; a chip that "
            "cannot be read reliably must not be written.",
        )
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


_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title></head>
<body><h1>{title}</h1>
<p>{why} It was saved automatically on {made:%Y-%m-%d %H:%M}, because no backup set had it.</p>
<p>The contents have not been examined. <code>spiflash audit</code> with this folder does that.</p>
</body></html>
"""


def unsaved_sectors(
    contents: bytes,
    sectors: Sequence[int],
    sets: Iterable[BackupSet],
    read: Callable[[BackupSet], bytes] = contents_of,
) -> list[int]:
    """Those of `sectors` that no set has as `contents`, the whole chip, has them. `read` gives the
    contents of a set; without it they are read from the disk now."""
    left = set(sectors)
    for each in sets:
        if not left:
            break
        theirs = read(each)
        if len(theirs) == len(contents):
            left &= set(differing(contents, theirs))
    return sorted(left)


def save_overwritten(
    connection: Connection, shelf: Shelf, work: Work, watcher: Watcher
) -> list[BackupSet]:
    """The sets that hold what the work overwrites, one made for it if need be."""
    known = [work.old.contents]
    changed = set(differing(work.old.contents, work.target))
    touched = [at for at in sectors_in(work.plan.affected) if at in changed]
    why = "what the chip holds and no backup set has"
    if work.journal is not None:
        whole = work.journal.whole()
        known += [whole] if whole is not None else []
        # What the interrupted work left half done is no loss; the journal has both ends of it.
        strange = set(unexplained_sectors(work.journal, work.old))
        touched = [at for at in touched if at in strange]
        why = "what the interrupted work cannot have left there"
    on_shelf = work.sets or SetsOfChip(connection.identity, shelf)
    sets = on_shelf.holding(*known)
    if work.backup is not None:
        sets.insert(0, work.backup)
    if unsaved_sectors(work.old.contents, touched, sets, on_shelf.contents):
        sets.append(_keep(connection, shelf, work.old, why, sets, watcher))
    return sets


def _keep(
    connection: Connection,
    shelf: Shelf,
    old: Reading,
    why: str,
    sets: Sequence[BackupSet],
    watcher: Watcher,
) -> BackupSet:
    """Put what the chip holds on the shelf, and say where; `why` completes "Saved". The label is
    that of the board's newest set. Raises `ShelfError`."""
    rate = old.evidence.rate_high if len(old.passes) > 1 else UNKNOWN_RATE
    one_time = read_one_time(connection, rate)
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
    before = laid(held, journal.ranges, journal.before())
    if not unsaved_sectors(before, differing(before, held), sets):
        journal.finish()
        return
    place = journal.put_aside()
    watcher.say(f"No backup set holds what was on the chip before: its journal is kept as {place}")
