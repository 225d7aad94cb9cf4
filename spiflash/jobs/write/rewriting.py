"""Bring a chip from what it holds to what it should hold, and prove it.

The order makes it safe: ask, check again whether it is this very board, save what no set has, write
the journal to disk, see that commands arrive; only then erase and program, checking the board
between the steps; read back, and drop the journal once everything in it is proven. An interruption
at any moment leaves a chip of which the journal has all that it held, and all that it is to hold.

The rules of the proof:

* every sector that was erased or programmed is read back and compared with what it should hold. One
  reading is enough where it matches: what it is compared with never came over this contact in this
  form, and an error does not invent it. A sector that does not match is first read again with other
  settings: a bad reading is likelier than a bad cell. What still does not match is written again,
  page by page where bits only have to clear, otherwise with an erase, at most `REPAIRS` times;
* what the work has not touched is never written again because of a reading. Where that does not
  match, commands reached wrong addresses or another board is on the clip, and the proof ends there;
* what else the work could have changed is checked, too: the blocks that the largest erase of the
  chip could have taken (all of them where that is little, of more a piece of every sector), and
  the first pages of the chip, which a page reaches whose address was cut off. The first sector
  that has to be read or written again makes the check one of the whole chip, in passes, against all
  that it held before and was to hold.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

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
from spiflash.jobs import DRAW, Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import read_in_passes
from spiflash.jobs.reading.passes import read_spans
from spiflash.jobs.same_board import SameBoard
from spiflash.jobs.write.before import finish_journal, save_overwritten
from spiflash.jobs.write.interrupted import half_done_sectors, note_outside
from spiflash.jobs.write.steps import HALF_DONE, Steps, prove_commands
from spiflash.jobs.write.work import (
    Verify,
    Work,
    journal_ranges,
    journal_state,
    plan_repair,
    refuse_protected,
    restore_chip_state,
)
from spiflash.nor.commands import write_disable
from spiflash.nor.unprotect import unprotected
from spiflash.plan import Plan
from spiflash.spans import SECTOR, Span, differing, joined, sector_spans, sectors_in
from spiflash.text import address, counted

HAND = 0.4
"""Seconds from which a question was open so long that a hand could have moved the clip."""

REPAIRS = 2
"""How often sectors that do not verify are written again before they are given up."""

AGAIN = 12
"""Further readings of a sector that does not match: two that match in a row clear it. At one wrong
bit in a million a sector of 4 KiB is wrong in one of 30 readings; three more are not enough then
in one of a thousand sectors, which is a matter of time where many are read."""

LITTLE = 1 / 16
"""Share of the chip that is read back whole beside what was changed; of more, a piece of each
sector is."""

PIECE = 64
"""Bytes that are read of a sector beside what was changed: what an erase took is all blank."""

FIRST = 0x1000
"""Bytes at the start of the chip that are always read back."""


@dataclass(frozen=True, slots=True)
class Proof:
    """How it is known. `sectors` were read back; `passes` of the whole chip were taken (0: only
    what was changed and its neighbours were read); `reread` sectors matched only when read again;
    `repaired` ones were written again; of `glanced` sectors beside them a piece was read."""

    sectors: int
    passes: int
    reread: tuple[int, ...]
    repaired: tuple[int, ...]
    glanced: int = 0


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
    `steps`, `ShelfError` when another program has the journal, and
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
        sets = save_overwritten(connection, shelf, work, watcher)
        if work.plan.steps:
            steps.for_writing()
            prove_commands(connection, work.old.contents, watcher)
        if journal is None:
            assert work.image is not None
            ranges = journal_ranges(work.plan, connection.chip)
            state = journal_state(
                connection, work.image, ranges, at=options.at, again=work.erased_again
            )
            after = joined(work.target, ranges)
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
            # Clear the write enable latch, whatever happened: the next command may be a stray one.
            with contextlib.suppress(SpiflashError):
                connection.bus.run([write_disable()])
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
        sectors -= set(half_done_sectors(work.journal, work.old))
    if not sectors:
        return
    held = bytearray(work.old.contents)
    title = "reading before writing"
    try:
        moved, _ = _compare(
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


def _left_behind(error: SpiflashError, steps: Steps, journal: Journal, *, resumed: bool) -> None:
    """Say where everything is; a new journal of a work that changed nothing is dropped."""
    if not steps.changed and not resumed:
        with contextlib.suppress(ShelfError):
            journal.finish()
        return
    if isinstance(error, AstrayError):
        with contextlib.suppress(SpiflashError):
            journal.note_astray(sector_spans(error.sectors))
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


def _prove(steps: Steps, work: Work, journal: Journal, watcher: Watcher) -> Proof:
    """Read back what was changed, and what could have been hit with it, or the whole chip in
    passes; write again what does not hold what it should.

    Raises `VerifyError` with the sectors that would not hold their contents, `AstrayError` with
    those that changed although this very work has not touched them, and `UnstableReadError` when
    readings do not agree.
    """
    for remark in steps.remarks:
        watcher.say(remark)
    connection, options, target = steps.connection, work.options, work.target
    covered, touched = journal.ranges, sectors_in(work.plan.affected)
    # An interrupted work may have left any part of its ranges undone.
    changed = sectors_in(covered) if work.journal is not None else touched
    where, glances = _worth_reading(changed, covered, len(target))
    # Whoever wants more passes than usual wants all of the chip in them.
    whole = options.verify is Verify.ALL or options.passes > 2 or bool(steps.remarks)
    repaired: set[int] = set()
    reread: set[int] = set()
    for attempt in range(REPAIRS + 1):
        held = bytearray(target)
        wrong: list[int] = []
        taken = 0
        if not whole:
            wrong, noisy = _compare(connection, where, held, target, watcher, "reading back")
            reread.update(noisy)
            whole = bool(wrong or noisy) or not _glance(connection, glances, target)
            if whole:
                watcher.say("Not everything read back correctly at first: verifying the whole chip")
        if whole:
            reading = read_in_passes(connection, options.passes, watcher)
            if reading.unstable:
                raise _unsure(reading.unstable)
            taken, held = len(reading.passes), bytearray(reading.contents)
            wrong = differing(reading.contents, target)
        if not wrong:
            count = len(target) if whole else sum(high - low for low, high in where)
            return Proof(
                count // SECTOR,
                taken,
                tuple(sorted(reread)),
                tuple(sorted(repaired)),
                0 if whole else len(glances),
            )
        astray = sorted(set(wrong).difference(touched))
        if not astray and attempt == REPAIRS:
            break
        if not astray:
            watcher.say(f"{_counted(wrong)} did not hold what was written: writing again")
        # What was read may be another board's: the rest of this one is checked first.
        for at in wrong:
            steps.board.changes(at, at + SECTOR)
        steps.board.check_thoroughly(state=HALF_DONE)
        if astray:
            raise _gone_astray(astray)
        plan = plan_repair(connection, bytes(held), target, covered)
        steps.carry_out(plan, "writing again", watcher)
        repaired.update(wrong)
    raise _given_up(wrong, bytes(held), target)


def _worth_reading(
    changed: Sequence[int], covered: Sequence[Span], size: int
) -> tuple[list[Span], list[int]]:
    """What is read back whole, and the sectors of which a piece is."""
    must = {*changed, *range(0, min(FIRST, size), SECTOR)}
    beside = set(sectors_in(covered)) - must
    if len(beside) * SECTOR <= LITTLE * size:
        return sector_spans(must | beside), []
    return sector_spans(must), sorted(beside)


def _glance(connection: Connection, sectors: Sequence[int], target: bytes) -> bool:
    """Whether one piece of each sector, with contents where there is one, is as in `target`."""
    places = []
    for start in sectors:
        first = start + DRAW.randrange(SECTOR // PIECE) * PIECE
        around = (*range(first, start + SECTOR, PIECE), *range(start, first, PIECE))
        filled = (at for at in around if target[at : at + PIECE] != b"\xff" * PIECE)
        places.append(next(filled, first))
    found = connection.flash.peek(places, PIECE, connection.style)
    return all(data == target[at : at + PIECE] for at, data in zip(places, found, strict=True))


def _compare(
    connection: Connection,
    where: Sequence[Span],
    held: bytearray,
    target: bytes,
    watcher: Watcher,
    title: str,
) -> tuple[list[int], list[int]]:
    """Read `where` once, and again what is not as in `target`; (sectors that are wrong, sectors
    that were only read wrongly). What was read goes into `held`.

    Raises `UnstableReadError` for a sector of which no two readings in a row agree.
    """
    found = read_spans(connection, where, 1, title, watcher)
    suspects: list[int] = []
    for (low, high), data in zip(where, found, strict=True):
        held[low:high] = data
        suspects += [low + at for at in differing(data, target[low:high])]
    # All together in a few rounds: a chip that ignores writes has hundreds.
    readings = {start: [bytes(held[start : start + SECTOR])] for start in suspects}
    unsettled = suspects
    for number in range(2, 2 + AGAIN):
        if not unsettled:
            break
        spans = [(start, start + SECTOR) for start in unsettled]
        again = read_spans(connection, spans, number, "reading again", watcher)
        for start, data in zip(unsettled, again, strict=True):
            readings[start].append(data)
        unsettled = [start for start in unsettled if readings[start][-1] != readings[start][-2]]
    if unsettled:
        raise _unsure(unsettled)
    for start in suspects:
        held[start : start + SECTOR] = readings[start][-1]
    wrong = [at for at in suspects if held[at : at + SECTOR] != target[at : at + SECTOR]]
    return wrong, [at for at in suspects if at not in set(wrong)]


def _unsure(sectors: Sequence[int]) -> UnstableReadError:
    return UnstableReadError(
        f"The chip was written, but {_counted(sectors)} now read differently each time, "
        f"the first at {address(sectors[0])}.",
        state="It is not known whether the contents are correct.",
        remedy="Seat the clip again, then run 'spiflash restore --resume'.",
    )


def _gone_astray(sectors: Sequence[int]) -> AstrayError:
    return AstrayError(
        sectors,
        f"{_counted(sectors)} outside the area to be written changed: {_listed(sectors)}.",
        state="Writing has stopped.",
        remedy="Either the board's processor wrote there, or commands were corrupted on the way to "
        "the chip: hold the processor in reset, seat the clip again, shorten the leads, set a "
        "lower --clock, and run 'spiflash restore --resume', which restores those sectors too.",
    )


def _given_up(wrong: Sequence[int], held: bytes, target: bytes) -> NotTakenError:
    scattered = len(sector_spans(wrong)) > 4
    ours, theirs = np.frombuffer(held, np.uint8), np.frombuffer(target, np.uint8)
    low, high = (int(np.unpackbits(each).sum()) for each in (theirs & ~ours, ours & ~theirs))
    return NotTakenError(
        {start: held[start : start + SECTOR] for start in wrong},
        f"{_counted(wrong)} do not hold what was written, even after {REPAIRS} more attempts: "
        f"{_listed(wrong)} ({low} bits stay 0, {high} stay 1).",
        state="All other sectors are correct.",
        remedy="So many in different places point to the supply or the contact rather than the "
        "chip: check the voltage at pin 8, seat the clip again and run 'spiflash restore "
        "--resume'."
        if scattered
        else "Check the contact with 'spiflash contact'. If it is good, those sectors are worn out "
        "or have stuck bits: replace the chip.",
    )


def _counted(sectors: Sequence[int]) -> str:
    return f"{len(sectors)} sector{'s' * (len(sectors) != 1)} of {SECTOR // 1024} KiB"


def _listed(sectors: Sequence[int]) -> str:
    return ", ".join(address(start) for start in sectors[:8]) + (" …" if len(sectors) > 8 else "")
