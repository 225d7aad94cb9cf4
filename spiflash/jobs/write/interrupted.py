"""What interrupted work left on a chip, and whether the chip is that of its journal.

A journal names a chip by its JEDEC ID and unique ID, which half of all parts do not have and which
copied chips share. So the contents decide, inside the journal's ranges and outside of them:

* inside, nearly every sector must hold the old contents, the new ones, or something between. A twin
  with the same firmware does, but for the sector with its address: sectors that hold neither must
  not be where the board's own data was;
* outside, the chip must hold what it held before. A board that ran in between may have written
  there: that is accepted where most of the rest is as it was and all of the board's own data
  (addresses, serial number, calibration) is still there, and it stays as the board left it;
* bits that were only cleared, where there were contents, are what a page leaves that was written to
  a wrong address: they are restored, as is what the interrupted session itself noted.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.archive.journal import Journal, Range
from spiflash.dump.audit import examine
from spiflash.dump.identity import OwnItem
from spiflash.errors import SAFE, ChipMismatchError, ShelfError
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import Reading, disagreements
from spiflash.jobs.reading.passes import take_pass
from spiflash.jobs.write.before import read_spans
from spiflash.nor.chip import Chip
from spiflash.spans import SECTOR, sector_spans, sectors_in
from spiflash.text import address, counted, ranges_text

IN_THE_AIR = 4
"""Largest erase blocks that may hold neither old nor new contents: an interruption leaves one,
and each change of direction (undo, then not) may leave the one before it."""

MOST_OUTSIDE = 0.25
"""Share of the sectors outside that a board may have rewritten since and still be taken for the
same one."""

TELLING = 1 / 8
"""Share of ones that a sector must have for keeping all of them to mean anything: any
contents keep every one of no ones."""

SETTINGS = 2
"""Sectors that a board may have written itself since the interruption, also where an erase that was
interrupted has left nothing by which to identify it."""

NOISY = 64
"""Bytes of a sector that neither old nor new contents nor an erase explain, up to which they are
noise on the way to the chip."""

FEW = 16
"""Bytes in which bits were only cleared up to which a file system may have done it: JFFS2 marks
nodes as obsolete so."""

OWN = frozenset({"mac", "serial", "calibration"})

Sectors = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Outside:
    """Sectors outside of a journal's ranges that do not hold what they held: `rewritten` by the
    board itself, as far as can be told, and `astray`, changed by the work by mistake. `blocks` are
    the erase blocks around those: they are restored with the work."""

    rewritten: tuple[int, ...] = ()
    astray: tuple[int, ...] = ()
    blocks: tuple[Range, ...] = ()


def note_outside(journal: Journal, outside: Outside, watcher: Watcher) -> None:
    """Note in the journal what the work changed by mistake outside of its ranges, and name what the
    board wrote there by itself. Raises `ShelfError`."""
    if outside.astray:
        journal.note_astray(outside.blocks)
        watcher.say(
            f"{counted(len(outside.astray), 'sector')} outside the area to be written were "
            "changed by mistake, and are restored"
        )
    if outside.rewritten:
        watcher.say(
            "Written by the board itself since then, and left as it is: "
            f"{ranges_text(sector_spans(outside.rewritten))}"
        )


def read_twice(connection: Connection, journals: Sequence[Journal], watcher: Watcher) -> Reading:
    """Read the whole chip once, and again the ranges of the journals and what does not hold what
    some journal says it held."""
    first = take_pass(connection, 1, "reading the chip", watcher)
    contents = bytearray(first.contents)
    again: set[int] = set()
    for journal in journals:
        inside = _sectors(journal.ranges)
        again |= inside
        whole = journal.whole()
        if whole is not None:
            again |= set(disagreements([first.contents, whole]))
    where = sector_spans(again)
    second = read_spans(connection, where, 2, "confirming the reading", watcher)
    unstable: list[int] = []
    for (low, high), data in zip(where, second, strict=True):
        unstable += [low + at for at in disagreements([first.contents[low:high], data])]
        contents[low:high] = data
    kept = len(contents) // SECTOR - len(again)
    return Reading.of_one_pass(first, kept, len(again), contents=bytes(contents), unstable=unstable)


def refuse_stranger(connection: Connection, journal: Journal, found: Reading) -> Outside:
    """Raise `ChipMismatchError` unless the chip that was read is the journal's; what is outside of
    its ranges and not as it was."""
    held = _rows(found.contents)
    inside = sorted(_sectors(journal.ranges))
    rows = np.array(inside, np.int64) // SECTOR
    before, after = _rows(journal.before()), _rows(journal.after())
    ours = _without_left(journal, inside, held[rows], after)
    fits = _between(ours, before, after)
    strange = int((~fits).sum())
    largest = max(connection.chip.largest_erase, SECTOR)
    if strange * SECTOR > IN_THE_AIR * largest:
        raise _not_this(
            journal,
            f"{strange} of {len(inside)} sectors that it was to change hold neither the old nor "
            "the new contents",
        )
    broken_off = _broken_off(inside, ours, before, after, connection.chip)
    if broken_off > IN_THE_AIR:
        raise _not_this(
            journal,
            f"it would take {broken_off} interrupted erases to leave what this chip holds",
        )
    whole = journal.whole()
    outside = np.setdiff1d(np.arange(len(held)), rows)
    telling = _tells(ours, before, after)
    if whole is not None:
        telling += _tells(held[outside], _rows(whole)[outside])
    if strange > max(telling, SETTINGS):
        raise _not_this(
            journal,
            f"{strange} of {len(inside)} sectors that it was to change hold neither the old nor "
            "the new contents, and fewer hold anything that shows that it is this chip",
        )
    if whole is None:
        return Outside()
    differs = set(disagreements([found.contents, whole])) - set(inside) - set(found.unstable)
    rest = len(held) - len(inside)
    if len(differs) > MOST_OUTSIDE * rest:
        raise _not_this(
            journal,
            f"{len(differs)} of the {rest} sectors that it was not to change hold something else "
            "than before",
        )
    was = _rows(whole)
    astray = tuple(at for at in sorted(differs) if _only_cleared(held, was, at // SECTOR))
    rewritten = tuple(sorted(differs - set(astray)))
    foreign = {at for at, known in zip(inside, fits.tolist(), strict=True) if not known}
    foreign -= set(found.unstable)
    _refuse_other_items(connection, journal, whole, found, (*sorted(foreign), *rewritten))
    chip = connection.chip
    blocks = _blocks(astray, chip.largest_erase, chip.size)
    return Outside(rewritten, astray, blocks)


def _refuse_other_items(
    connection: Connection,
    journal: Journal,
    whole: bytes,
    found: Reading,
    rewritten: Sequence[int],
) -> None:
    """Raise `ChipMismatchError` when the board's own items are gone from the sectors that somebody
    has `rewritten`, or stand there with another value; or when it had none and has no unique ID
    either, and there are such sectors."""
    inside = _sectors(journal.ranges)
    strange = set(unexplained(journal, found)) - set(found.unstable)
    if not rewritten and not strange:
        return
    had = [item for item in examine(whole, "before").own if item.kind in OWN]
    where = {item: set(range(item.start // SECTOR * SECTOR, item.end, SECTOR)) for item in had}
    gone = [
        item
        for item in had
        if not where[item] & inside - set(rewritten)
        and whole[item.start : item.end] not in found.contents
    ]
    if gone:
        raise _not_this(
            journal,
            f"{len(gone)} of {counted(len(had), 'item')} of the board's own data are missing",
        )
    if not had and rewritten and connection.unique_id is None:
        raise _not_this(
            journal,
            f"something that the work cannot have left stands in "
            f"{counted(len(rewritten), 'sector')}, and nothing shows whether this board wrote it",
        )
    # Every pattern of bits is on the way to zeros: there, the items found have to decide.
    if strange and any(where[item] & strange for item in had):
        _refuse_other_values(journal, whole, found.contents, had, strange)


def _refuse_other_values(
    journal: Journal, whole: bytes, now: bytes, had: Sequence[OwnItem], strange: Collection[int]
) -> None:
    """Raise `ChipMismatchError` when an own item with another value stands in one of the sectors
    `strange`, where the board had one of that kind in the same sector."""
    kinds = {(item.kind, item.start // SECTOR) for item in had}
    known = {whole[item.start : item.end] for item in had}
    target = _laid(whole, journal.ranges, journal.after())
    for item in examine(now, "now").own:
        at = item.start // SECTOR
        value = now[item.start : item.end]
        if value in known or value == target[item.start : item.end]:
            continue
        if at * SECTOR in strange and (item.kind, at) in kinds:
            raise _not_this(
                journal, f"at {address(item.start)} it holds another {item.kind} than that board"
            )


def _broken_off(
    inside: Sequence[int], held: Sectors, before: Sectors, after: Sectors, chip: Chip
) -> int:
    """How many erases, at least, must have been interrupted to leave what is `held` in the sectors
    `inside`.

    An erase changes all of its block at once: a block with a sector that is still what it was, or
    is already what it is to be, was not being erased. A few wrong bytes come from noise, and zeros
    from the first half of an erase, in which chips program what they are going to erase.
    """
    usual = (held == before) | (held == after) | (held == 0xFF) | (held == before & after)
    filled = (held != 0xFF).any(axis=1)
    done = ((held == before).all(axis=1) | (held == after).all(axis=1)) & filled
    other = ((~usual & (held != 0)).sum(axis=1) > NOISY) & ~done
    other &= ~(_half_done(held, before) | _half_done(held, after))
    finished = {at for at, known in zip(inside, done.tolist(), strict=True) if known}
    covered = set(inside)
    sizes = {SECTOR, chip.size, *(kind.size for kind in chip.geometry.erase_types)}
    found: set[tuple[int, int]] = set()
    for at, strange in zip(inside, other.tolist(), strict=True):
        if not strange:
            continue
        for size in sorted(sizes, reverse=True):
            block = set(range(at // size * size, min((at // size + 1) * size, chip.size), SECTOR))
            if block <= covered and not block & finished:
                found.add((at // size * size, size))
                break
        else:
            found.add((at, SECTOR))
    return len(found)


def unexplained(journal: Journal, found: Reading) -> list[int]:
    """Sectors of the ranges with bytes that the interrupted work cannot have left there: somebody
    else wrote them."""
    inside = sorted(_sectors(journal.ranges))
    before, after = _rows(journal.before()), _rows(journal.after())
    held = _rows(found.contents)[np.array(inside, np.int64) // SECTOR]
    held = _without_left(journal, inside, held, after)
    usual = (held == before) | (held == after) | (held == 0xFF) | (held == before & after)
    explained = usual.all(axis=1) | _half_done(held, before) | _half_done(held, after)
    return [at for at, known in zip(inside, explained.tolist(), strict=True) if not known]


def half_done(journal: Journal, found: Reading) -> list[int]:
    """Sectors of the ranges that hold neither what was there nor what is to be."""
    inside = sorted(_sectors(journal.ranges))
    held = _rows(found.contents)[np.array(inside, np.int64) // SECTOR]
    whole = np.zeros(len(inside), dtype=bool)
    for once in (journal.before(), journal.after()):
        whole |= (held == _rows(once)).all(axis=1)
    return [at for at, known in zip(inside, whole.tolist(), strict=True) if not known]


def _without_left(
    journal: Journal, inside: Sequence[int], held: Sectors, after: Sectors
) -> Sectors:
    """What is `held` in the sectors `inside`; those that still hold what the last session saw them
    hold when they did not take what was written count as written."""
    left = journal.left()
    known = [
        row
        for row, at in enumerate(inside)
        if at in left and hashlib.sha256(held[row].tobytes()).hexdigest() == left[at]
    ]
    if known:
        held = held.copy()
        held[known] = after[known]
    return held


def _between(held: Sectors, before: Sectors, after: Sectors) -> npt.NDArray[np.bool_]:
    """Sectors between old and new contents: erasing only sets bits, programming leaves
    those that are to stay."""
    known = (held == after).all(axis=1)
    for once in (before, after):
        known |= (held & once == once).all(axis=1)
    return np.asarray(known)


def _half_done(held: Sectors, once: Sectors) -> npt.NDArray[np.bool_]:
    """Sectors that keep every one of `once`, where those are so many that it means something."""
    ones = np.unpackbits(once, axis=1).sum(axis=1)
    return np.asarray((held & once == once).all(axis=1) & (ones >= TELLING * 8 * SECTOR))


def _only_cleared(held: Sectors, was: Sectors, row: int) -> bool:
    """Whether bits of contents were cleared, and none set: no file system writes so."""
    now, then = held[row], was[row]
    if bool((now & ~then).any()):
        return False
    over = (now != then) & (then != 0xFF)
    return int(over.sum()) > FEW


def _tells(held: Sectors, *known: Sectors) -> int:
    """Sectors that show whose chip it is: they hold, byte for byte, what one of the `known` has
    there, and that is more than one value repeated."""
    same = np.zeros(len(held), dtype=bool)
    for each in known:
        same |= (held == each).all(axis=1)
    return int((same & (held != held[:, :1]).any(axis=1)).sum())


def _rows(contents: bytes) -> Sectors:
    return np.frombuffer(contents, np.uint8).reshape(-1, SECTOR)


def _sectors(ranges: Iterable[Range]) -> set[int]:
    return set(sectors_in((each.start, each.end) for each in ranges))


def _blocks(sectors: Sequence[int], block: int, size: int) -> tuple[Range, ...]:
    """The erase blocks around sectors: whatever is erased for them, stays inside."""
    block = max(block, SECTOR)
    whole = {at for each in sectors for at in range(each // block * block, each + 1, SECTOR)}
    whole |= {
        at for each in sectors for at in range(each, min((each // block + 1) * block, size), SECTOR)
    }
    return tuple(Range(low, high - low) for low, high in sector_spans(whole))


def _not_this(journal: Journal, why: str) -> ChipMismatchError:
    state = journal.state
    return ChipMismatchError(
        f"The restore of {state.image_name} that was interrupted on {state.begun:%Y-%m-%d %H:%M} "
        f"was not of this chip: {why}.",
        state=SAFE,
        remedy=f"Put the other board on the clip and finish its restore, or move {journal.path} "
        "away from the shelf to work on this one.",
    )


def replayed(
    journal: Journal, contents: bytes, *, undo: bool = False, astray: Sequence[Range] = ()
) -> bytes:
    """What a chip that holds `contents` is to hold when the interrupted work is finished, or with
    `undo` taken back. What the work changed outside of the journal's ranges, `astray`, becomes
    what it was."""
    found = bytearray(contents)
    whole = journal.whole()
    if whole is not None:
        for each in astray:
            found[each.start : each.end] = whole[each.start : each.end]
    return _laid(bytes(found), journal.ranges, journal.before() if undo else journal.after())


def _laid(contents: bytes, ranges: Sequence[Range], data: bytes) -> bytes:
    """The contents with `data` in the ranges, one after the other."""
    found = bytearray(contents)
    at = 0
    for each in ranges:
        found[each.start : each.end] = data[at : at + each.length]
        at += each.length
    return bytes(found)


def refuse_withdrawn(journal: Journal, *, undo: bool) -> None:
    """Raise `ShelfError` when finishing the work would write what may be another board's by now."""
    job = None if undo else journal.withdrawn()
    if job is not None:
        raise ShelfError(
            f"This board failed while it was cloned (job {job}), and its values were returned to "
            "the list: another board may have them by now.",
            state="This command has not erased or written anything; the board is half written, "
            "and what it came with is in its backup set.",
            remedy="Continue with 'spiflash clone' and that job, which knows the board and gives "
            "it values of its own; or write back what it held with 'spiflash restore --undo'.",
        )
