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
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.archive.journal import Journal
from spiflash.dump.audit import examine
from spiflash.dump.identity import OwnItem
from spiflash.errors import SAFE, ChipMismatchError, ShelfError
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import Reading
from spiflash.jobs.reading.passes import read_spans, take_pass
from spiflash.nor.chip import Chip
from spiflash.spans import (
    SECTOR,
    Span,
    differing,
    joined,
    laid,
    merged,
    rows,
    sector_spans,
    sectors_in,
)
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
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Outside:
    """Sectors outside of a journal's ranges that do not hold what they held: `rewritten` by the
    board itself, as far as can be told, and `astray`, changed by the work by mistake. `blocks` are
    the erase blocks around those: they are restored with the work."""

    rewritten: tuple[int, ...] = ()
    astray: tuple[int, ...] = ()
    blocks: tuple[Span, ...] = ()


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
    again: set[int] = set()
    for journal in journals:
        again.update(sectors_in(journal.ranges))
        whole = journal.whole()
        if whole is not None:
            again.update(differing(first.contents, whole))
    where = sector_spans(again)
    second = read_spans(connection, where, 2, "confirming the reading", watcher)
    contents = laid(first.contents, where, b"".join(second))
    kept = len(contents) // SECTOR - len(again)
    unstable = differing(first.contents, contents)
    return Reading.of_one_pass(first, kept, len(again), contents=contents, unstable=unstable)


class _Inside:
    """The sectors of a journal's ranges by their addresses, with a row each of what they hold, held
    before and are to hold. Those that still hold what the last session saw them hold when they did
    not take what was written count as written."""

    def __init__(self, journal: Journal, contents: bytes) -> None:
        self.sectors, left = sectors_in(journal.ranges), journal.left()
        self.before, self.after = rows(journal.before()), rows(journal.after())
        self.held = rows(joined(contents, journal.ranges)).copy()
        for row, at in enumerate(self.sectors):
            held = contents[at : at + SECTOR]
            if at in left and hashlib.sha256(held).hexdigest() == left[at]:
                self.held[row] = self.after[row]

    def those(self, wanted: Flags) -> list[int]:
        """Addresses of the sectors that are flagged."""
        return [at for at, flag in zip(self.sectors, wanted.tolist(), strict=True) if flag]

    def between(self) -> Flags:
        """Sectors between old and new contents: erasing only sets bits, programming leaves those
        that are to stay."""
        return self.whole() | self._keep(self.before) | self._keep(self.after)

    def whole(self) -> Flags:
        """Sectors that hold the old contents or the new ones."""
        return _all(self.held == self.before) | _all(self.held == self.after)

    def usual(self) -> Flags:
        """The bytes that are old, new, erased, or what programming new over old leaves."""
        held, before, after = self.held, self.before, self.after
        found = (held == before) | (held == after) | (held == 0xFF) | (held == before & after)
        return np.asarray(found)

    def half_done(self) -> Flags:
        """Sectors that keep every one of the old contents or of the new ones, where those are so
        many that it means something."""
        found = np.zeros(len(self.held), dtype=bool)
        for once in (self.before, self.after):
            ones = np.unpackbits(once, axis=1).sum(axis=1)
            found |= self._keep(once) & (ones >= TELLING * 8 * SECTOR)
        return found

    def unexplained(self) -> list[int]:
        """Sectors with bytes that the interrupted work cannot have left there: somebody else wrote
        them."""
        return self.those(~(_all(self.usual()) | self.half_done()))

    def _keep(self, once: Sectors) -> Flags:
        return _all(self.held & once == once)


def _all(flags: Flags) -> Flags:
    """Of each sector, whether all of its bytes are flagged."""
    return np.asarray(flags.all(axis=1))


def unexplained_sectors(journal: Journal, found: Reading) -> list[int]:
    """Sectors of the ranges with bytes that the interrupted work cannot have left there."""
    return _Inside(journal, found.contents).unexplained()


def half_done_sectors(journal: Journal, found: Reading) -> list[int]:
    """Sectors of the ranges that hold neither what was there nor what is to be."""
    held = joined(found.contents, journal.ranges)
    other = set(differing(held, journal.before())).intersection(differing(held, journal.after()))
    inside = enumerate(sectors_in(journal.ranges))
    return [at for row, at in inside if row * SECTOR in other]


def refuse_stranger(connection: Connection, journal: Journal, found: Reading) -> Outside:
    """Raise `ChipMismatchError` unless the chip that was read is the journal's; what is outside of
    its ranges and not as it was."""
    chip, unstable = connection.chip, set(found.unstable)
    inside = _Inside(journal, found.contents)
    strange = inside.those(~inside.between())
    neither = (
        f"{len(strange)} of {len(inside.sectors)} sectors that it was to change hold neither the "
        "old nor the new contents"
    )
    if len(strange) * SECTOR > IN_THE_AIR * max(chip.largest_erase, SECTOR):
        raise _not_this(journal, neither)
    broken_off = _broken_off(inside, chip)
    if broken_off > IN_THE_AIR:
        raise _not_this(
            journal, f"it would take {broken_off} interrupted erases to leave what this chip holds"
        )
    held, whole = rows(found.contents), journal.whole()
    telling = _tells(inside.held, inside.before, inside.after)
    if whole is not None:
        outside = np.setdiff1d(np.arange(len(held)), np.array(inside.sectors, np.int64) // SECTOR)
        telling += _tells(held[outside], rows(whole)[outside])
    if len(strange) > max(telling, SETTINGS):
        raise _not_this(
            journal, f"{neither}, and fewer hold anything that shows that it is this chip"
        )
    if whole is None:
        return Outside()
    differs = set(differing(found.contents, whole)).difference(inside.sectors) - unstable
    rest = len(held) - len(inside.sectors)
    if len(differs) > MOST_OUTSIDE * rest:
        raise _not_this(
            journal,
            f"{len(differs)} of the {rest} sectors that it was not to change hold something else "
            "than before",
        )
    was = rows(whole)
    astray = tuple(at for at in sorted(differs) if _only_cleared(held, was, at // SECTOR))
    rewritten = tuple(sorted(differs.difference(astray)))
    foreign = sorted(set(strange) - unstable)
    _refuse_other_items(connection, journal, whole, found, inside, (*foreign, *rewritten))
    block = max(chip.largest_erase, SECTOR)
    blocks = merged(
        (at // block * block, min((at // block + 1) * block, chip.size)) for at in astray
    )
    return Outside(rewritten, astray, tuple(blocks))


def _refuse_other_items(
    connection: Connection,
    journal: Journal,
    whole: bytes,
    found: Reading,
    inside: _Inside,
    rewritten: Sequence[int],
) -> None:
    """Raise `ChipMismatchError` when the board's own items are gone from the sectors that somebody
    has `rewritten`, or stand there with another value; or when it had none and has no unique ID
    either, and there are such sectors."""
    strange = set(inside.unexplained()).difference(found.unstable)
    if not rewritten and not strange:
        return
    had = [item for item in examine(whole, "before").own if item.kind in OWN]
    where = {item: set(sectors_in([(item.start, item.end)])) for item in had}
    covered = set(inside.sectors).difference(rewritten)
    gone = [
        item
        for item in had
        if not where[item] & covered and whole[item.start : item.end] not in found.contents
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
    target = laid(whole, journal.ranges, journal.after())
    for item in examine(now, "now").own:
        at = item.start // SECTOR
        value = now[item.start : item.end]
        if value in known or value == target[item.start : item.end]:
            continue
        if at * SECTOR in strange and (item.kind, at) in kinds:
            raise _not_this(
                journal, f"at {address(item.start)} it holds another {item.kind} than that board"
            )


def _broken_off(inside: _Inside, chip: Chip) -> int:
    """How many erases, at least, must have been interrupted to leave what is held inside.

    An erase changes all of its block at once: a block with a sector that is still what it was, or
    is already what it is to be, was not being erased. A few wrong bytes come from noise, and zeros
    from the first half of an erase, in which chips program what they are going to erase.
    """
    done = inside.whole() & (inside.held != 0xFF).any(axis=1)
    odd = (~inside.usual() & (inside.held != 0)).sum(axis=1) > NOISY
    finished, covered = set(inside.those(done)), set(inside.sectors)
    sizes = {SECTOR, chip.size, *(kind.size for kind in chip.geometry.erase_types)}
    found: set[tuple[int, int]] = set()
    for at in inside.those(odd & ~done & ~inside.half_done()):
        for size in sorted(sizes, reverse=True):
            block = set(range(at // size * size, min((at // size + 1) * size, chip.size), SECTOR))
            if block <= covered and not block & finished:
                found.add((at // size * size, size))
                break
        else:
            found.add((at, SECTOR))
    return len(found)


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
    journal: Journal, contents: bytes, *, undo: bool = False, astray: Sequence[Span] = ()
) -> bytes:
    """What a chip that holds `contents` is to hold when the interrupted work is finished, or with
    `undo` taken back. What the work changed outside of the journal's ranges, `astray`, becomes
    what it was."""
    whole = journal.whole()
    if whole is not None:
        contents = laid(contents, astray, joined(whole, astray))
    return laid(contents, journal.ranges, journal.before() if undo else journal.after())


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
