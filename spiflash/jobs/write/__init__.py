"""Write to a chip: an image, parts of one, blank; or finish or undo a write that was interrupted.

There is one path. `prepare` reads the chip and works out a `Work`, which a person can look at;
`restore` asks about it and has it carried out (`rewrite`). Before anything is changed, all of this
must be true: the chip may be written, the image fits, no interrupted work on this chip waits to be
finished, and a verified backup of this very chip exists, unless the person waived it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from spiflash.archive.backupset import BackupSet, open_set
from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.shelf import MOST_SETS, SetsOfChip, Shelf
from spiflash.dump.audit import examine
from spiflash.dump.made_image import other_boards_items
from spiflash.errors import (
    SAFE,
    ChipMismatchError,
    ImageError,
    NoBackupError,
    ShelfError,
    UnfinishedWorkError,
    UsageError,
)
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image, load_image, overlay
from spiflash.jobs.reading import Reading
from spiflash.jobs.write.before import read_before
from spiflash.jobs.write.interrupted import Outside, read_twice, refuse_stranger, refuse_withdrawn
from spiflash.jobs.write.rewriting import Rewritten, rewrite
from spiflash.jobs.write.work import (
    Verify,
    Work,
    WriteOptions,
    journal_state,
    plan_resumed,
    plan_work,
    refuse_unknown,
    register_differences,
    whole_sectors,
)
from spiflash.nor.chip import ChipIdentity
from spiflash.spans import spans_of
from spiflash.text import amount, span

__all__ = [
    "SAFE",
    "Begun",
    "Interrupted",
    "Rewritten",
    "Verify",
    "Work",
    "WriteOptions",
    "blank",
    "find_interrupted",
    "named_backup",
    "plan_resumed",
    "plan_work",
    "prepare",
    "refuse_other_boards_items",
    "refuse_unknown",
    "restore",
    "rewrite",
]

USUAL = WriteOptions()


def restore(
    connection: Connection,
    shelf: Shelf,
    image: Image | None,
    watcher: Watcher,
    options: WriteOptions = USUAL,
    *,
    agree: Callable[[Work], bool],
) -> Rewritten:
    """Write `image`; None finishes the work that was interrupted, or undoes it. An undo that is
    interrupted as well can be finished in either direction.

    Only what differs is erased and programmed; everything outside the image stays. Raises the
    refusals described in `errors`, all before anything is changed.
    """
    refuse_unknown(connection)
    work = prepare(connection, shelf, image, watcher, options)
    if work.backup is None and (work.plan.steps or work.journal) and not options.without_backup:
        # A work that ended just before an interruption has nothing left to lose.
        raise NoBackupError(
            f"No verified backup of this very chip is on the shelf ({shelf.root}).",
            state=SAFE,
            remedy="Run 'spiflash backup' first. If its backup is kept elsewhere, name it with "
            "--backup; --without-backup writes anyway, and then there is no way back.",
        )
    if work.journal is not None:
        what = "Undoing" if options.undo else "Finishing"
        watcher.say(f"{what} the interrupted restore of {work.source}")
    return rewrite(connection, shelf, work, watcher, agree=agree)


def blank(connection: Connection, at: int, length: int | None) -> Image:
    """An image that is written to blank `length` bytes from `at` on (to the end when None).

    Raises `UsageError` for a range off the chip.
    """
    size = connection.chip.size
    end = size if length is None else at + length
    if not 0 <= at < end <= size:
        raise UsageError(
            f"The range {span(at, end)} is not on this chip: it has {amount(size)}.",
            state=SAFE,
            remedy="Give --at and --length within the chip.",
        )
    return Image(f"blank {span(at, end)}", b"\xff" * (end - at))


def prepare(
    connection: Connection,
    shelf: Shelf,
    image: Image | None,
    watcher: Watcher,
    options: WriteOptions = USUAL,
) -> Work:
    """Read the chip and work out what `restore` would do; nothing is changed or asked."""
    if image is not None:
        # Before the long reading what would be raised after it.
        overlay(bytes(connection.chip.size), image, options.at)
    named = named_backup(options.backup, connection) if options.backup is not None else None
    sets = SetsOfChip(connection.identity, shelf, named)
    begun = find_interrupted(connection, shelf, watcher, needed=image is None)
    if begun is not None:
        refuse_withdrawn(begun.journal, undo=options.undo)
        _same_request(begun.journal, image, options)
        work = plan_resumed(connection, begun.found, begun.journal, options, begun.outside)
    elif image is None:
        raise ImageError(
            "No interrupted restore of this chip was found: there is nothing to resume.",
            state=SAFE,
            remedy="Name the image or the backup set to write.",
        )
    else:
        for line in register_differences(connection, image):
            watcher.say(line)
        if foreign := _of_another_board(connection, image):
            board = f" ({image.board})" if image.board else ""
            watcher.say(f"Caution: {image.name} is a backup of another board{board}")
        known = [(options.at, image.contents)]
        if (backup := sets.verified()) is not None:
            known.append((0, sets.contents(backup)))
        odd = backup is not None or options.without_backup
        old = read_before(connection, known, options.passes, watcher, odd=odd)
        target = overlay(old.contents, image, options.at)
        work = plan_work(connection, old, target, image, options)
        work = replace(work, of_another_board=foreign)
    return replace(work, sets=sets, backup=_backup_of(work, sets, named))


def _of_another_board(connection: Connection, image: Image) -> bool:
    """Whether it is certain that `image` is a backup of another board: its chip was another."""
    return image.identity is not None and not connection.identity.may_stand_as(image.identity)


def _backup_of(work: Work, sets: SetsOfChip, named: BackupSet | None) -> BackupSet | None:
    """A verified set of this very chip.

    A chip with a unique ID is identified by it. One without is identified when a set's contents are
    what it holds now, or held whole before an interrupted work; or when the person named the set.
    What it held whole then counts wherever a set has it: the journal is a second reading of it.
    """
    held = work.old.contents
    if work.journal is not None and (whole := work.journal.whole()) is not None:
        held = whole
        for each in sets.holding(held):
            if each.record.sha256 == work.journal.before_sha256:
                return each
    if named is not None:
        return named
    return next((each for each in sets.holding(held) if each.record.verified), None)


def named_backup(path: Path, connection: Connection) -> BackupSet:
    """The set that a person named as this board's. Raises `NoBackupError` where it is not."""
    found = open_set(path)
    record = found.record
    same = connection.identity.may_stand_as(record.identity)
    if same and record.verified:
        return found
    why = "is of another chip" if not same else "is not verified"
    raise NoBackupError(
        f"The backup set {path} {why}.",
        state=SAFE,
        remedy="Name a verified set of this very board, or take one with 'spiflash backup'.",
    )


def refuse_other_boards_items(work: Work) -> None:
    """Raise `ImageError` when the work would bring another board's address or serial number to
    a board that has its own, on the chip or in a set; or all that another board held, which has
    more of its own than an audit finds."""
    if not work.plan.steps or work.sets is None:
        return
    if work.of_another_board and work.image is not None and work.image.parts is None:
        raise ImageError(
            f"{work.source} is a backup of another board.",
            state=SAFE,
            remedy="Name this board's own backup; write parts of it with --region; use 'spiflash "
            "convert', which keeps this board's own; or give --other-board (in Python "
            "other_board=True) when this is meant.",
        )
    sets = work.sets.holding(work.old.contents)[:MOST_SETS]
    found = other_boards_items(
        examine(work.old.contents, "the chip", signs=False),
        examine(work.target, "the image", signs=False),
        [work.sets.contents(each) for each in sets if each.record.verified],
    )
    if found:
        shown = ", ".join(dict.fromkeys(each.text for each in found[:6]))
        raise ImageError(
            f"{work.source} holds another board's {shown}.",
            state=SAFE,
            remedy="Use 'spiflash convert' or 'spiflash triage --image', which keep this board's "
            "own; or give --other-board when this is meant.",
        )


@dataclass(frozen=True, slots=True)
class Interrupted:
    """A work on this very chip that was interrupted, what the chip holds now, and what has changed
    outside of the work's ranges."""

    journal: Journal
    found: Reading
    outside: Outside


@dataclass(frozen=True, slots=True)
class Begun:
    """A journal of this very session, in which the whole chip is to hold again what it holds,
    whatever is done to it meanwhile. `backup` is the set that has it."""

    connection: Connection
    shelf: Shelf
    backup: BackupSet
    journal: Journal

    @classmethod
    def on(cls, connection: Connection, shelf: Shelf, backup: BackupSet, low: int) -> Begun:
        """Write the journal; from `low` on the chip will be erased in any case. Raises
        `ShelfError`."""
        image, size = load_image(backup.path), connection.chip.size
        state = journal_state(connection, image, [(0, size)], again=[(low, size)])
        journal = Journal.begin(shelf.journals, state, image.contents, image.contents)
        return cls(connection, shelf, backup, journal)

    def finish(self, watcher: Watcher) -> Rewritten:
        """Write back what the chip held. That it is this board is for the caller to know: its
        contents may show nothing of it any more. Raises what `rewrite` does."""
        found = read_twice(self.connection, [self.journal], watcher)
        work = plan_resumed(self.connection, found, self.journal, USUAL)
        sets = SetsOfChip(self.connection.identity, self.shelf, self.backup)
        work = replace(work, sets=sets, backup=self.backup)
        return rewrite(self.connection, self.shelf, work, watcher, agree=lambda work: True)


def find_interrupted(
    connection: Connection, shelf: Shelf, watcher: Watcher, *, needed: bool
) -> Interrupted | None:
    """The interrupted work on this chip, identified by its contents; None when there is none.

    Journals that another program works with are another chip's. With `needed`, journals of
    chips of this kind of which none is this one's raise `ChipMismatchError`; without, that is
    said. Raises `UnfinishedWorkError` for a damaged journal that may be this chip's, or one of
    another size with its unique ID, and `ShelfError` when two journals fit, or when another
    program has the only one that is `needed`.
    """
    identity = connection.identity
    found = open_journals(shelf.journals)
    for path, error in found.corrupt_of_chip(identity):
        raise UnfinishedWorkError(
            f"A restore of a chip like this one was interrupted, and its journal is damaged: "
            f"{error.cause}",
            state=f"{SAFE} This chip may be half written.",
            remedy=f"Move {path} away from the shelf and keep it; then write the board's backup "
            "set, the whole of it, with 'spiflash restore'.",
        )
    begun = found.of_chip(identity)
    journals = [each for each in begun if not each.in_use]
    if not journals:
        if needed and begun:
            raise ShelfError(
                f"Another program is writing to this chip, or to one of its kind: it works with "
                f"the journal {begun[0].path}.",
                state=SAFE,
                remedy="Wait until it has finished, or end it, then repeat.",
            )
        return None
    alike = [each for each in journals if each.state.size == identity.size]
    strange = [_of_another_size(each, identity) for each in journals if each not in alike]
    fitting: list[Interrupted] = []
    if alike:
        before = read_twice(connection, alike, watcher)
    for journal in alike:
        try:
            outside = refuse_stranger(connection, journal, before)
        except ChipMismatchError as exc:
            strange.append(exc)
        else:
            fitting.append(Interrupted(journal, before, outside))
    if len(fitting) > 1:
        paths = "\n  ".join(str(each.journal.path) for each in fitting)
        raise ShelfError(
            f"{len(fitting)} restores of chips of this kind were interrupted, and what this chip "
            f"holds fits each of them:\n  {paths}",
            state=SAFE,
            remedy="Move the journals of the other boards away from the shelf, then repeat.",
        )
    if fitting:
        return fitting[0]
    if needed:
        raise strange[0]
    which = "another board with such a chip"
    if identity.unique_id is not None:
        which = "this chip, or of one that has the same unique ID"
    state = journals[0].state
    watcher.say(
        f"Caution: a restore of {state.image_name} was interrupted on {state.begun:%Y-%m-%d %H:%M} "
        f"and not finished. It was of {which}: what this chip holds does not fit it. It is left "
        f"alone; its journal is {journals[0].path}"
    )
    return None


def _of_another_size(journal: Journal, identity: ChipIdentity) -> ChipMismatchError:
    """The refusal of a journal of a chip with the same ID and another size.

    Raises `UnfinishedWorkError` for one with the same unique ID as well: it is this chip, which was
    taken for a larger or smaller part then than it is now.
    """
    state = journal.state
    cause = (
        f"The restore of {state.image_name} that was interrupted on {state.begun:%Y-%m-%d %H:%M} "
        f"was of a chip of {amount(state.size)}; this one has {amount(identity.size)}"
    )
    if identity.unique_id is None:
        return ChipMismatchError(
            f"{cause}.", state=SAFE, remedy="Put the other board on the clip, then repeat."
        )
    raise UnfinishedWorkError(
        f"{cause}, and the same unique ID.",
        state=f"{SAFE} This chip may be half written. What it held is in {journal.path}.",
        remedy="Give --part and --size as for that restore, and --resume. If it was another chip, "
        "move the journal away from the shelf and keep it.",
    )


def _same_request(journal: Journal, image: Image | None, options: WriteOptions) -> None:
    """Raise `UnfinishedWorkError` unless `image` is what the interrupted work was to write, where
    it was, and the same is to be erased again: finishing that would not be what was asked for."""
    state = journal.state
    if image is None:
        return
    parts = state.parts if state.parts is None else tuple(spans_of(state.parts))
    erased = tuple(spans_of(state.again))
    again = whole_sectors((*options.erase_again, *erased))
    if (image.sha256, options.at, image.parts, again) == (
        state.image_sha256,
        state.at,
        parts,
        erased,
    ):
        return
    raise UnfinishedWorkError(
        f"A restore of {state.image_name} to this chip was interrupted on "
        f"{state.begun:%Y-%m-%d %H:%M}, and this is another request: another file, address or "
        "region. Parts of the chip are half written.",
        state=f"{SAFE} What was asked for now has not been done. What the chip held is in "
        f"{journal.path}.",
        remedy="Run 'spiflash restore --resume' to finish the first one, or --undo to take it "
        "back; then repeat this.",
    )
