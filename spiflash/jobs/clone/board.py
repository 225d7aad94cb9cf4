"""One board, from the moment it is on the clip to its row in the ledger.

The order makes sure that nothing is lost: read the board, find out which one it is, put its backup
on the shelf, draw its values (from here on it is in hand), write the journal, note in the ledger
that it is written to, erase and program, prove it in passes, write the row. Work that is
interrupted between any two of these is continued when the board is put on again.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from spiflash.archive.journal import Journal
from spiflash.archive.ledger import After, InHand, Ledger
from spiflash.archive.ledger.rows import BoardRecord, Row
from spiflash.archive.ledger.values import Column, Kept
from spiflash.archive.shelf import LedgerNote, Shelf
from spiflash.bus import Bus
from spiflash.dump.uboot_env import EnvironmentEditError
from spiflash.errors import (
    InterruptedWorkError,
    LedgerError,
    ShelfError,
    SpiflashError,
    UnstableReadError,
    VerifyError,
)
from spiflash.jobs import BYTES, Advance
from spiflash.jobs.backup import now, put_on_shelf, read_for_set
from spiflash.jobs.clone import BoardError, Job
from spiflash.jobs.clone.context import BoardRun, Context, Worker, which_board
from spiflash.jobs.clone.target import NotTheBoardsOwnError, find_kept, make_target
from spiflash.jobs.connection import adapter_record, clock_for, connected, identify_chip
from spiflash.jobs.reading import Reading, read_in_passes
from spiflash.jobs.write import Work, WriteOptions, plan_resumed, plan_work, refuse_unknown, rewrite
from spiflash.spans import differing
from spiflash.text import address, amount, counted

BENCH_ERRORS = (LedgerError, ShelfError, InterruptedWorkError)
"""What no other board would fare better with: it ends the work rather than one board."""

CHECKED = 2.0
"""Seconds of writing after which the claim is looked at again."""


def clone_board(bus: Bus, context: Context, worker: Worker) -> BoardRecord:
    """Work on the board on this bus, and write its row.

    Raises `SkippedError` for a finished board that is left alone, and what concerns the whole
    bench rather than this board: `LedgerError`, `ShelfError`, `InterruptedWorkError`.
    """
    run = BoardRun(bus, context, worker)
    try:
        error = _try(run)
        if error is not None:
            kind = run.record(error).kind
            if context.job.action(kind) == "again" and kind != "adapter":
                worker.tell(f"trying again: {error.cause}")
                run = run.once_more()
                error = _try(run)
        return _write_row(run, error)
    finally:
        run.release()


def _try(run: BoardRun) -> SpiflashError | None:
    """Do the work; what has gone wrong with this board."""
    start = run.bus.clock.now()
    try:
        _work(run)
    except BENCH_ERRORS:
        raise
    except SpiflashError as error:
        return error
    finally:
        run.seconds["all"] = run.bus.clock.now() - start
    return None


def _write_row(run: BoardRun, error: SpiflashError | None) -> BoardRecord:
    """Write the row. Raises `LedgerError` when that is not possible; then the board comes
    again as one in hand."""
    record = run.record(error)
    after = After.KEEP
    if error is not None:
        held = run.context.job.action(record.kind) == "hold" and bool(run.values)
        after = After.HOLD if held else After.FORGET
    try:
        row = run.context.ledger.append(record, after, run.gone)
        _remember(run.context, row)
    except LedgerError as full:
        what = "is correct" if record.good else f"failed ({record.kind})"
        raise LedgerError(
            f"{full.cause} The board at {run.worker.station} {what}, but has no row yet.",
            state="Its backup is on the shelf, and its values stay with it.",
            remedy="Make sure that the ledger can be written, then put this board on again: it is "
            "checked once more and gets its row.",
        ) from full
    return record


def refuse_older(ledger: Ledger, shelf: Shelf) -> None:
    """Raise `LedgerError` when the ledger lacks a row that was written to it with this shelf: it is
    an older copy, and would give values again that boards have."""
    first = ledger.row(1)
    for path, note in shelf.ledger_notes().items():
        if first is None or first.digest != note.first:
            continue
        row = ledger.row(note.row)
        if row is None or row.digest != note.digest:
            raise LedgerError(
                f"The ledger {ledger.store.name} is older than the work on this shelf: row "
                f"{note.row}, which was written to it from here, is missing or another one.",
                state="No board was written to: it would get values that boards have already.",
                remedy="Put back the newest copy of the ledger. If that is lost, make a new list "
                f"of values for the job, then delete {path}.",
            )


def other_ledger(job: Job, ledger: Ledger, shelf: Shelf) -> LedgerNote | None:
    """Another ledger in which boards of this job on this shelf are recorded, while this one has
    none of the job."""
    if any(row.job == job.name for row in ledger.rows()):
        return None
    return next((each for each in shelf.ledger_notes().values() if each.job == job.name), None)


def _remember(context: Context, row: Row) -> None:
    """Have the shelf know how far the ledger was: see `refuse_older`."""
    first, place = context.ledger.row(1) or row, context.ledger.store.name
    place = place if "://" in place else str(Path(place).expanduser().absolute())
    note = LedgerNote(first.digest, row.number, row.digest, place, row.job)
    context.shelf.note_ledger(note)


def _work(run: BoardRun) -> None:
    context, bus = run.context, run.bus
    refuse_older(context.ledger, context.shelf)
    run.worker.tell("identifying the chip")
    chip = identify_chip(bus, context.table, context.part)
    for caution in context.cautions(chip):
        run.worker.tell(caution)
    ceiling, sweep = clock_for(bus, chip, context.ceiling, adapter_record(bus))
    with connected(bus, chip, ceiling, sweep) as connection:
        run.connection = connection
        run.part, run.jedec_id = chip.name, chip.jedec_id.hex()
        run.unique_id = connection.identity.unique_hex or ""
        refuse_unknown(connection)
        names = {chip.name.upper(), *(name.upper() for name in chip.candidates)}
        if names.isdisjoint(name.upper() for name in context.job.chips):
            raise BoardError("chip", f"The job does not accept the part {chip.name}.")
        if chip.size < len(context.job.image.contents):
            raise BoardError("chip", f"The image does not fit a chip of {amount(chip.size)}.")
        start = bus.clock.now()
        reading = _read(run)
        which_board(run, reading)
        if run.recognised is not None and run.recognised.journal is not None:
            _end_interrupted_work(run, run.recognised.journal, reading)
            reading = _read(run)
        _believed(reading)
        if run.recognised is None:
            _file_backup(run, reading)
        run.seconds["read"] = bus.clock.now() - start
        _make(run, reading)


def _read(run: BoardRun) -> Reading:
    run.worker.tell("reading in passes")
    return read_in_passes(run.connection, run.context.job.passes, run.worker.watcher)


def _file_backup(run: BoardRun, reading: Reading) -> None:
    one_time = read_for_set(run.connection, reading)
    context = run.context
    placed = put_on_shelf(
        run.connection, reading, one_time, context.shelf, context.job.name, now(), context.page
    ).set
    run.own, run.before_sha256 = reading.contents, placed.record.sha256
    run.backup = str(placed.path.absolute())


def _make(run: BoardRun, reading: Reading) -> None:
    """Bring the board to what the job makes of it, and prove it."""
    clock, job = run.bus.clock, run.context.job
    try:
        kept = find_kept(job, run.own)
        # What a job gave it is no less given where this one keeps it: with the board it goes back
        # to the list.
        given = frozenset(run.context.ledger.given(run.key))
        kept = replace(kept, identities=kept.identities - given, weak=kept.weak - given)
        _draw(run, kept)
        run.kept = kept.noted
        run.worker.tell(job.label_for(run.values) or "making this board's image")
        target = make_target(job, run.own, run.values)
    except (NotTheBoardsOwnError, EnvironmentEditError) as exc:
        raise BoardError("own", f"{str(exc)[:1].upper()}{str(exc)[1:]}.") from exc
    start = clock.now()
    work = plan_work(run.connection, reading, target, job.image, _options(run))
    proof = run.proof = reading
    if work.plan.steps:
        run.worker.tell("writing")
        _rewrite(run, work)
        run.seconds["write"] = clock.now() - start
        start = clock.now()
        run.worker.tell("verifying in passes")
        proof = run.proof = _believed(_read(run))
        run.seconds["verify"] = clock.now() - start
    wrong = differing(proof.contents, target)
    if wrong:
        raise VerifyError(
            f"{counted(len(wrong), 'sector')} read back wrong, the first at {address(wrong[0])}."
        )
    run.after_sha256 = hashlib.sha256(target).hexdigest()
    run.gone = tuple(
        each for each in run.context.ledger.may_carry(run.key) if not each.stands_in(target)
    )


def _draw(run: BoardRun, kept: Kept) -> None:
    """The board's values; from here on it is in hand."""
    job, finished = run.context.job, run.finished
    columns: tuple[Column, ...] = job.columns
    before: Mapping[str, str] = {}
    if finished is not None and job.takes(finished.values):
        # A board that is done again is the same board, and keeps what it has.
        columns, before = (), finished.values
    run.values = run.context.ledger.draw(
        InHand(
            key=run.key,
            job=job.name,
            bench=run.context.bench,
            jedec_id=run.jedec_id,
            unique_id=run.unique_id,
            size=run.connection.chip.size,
            backup=run.backup,
            before_sha256=run.before_sha256,
            values=before,
        ),
        columns,
        kept,
    )


def _end_interrupted_work(run: BoardRun, journal: Journal, reading: Reading) -> None:
    """Finish the interrupted work; or bring the board back to what it came with, when the values
    of that work went back to the list (as in earlier versions) and may be another board's now."""
    undo = journal.withdrawn() is not None
    run.worker.tell("undoing the interrupted write" if undo else "finishing the interrupted write")
    _rewrite(run, plan_resumed(run.connection, reading, journal, _options(run, undo=undo)))


def _options(run: BoardRun, *, undo: bool = False) -> WriteOptions:
    return WriteOptions(
        undo=undo, without_backup=True, unprotect=run.context.unprotect, in_advance=True
    )


def _rewrite(run: BoardRun, work: Work) -> None:
    rewrite(
        run.connection,
        run.shelf or run.context.shelf,
        work,
        _Checking(run, new=work.journal is None),
        agree=lambda work: True,
    )


class _Checking:
    """A watcher that sees, before each piece of work and now and then in it, that the board is
    still claimed here, and that the ledger knows that it is written to."""

    def __init__(self, run: BoardRun, *, new: bool) -> None:
        self._run = run
        # Before its journal is there, new work has changed nothing: a board that is interrupted
        # until then is not one that may have been written to, which a twin could be taken for.
        self._journals = self._journal_names() if new else None
        # Of a board that was written to before, the values may be new ones anyway.
        self._told = False

    @contextmanager
    def step(self, title: str, total: int, counting: str = BYTES) -> Iterator[Advance]:
        """See `Watcher`."""
        self._check()
        checked = time.monotonic()

        with self._run.worker.watcher.step(title, total, counting) as inner:

            def advance(count: int) -> None:
                nonlocal checked
                inner(count)
                if time.monotonic() - checked > CHECKED:
                    self._check()
                    checked = time.monotonic()

            yield advance

    def say(self, text: str) -> None:
        """See `Watcher`."""
        self._run.worker.watcher.say(text)

    def _check(self) -> None:
        run = self._run
        run.check_claims()
        if not self._told and self._journals != self._journal_names():
            run.context.ledger.writing(run.key)
            run.touched = self._told = True

    def _journal_names(self) -> frozenset[str]:
        folder = (self._run.shelf or self._run.context.shelf).journals
        return frozenset(os.listdir(folder)) if folder.is_dir() else frozenset()


def _believed(reading: Reading) -> Reading:
    """Raise `UnstableReadError` when the reading cannot be believed."""
    if reading.doubts:
        raise UnstableReadError(f"{'; '.join(reading.doubts)}.")
    return reading
