"""Bring a chip from what it holds to what it should hold, and prove it.

The order is what makes it safe: read and believe it, plan, check, ask, look again whether it is
this very board, keep on the shelf what no set has, write the journal to disk, see that commands
arrive; only then erase and program, looking at the board between the steps; read back, and drop
the journal once everything in it is proven. A cut at any moment leaves a chip of which the journal
has all that it held, and all that it is to hold.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from spiflash.archive.backupset import BackupSet
from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.archive.shelf import Shelf
from spiflash.errors import (
    AdapterLostError,
    ChipMismatchError,
    ChipProtectedError,
    DeclinedError,
    InterruptedWorkError,
    ShelfError,
    SpiflashError,
    UnstableReadError,
    UsageError,
)
from spiflash.jobs import Watcher
from spiflash.jobs.backup import now
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import disagreements
from spiflash.jobs.same_board import SameBoard
from spiflash.jobs.write.before import (
    Before,
    Stretch,
    finish_journal,
    keep,
    sectors_of,
    sets_of,
    stretches,
    unsaved,
)
from spiflash.jobs.write.interrupted import half_done, put_things_back, unexplained
from spiflash.jobs.write.proof import AstrayError, Proof, Verify, changed_sectors, compare, prove
from spiflash.jobs.write.readiness import prove_commands
from spiflash.jobs.write.steps import HALF_DONE, Steps
from spiflash.nor.chip import Chip
from spiflash.nor.commands import write_disable
from spiflash.nor.geometry import Geometry
from spiflash.nor.unprotect import unprotected, why_not
from spiflash.plan import Plan, TransferCost, make_plan
from spiflash.spans import SECTOR, merged
from spiflash.text import counted

TURNAROUND = 0.3e-3
"""Seconds that one exchange with the adapter costs beside the bits: a few USB microframes and
the host (common practice, no source)."""

HAND = 0.4
"""Seconds from which a question was open so long that a hand could have moved the clip."""

COMPLEMENT = bytes(255 - value for value in range(256))


@dataclass(frozen=True, slots=True)
class Work:
    """What would be done, shown to a person before it is. `asked` is where the image lies: what
    is right there already stays as it is, and is vouched for all the same. `again` are whole
    sectors that are erased whatever they read."""

    plan: Plan
    target: bytes
    old: Before
    asked: tuple[Stretch, ...] = ()
    again: tuple[Stretch, ...] = ()


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


def plan_work(
    connection: Connection,
    old: Before,
    target: bytes,
    asked: Sequence[Stretch] = (),
    again: Sequence[Stretch] = (),
) -> Work:
    """The least work from `old` to `target` (the whole chip both).

    Whole sectors in the (start, end) ranges `again` are erased whatever they read: an erase was
    cut short in them, and what reads as blank today may not tomorrow. Raises `UsageError` for a
    range off the chip.
    """
    assumed = bytearray(old.contents)
    for start, end in again:
        if end > len(assumed):
            raise UsageError(
                f"The range {start:#x}–{end:#x} does not lie on a chip of {len(assumed)} bytes.",
                state="Nothing has been erased or written.",
                remedy="Give a range within the chip.",
            )
    inside = whole_sectors(again)
    for low, high in inside:
        # 00h: every bit of an erased sector has to rise.
        assumed[low:high] = bytes(high - low)
    plan = make_plan(bytes(assumed), target, connection.flash.geometry, _cost(connection))
    return Work(plan, target, old, tuple(asked), inside)


def whole_sectors(where: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """The whole sectors in some ranges, ascending, joined where they meet."""
    found = {
        low
        for start, end in where
        for low in range(-(-start // SECTOR) * SECTOR, end // SECTOR * SECTOR, SECTOR)
    }
    return tuple(stretches(sorted(found)))


def plan_resumed(connection: Connection, old: Before, target: bytes, journal: Journal) -> Work:
    """The work that finishes a restore that was cut short.

    Cells that lost power in mid-erase or mid-program may read right today and wrong tomorrow:
    every sector of the journal that is not yet what it should be is erased again, whatever it
    reads, and so is what it says to erase in any case. Nothing outside the journal's ranges is
    touched, so that it still covers this work when it is cut short as well.
    """
    assumed = bytearray(old.contents)
    ranges = journal.ranges
    again = set(sectors_of((each.start, each.end) for each in journal.state.again))
    again |= set(old.unstable)
    for each in ranges:
        for start in range(each.start, each.end, SECTOR):
            end = start + SECTOR
            if start in again or old.contents[start:end] != target[start:end]:
                # The complement: whatever the target is, each of its bits has to be written.
                assumed[start:end] = target[start:end].translate(COMPLEMENT)
    geometry = _within(connection.flash.geometry, ranges)
    plan = make_plan(bytes(assumed), target, geometry, _cost(connection))
    return Work(plan, target, old)


def _cost(connection: Connection) -> TransferCost:
    return TransferCost.at_clock(connection.ceiling, turnaround=TURNAROUND)


def journal_ranges(plan: Plan, chip: Chip) -> tuple[Range, ...]:
    """What the plan may change, rounded out to the largest erase blocks: whichever erases a
    later attempt chooses for the same sectors, they stay inside, and so does an erase that takes
    more than its size."""
    block = max(chip.largest_erase, SECTOR)
    found = [
        (low // block * block, min(-(-high // block) * block, chip.size))
        for low, high in plan.affected
    ]
    for start, end, types in chip.geometry.spans():
        # A region that is one block need not be aligned to its size.
        if any(kind.size == end - start for kind in types):
            found += [(start, end) for low, high in plan.affected if low < end and start < high]
    return tuple(Range(low, high - low) for low, high in merged(found))


def refuse_protected(connection: Connection, plan: Plan) -> None:
    """Raise `ChipProtectedError` when the plan touches a protected range."""
    guard = connection.flash.protection()
    hit = [pair for pair in plan.affected if guard.overlaps(*pair)]
    if not hit:
        return
    where = ", ".join(f"{low:#x}–{high - 1:#x}" for low, high in guard.ranges)
    if not guard.extent_known:
        where += " (at most; how much is not known for this part)"
    remedy = "Repeat with --unprotect to lift the protection for the time of the work" + (
        f"; the status register is {guard.lock.value}, too." if guard.register_locked else "."
    )
    if reason := why_not(connection.chip, guard):
        remedy = (
            f"--unprotect does not help here: {reason}. Name the part with --part if you know it, "
            "or clear the protection in the way its data sheet describes."
        )
    raise ChipProtectedError(
        f"The chip's block protection covers {where}, and this work would change "
        f"{hit[0][0]:#x}–{hit[0][1] - 1:#x}.",
        state="Nothing has been erased or written.",
        remedy=remedy,
    )


def rewrite(
    connection: Connection,
    shelf: Shelf,
    work: Work,
    image_name: str,
    image_sha256: str,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    passes: int = 2,
    verify: Verify = Verify.CHANGED,
    journal: Journal | None = None,
    unprotect: bool = False,
    in_advance: bool = False,
    backup: BackupSet | None = None,
    at: int = 0,
    parts: Sequence[Stretch] | None = None,
) -> Rewritten:
    """Carry the work out. `agree` is asked before anything is changed.

    `journal` is one found open for this chip, which the caller holds (`Journal.held`) and this
    work finishes; without one, a new one is begun. `unprotect` lifts the chip's block protection
    and puts it back afterwards. With `in_advance` nobody is asked any more, so that no time passes;
    else what is concerned is read once more after the answer. `backup` is a set that a person named
    as this board's. `at` is the address of the image's first byte, `parts` the offsets in it that
    are to be written, None for all: a later attempt is told apart from another request by them.

    What is overwritten and is in no set is kept on the shelf first.

    Raises `DeclinedError`, `ChipProtectedError`, `ChipMismatchError` when another board is on the
    clip by now, `VerifyError` with the sectors that would not hold their contents, the errors of
    `steps` and `readiness`, and `InterruptedWorkError` after Ctrl-C.
    """
    clock = connection.bus.clock
    start = clock.now()
    board = SameBoard(connection)
    board.learn(work.old.contents, unsure=work.old.unstable)
    if journal is None and not work.plan.steps:
        return Rewritten(work.plan, None, 0.0)
    if not unprotect:
        refuse_protected(connection, work.plan)
    if work.plan.steps:
        asked = clock.now()
        if not agree(work):
            raise DeclinedError(
                "Not done, as you said.", state="Nothing has been erased or written."
            )
        board.check_thoroughly(state="Nothing has been erased or written.")
        if not in_advance:
            paused = clock.now() - asked >= HAND
            _refuse_moved(connection, work, journal, watcher, all_asked=paused)
    steps = Steps(connection, board, work.old.contents)
    sets = _kept(connection, shelf, work, journal, backup, watcher)
    with contextlib.ExitStack() as stack:
        # What a session of its own changed, it has put back itself.
        resumed = journal is not None
        if journal is None:
            steps.for_writing()
            prove_commands(connection, work.old.contents, watcher)
            state = _state(connection, work, image_name, image_sha256, at, parts)
            after = b"".join(work.target[each.start : each.end] for each in state.ranges)
            journal = Journal.begin(shelf.journals, state, work.old.contents, after)
            stack.enter_context(journal.held())
        elif work.plan.steps:
            steps.for_writing()
            prove_commands(connection, work.old.contents, watcher)
        try:
            with unprotected(connection.flash, work.plan.affected if unprotect else ()):
                steps.carry_out(work.plan, "erasing and programming", watcher)
                proof = _prove(
                    steps, work, journal, watcher, verify=verify, passes=passes, resumed=resumed
                )
            if resumed:
                put_things_back(connection, journal)
            board.check_thoroughly(state="Whether this board is right is not known.")
        except KeyboardInterrupt as exc:
            raise InterruptedWorkError(
                "Stopped in the middle of writing.",
                state="The chip holds a mixture of old and new contents; both are in "
                f"{journal.path}.",
                remedy="Run 'spiflash restore --resume' to finish; do not power the board before.",
            ) from exc
        except SpiflashError as exc:
            _left_behind(exc, steps, journal, resumed=resumed)
            raise
        finally:
            _disarm(connection)
        finish_journal(journal, work.target, sets, watcher)
    return Rewritten(work.plan, proof, clock.now() - start)


def _refuse_moved(
    connection: Connection,
    work: Work,
    journal: Journal | None,
    watcher: Watcher,
    *,
    all_asked: bool,
) -> None:
    """Read once more, now that the person has answered, what is to be changed; with `all_asked`
    also what was asked for and is right already. A question may be open for an hour, in which the
    board runs and changes its settings, or a sister with nearly the same contents comes on the
    clip.

    Raises `ChipMismatchError` where it is not what the plan rests on.
    """
    where = [*work.plan.affected, *(work.asked if all_asked else ())]
    sectors = set(sectors_of(where)).difference(work.old.unstable)
    if journal is not None:
        # Cells that a cut left half way may read differently each time.
        sectors -= set(half_done(journal, work.old))
    if not sectors:
        return
    held = bytearray(work.old.contents)
    title = "reading it once more before it is written"
    try:
        moved, _ = compare(
            connection, stretches(sorted(sectors)), held, work.old.contents, watcher, title
        )
    except UnstableReadError as exc:
        exc.state = "Nothing has been erased or written."
        raise
    if moved:
        raise ChipMismatchError(
            f"What the chip holds has changed since it was read: {counted(len(moved), 'sector')}, "
            f"the first at {moved[0]:#x}.",
            state="Nothing has been erased or written.",
            remedy="The board's processor has written to it, or another board is on the clip: put "
            "the right board on, hold its processor in reset, and repeat.",
        )


def _kept(
    connection: Connection,
    shelf: Shelf,
    work: Work,
    journal: Journal | None,
    backup: BackupSet | None,
    watcher: Watcher,
) -> list[BackupSet]:
    """The sets that hold what the work overwrites, one made for it if need be."""
    known = [work.old.contents]
    changed = set(disagreements([work.old.contents, work.target]))
    touched = [at for at in sectors_of(work.plan.affected) if at in changed]
    why = "what the chip holds and no set has"
    if journal is not None:
        whole = journal.whole()
        known += [whole] if whole is not None else []
        # What the cut work left half done is no loss; the journal has both ends of it.
        strange = set(unexplained(journal, work.old))
        touched = [at for at in touched if at in strange]
        why = "what the cut work cannot have left there"
    sets = sets_of(connection, shelf, known, backup)
    if unsaved(work.old.contents, touched, sets):
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
            journal.note_astray(_as_ranges(stretches(error.sectors)))
    error.state = (
        f"{error.state} What the chip held before and what it is to hold are kept in "
        f"{journal.path}."
    ).strip()
    if isinstance(error, AdapterLostError):
        error.state = f"The chip holds a mixture of old and new contents. {error.state}"
        error.remedy = (
            "Plug it in again and run 'spiflash restore --resume' to finish; do not power the "
            "board before."
        )


def _disarm(connection: Connection) -> None:
    """Clear the write enable latch, whatever happened: the next command may be a stray one."""
    with contextlib.suppress(SpiflashError):
        connection.bus.run([write_disable()])


def _state(
    connection: Connection,
    work: Work,
    image_name: str,
    image_sha256: str,
    at: int,
    parts: Sequence[Stretch] | None,
) -> JournalState:
    identity = connection.identity
    return JournalState(
        chip=connection.chip.name,
        jedec_id=identity.jedec_id.hex(),
        unique_id=identity.unique_hex,
        size=identity.size,
        ranges=journal_ranges(work.plan, connection.chip),
        image_name=image_name,
        image_sha256=image_sha256,
        begun=now(),
        registers={name: value.hex() for name, value in connection.registers.items()},
        four_byte_mode=connection.mode.four,
        segment=connection.mode.segment,
        at=at,
        parts=None if parts is None else _as_ranges(parts),
        again=_as_ranges(work.again),
    )


def _as_ranges(where: Sequence[Stretch]) -> tuple[Range, ...]:
    return tuple(Range(low, high - low) for low, high in where)


def _prove(
    steps: Steps,
    work: Work,
    journal: Journal,
    watcher: Watcher,
    *,
    verify: Verify,
    passes: int,
    resumed: bool,
) -> Proof:
    connection = steps.connection
    ranges = journal.ranges

    def write_again(held: bytes, wrong: Sequence[int]) -> None:
        # What was read may be another board's: the rest of this one is looked at before.
        for at in wrong:
            steps.board.changes(at, at + SECTOR)
        steps.board.check_thoroughly(state=HALF_DONE)
        geometry = _within(connection.flash.geometry, ranges)
        plan = make_plan(held, work.target, geometry, _cost(connection))
        steps.carry_out(plan, "writing again", watcher)

    for remark in steps.remarks:
        watcher.say(remark)
    covered = [(each.start, each.end) for each in ranges]
    touched = changed_sectors(work.plan)
    try:
        return prove(
            connection,
            # A work that was cut short may have left any part of its ranges undone.
            covered if resumed else touched,
            touched,
            covered,
            work.target,
            watcher,
            # Whoever wants more passes than usual wants all of the chip in them.
            verify=Verify.ALL if passes > 2 or steps.remarks else verify,
            passes=passes,
            write_again=write_again,
        )
    except AstrayError as exc:
        for at in exc.wrong:
            steps.board.changes(at, at + SECTOR)
        steps.board.check_thoroughly(state=HALF_DONE)
        raise


def _within(geometry: Geometry, ranges: Sequence[Range]) -> Geometry:
    """What may be erased while only these ranges are the journal's: everything but the whole
    chip, since ranges are rounded out to the largest blocks."""
    if sum(each.length for each in ranges) < geometry.size:
        return replace(geometry, chip_erase=None)
    return geometry
