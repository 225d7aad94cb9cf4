"""Bring a chip from what it holds to what it should hold, and prove it.

The order makes it safe: ask, check again whether it is this very board, save what no set has, write
the journal to disk, see that commands arrive; only then erase and program, checking the board
between the steps; read back, and drop the journal once everything in it is proven. An interruption
at any moment leaves a chip of which the journal has all that it held, and all that it is to hold.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spiflash.archive.backupset import BackupSet
from spiflash.archive.journal import Journal
from spiflash.archive.shelf import Shelf
from spiflash.errors import (
    SAFE,
    AdapterLostError,
    AstrayError,
    ChipMismatchError,
    DeclinedError,
    InterruptedWorkError,
    NotTakenError,
    ShelfError,
    SpiflashError,
    UnstableReadError,
)
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import disagreements
from spiflash.jobs.same_board import SameBoard
from spiflash.jobs.write.before import (
    SetsOfChip,
    finish_journal,
    keep,
    unsaved,
)
from spiflash.jobs.write.interrupted import half_done, note_outside, unexplained
from spiflash.jobs.write.proof import Proof, changed_sectors, compare, prove
from spiflash.jobs.write.readiness import prove_commands, refuse_protected, restore_chip_state
from spiflash.jobs.write.steps import HALF_DONE, Steps
from spiflash.jobs.write.work import Verify, Work, as_ranges, journal_state, plan_repair
from spiflash.nor.commands import write_disable
from spiflash.nor.unprotect import unprotected
from spiflash.plan import Plan
from spiflash.spans import SECTOR, sector_spans, sectors_in
from spiflash.text import address, counted

HAND = 0.4
"""Seconds from which a question was open so long that a hand could have moved the clip."""


@dataclass(frozen=True, slots=True)
class Rewritten:
    """What was done: the plan, how it is known to be right (None when there was nothing to
    do), and the seconds it took."""

    plan: Plan
    proof: Proof | None
    seconds: float

    @property
    def repaired(self) -> tuple[int, ...]:
        """Sectors that had to be written again."""
        return self.proof.repaired if self.proof else ()


def rewrite(
    connection: Connection,
    shelf: Shelf,
    work: Work,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
) -> Rewritten:
    """Carry the work out. `agree` is asked before anything is changed; after the answer what is
    concerned is read once more, unless the person agreed in advance.

    A work that continues an interrupted one holds that one's journal meanwhile; another begins
    one. What is overwritten and is in no set is kept on the shelf first.

    Raises `DeclinedError`, `ChipProtectedError`, `ChipMismatchError` when another board is on the
    clip by now, `VerifyError` with the sectors that would not hold their contents, the errors of
    `steps` and `readiness`, `ShelfError` when another program has the journal, and
    `InterruptedWorkError` after Ctrl-C.
    """
    clock, options, journal = connection.bus.clock, work.options, work.journal
    start = clock.now()
    if journal is None and not work.plan.steps:
        return Rewritten(work.plan, None, 0.0)
    with contextlib.ExitStack() as stack:
        if journal is not None:
            stack.enter_context(journal.held())
            note_outside(journal, work.outside, watcher)
        board = SameBoard(connection)
        board.learn(work.old.contents, unsure=work.old.unstable)
        if not options.unprotect:
            refuse_protected(connection, work.plan)
        if work.plan.steps:
            _ask(connection, board, work, watcher, agree)
        steps = Steps(connection, board, work.old.contents)
        sets = _kept(connection, shelf, work, watcher)
        if work.plan.steps:
            steps.for_writing()
            prove_commands(connection, work.old.contents, watcher)
        if journal is None:
            state = journal_state(connection, work)
            after = b"".join(work.target[each.start : each.end] for each in state.ranges)
            journal = Journal.begin(shelf.journals, state, work.old.contents, after)
            stack.enter_context(journal.held())
        try:
            affected = work.plan.affected if options.unprotect else ()
            with unprotected(connection.flash, affected):
                steps.carry_out(work.plan, "erasing and programming", watcher)
                proof = _prove(steps, work, journal, watcher)
            if work.journal is not None:
                # What this session changed itself, it has restored itself.
                restore_chip_state(connection, journal)
            board.check_thoroughly(state="It is not known whether this board is correct.")
        except KeyboardInterrupt as exc:
            raise InterruptedWorkError(
                "Stopped in the middle of writing.",
                state="The chip holds a mixture of old and new contents; both are in "
                f"{journal.path}.",
                remedy="Run 'spiflash restore --resume' to finish; do not power the board before "
                "that.",
            ) from exc
        except SpiflashError as exc:
            _left_behind(exc, steps, journal, resumed=work.journal is not None)
            raise
        finally:
            _disarm(connection)
        finish_journal(journal, work.target, sets, watcher)
    return Rewritten(work.plan, proof, clock.now() - start)


def _ask(
    connection: Connection,
    board: SameBoard,
    work: Work,
    watcher: Watcher,
    agree: Callable[[Work], bool],
) -> None:
    """Ask the person, and see that nothing has changed meanwhile."""
    clock = connection.bus.clock
    asked = clock.now()
    if not agree(work):
        raise DeclinedError("Cancelled.", state=SAFE)
    board.check_thoroughly(state=SAFE)
    if not work.options.in_advance:
        _refuse_moved(connection, work, watcher, all_asked=clock.now() - asked >= HAND)


def _refuse_moved(connection: Connection, work: Work, watcher: Watcher, *, all_asked: bool) -> None:
    """Read once more, now that the person has answered, what is to be changed; with `all_asked`
    also what was asked for and is correct already. A question may be open for an hour, in which the
    board runs and changes its settings, or a twin with nearly the same contents comes on the
    clip.

    Raises `ChipMismatchError` where it is not what the plan rests on.
    """
    where = [*work.plan.affected, *(work.asked if all_asked else ())]
    sectors = set(sectors_in(where)).difference(work.old.unstable)
    if work.journal is not None:
        # Cells that an interruption left half way may read differently each time.
        sectors -= set(half_done(work.journal, work.old))
    if not sectors:
        return
    held = bytearray(work.old.contents)
    title = "reading before writing"
    try:
        moved, _ = compare(
            connection, sector_spans(sectors), held, work.old.contents, watcher, title
        )
    except UnstableReadError as exc:
        exc.state = SAFE
        raise
    if moved:
        raise ChipMismatchError(
            f"What the chip holds has changed since it was read: {counted(len(moved), 'sector')}, "
            f"the first at {address(moved[0])}.",
            state=SAFE,
            remedy="The board's processor has written to it, or another board is on the clip: put "
            "the right board on, hold its processor in reset, and repeat.",
        )


def _kept(connection: Connection, shelf: Shelf, work: Work, watcher: Watcher) -> list[BackupSet]:
    """The sets that hold what the work overwrites, one made for it if need be."""
    known = [work.old.contents]
    changed = set(disagreements([work.old.contents, work.target]))
    touched = [at for at in sectors_in(work.plan.affected) if at in changed]
    why = "what the chip holds and no backup set has"
    if work.journal is not None:
        whole = work.journal.whole()
        known += [whole] if whole is not None else []
        # What the interrupted work left half done is no loss; the journal has both ends of it.
        strange = set(unexplained(work.journal, work.old))
        touched = [at for at in touched if at in strange]
        why = "what the interrupted work cannot have left there"
    on_shelf = work.sets or SetsOfChip(connection, shelf)
    sets = on_shelf.holding(*known)
    if work.backup is not None:
        sets.insert(0, work.backup)
    if unsaved(work.old.contents, touched, sets, on_shelf.contents):
        sets.append(keep(connection, shelf, work.old, why, sets, watcher))
    return sets


def _left_behind(error: SpiflashError, steps: Steps, journal: Journal, *, resumed: bool) -> None:
    """Say where everything is; a new journal of a work that changed nothing is dropped."""
    if not steps.changed and not resumed:
        with contextlib.suppress(ShelfError):
            journal.finish()
        return
    if isinstance(error, AstrayError):
        with contextlib.suppress(SpiflashError):
            journal.note_astray(as_ranges(sector_spans(error.sectors)))
    if isinstance(error, NotTakenError):
        with contextlib.suppress(SpiflashError):
            journal.note_left(error.held)
    error.state = (
        f"{error.state} What the chip held before and what it is to hold are kept in "
        f"{journal.path}."
    ).strip()
    if isinstance(error, AdapterLostError):
        error.state = f"The chip holds a mixture of old and new contents. {error.state}"
        error.remedy = (
            "Plug it in again and run 'spiflash restore --resume' to finish; do not power the "
            "board before that."
        )


def _disarm(connection: Connection) -> None:
    """Clear the write enable latch, whatever happened: the next command may be a stray one."""
    with contextlib.suppress(SpiflashError):
        connection.bus.run([write_disable()])


def _prove(steps: Steps, work: Work, journal: Journal, watcher: Watcher) -> Proof:
    connection, options = steps.connection, work.options
    ranges = journal.ranges

    def write_again(held: bytes, wrong: Sequence[int]) -> None:
        # What was read may be another board's: the rest of this one is checked first.
        for at in wrong:
            steps.board.changes(at, at + SECTOR)
        steps.board.check_thoroughly(state=HALF_DONE)
        plan = plan_repair(connection, held, work.target, ranges)
        steps.carry_out(plan, "writing again", watcher)

    for remark in steps.remarks:
        watcher.say(remark)
    covered = [(each.start, each.end) for each in ranges]
    touched = changed_sectors(work.plan)
    try:
        return prove(
            connection,
            # An interrupted work may have left any part of its ranges undone.
            covered if work.journal is not None else touched,
            touched,
            covered,
            work.target,
            watcher,
            # Whoever wants more passes than usual wants all of the chip in them.
            whole=options.verify is Verify.ALL or options.passes > 2 or bool(steps.remarks),
            passes=options.passes,
            write_again=write_again,
        )
    except AstrayError as exc:
        for at in exc.wrong:
            steps.board.changes(at, at + SECTOR)
        steps.board.check_thoroughly(state=HALF_DONE)
        raise
