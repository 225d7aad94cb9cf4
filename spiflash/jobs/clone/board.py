"""One board, from the moment it is on the clip to its row in the ledger.

The order is what loses nothing: read it, tell which board it is, backup on the shelf, then values
drawn (the board is in hand from here on), then the journal, then the word in the ledger that it is
written to, then erase and program, then proof in passes, then the row. A cut between any two of
these is taken up where it was when the board comes again.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime

from spiflash.archive.journal import Journal
from spiflash.archive.ledger import FAIL, PASS, After, BoardRecord, InHand
from spiflash.archive.ledger.values import Column, Identity, Kept
from spiflash.archive.ledger_journal import withdrawn
from spiflash.archive.shelf import Shelf
from spiflash.bus.transaction import Bus
from spiflash.dump.uboot_env import EnvironmentEditError
from spiflash.errors import (
    InterruptedWorkError,
    LedgerError,
    ShelfError,
    SpiflashError,
    UnstableReadError,
    VerifyError,
)
from spiflash.jobs import Advance, Watcher
from spiflash.jobs.backup import now, put_on_shelf, read_for_set
from spiflash.jobs.clock_sweep import best_clock, sweep_clocks
from spiflash.jobs.clone.desk import Desk, Hold, Seat
from spiflash.jobs.clone.job import BoardError, kind_of
from spiflash.jobs.clone.recognise import (
    Recognised,
)
from spiflash.jobs.clone.target import NotTheBoardsOwnError, kept_of, make_target
from spiflash.jobs.clone.which import Found, Which
from spiflash.jobs.connection import Connection, connected, find_out
from spiflash.jobs.reading import Reading, disagreements, read_in_passes
from spiflash.jobs.write.before import Before
from spiflash.jobs.write.interrupted import replayed
from spiflash.jobs.write.readiness import refuse_unknown
from spiflash.jobs.write.rewrite import Work, plan_resumed, plan_work, rewrite

BENCH_ERRORS = (LedgerError, ShelfError, InterruptedWorkError)
"""What no other board would fare better with: it ends the work rather than one board."""

CHECKED = 2.0
"""Seconds of writing after which the claim is looked at again."""


def clone_board(bus: Bus, desk: Desk, seat: Seat) -> BoardRecord:
    """Work on the board on this bus, and write its row.

    Raises `SkippedError` for a finished board that is left alone, and what concerns the whole
    bench rather than this board: `LedgerError`, `ShelfError`, `InterruptedWorkError`.
    """
    hold = Hold(desk.ledger, desk.bench)
    try:
        run = BoardRun(bus, desk, seat, hold)
        error = run.try_it()
        if error is not None:
            kind = run.record(error).kind
            if desk.job.action(kind) == "again" and kind != "adapter":
                seat.tell(f"once more: {error.cause}")
                run = BoardRun(bus, desk, seat, hold)
                error = run.try_it()
        return run.write_row(error)
    finally:
        hold.release()


def time_of_day() -> str:
    """Now, with UTC offset, to the second."""
    return datetime.now(UTC).astimezone().replace(microsecond=0).isoformat()


@dataclass
class BoardRun:
    """One try at one board, and what is known of it so far: the row is made from it, however it
    ends.

    `known` is what the ledger has in hand of it; `finished` its newest good row. `own` is what it
    came with, `shelf` where that is kept. `compared` tells whether it is certain which board it is.
    """

    bus: Bus
    desk: Desk
    seat: Seat
    hold: Hold
    begun: str = field(default_factory=time_of_day)
    attempt: str = field(default_factory=lambda: secrets.token_hex(8))
    part: str = ""
    jedec_id: str = ""
    unique_id: str = ""
    key: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    known: Recognised | None = None
    finished: BoardRecord | None = None
    own: bytes = b""
    shelf: Shelf | None = None
    backup: str = ""
    before_sha256: str = ""
    after_sha256: str = ""
    gone: tuple[Identity, ...] = ()
    kept: tuple[str, ...] = ()
    compared: bool = False
    touched: bool = False
    remark: str = ""
    proof: Reading | None = None
    seconds: dict[str, float] = field(default_factory=dict)
    _journals: frozenset[str] | None = None
    _told: bool = False

    # -- the whole of it -------------------------------------------------------------------

    def try_it(self) -> SpiflashError | None:
        """Do the work; what has gone wrong with this board."""
        start = self.bus.clock.now()
        try:
            self._work()
        except BENCH_ERRORS:
            raise
        except SpiflashError as error:
            return error
        finally:
            self.seconds["all"] = self.bus.clock.now() - start
        return None

    def write_row(self, error: SpiflashError | None) -> BoardRecord:
        """Write the row. Raises `LedgerError` when that is not possible; then the board comes
        again as one in hand."""
        record = self.record(error)
        after = After.KEEP
        if error is not None:
            held = self.desk.job.action(record.kind) == "hold" and bool(self.values)
            after = After.HOLD if held else After.FORGET
        try:
            self.desk.ledger.append(record, after, self.gone)
        except LedgerError as full:
            what = "is right" if record.good else f"failed ({record.kind})"
            raise LedgerError(
                f"{full.cause} The board at {self.seat.station} {what}, and has no row yet.",
                state="Its backup is on the shelf, its values stay with it.",
                remedy="See that the ledger can be written, then put this board on again: it is "
                "looked at once more and gets its row.",
            ) from full
        return record

    def record(self, error: SpiflashError | None) -> BoardRecord:
        """The row."""
        job = self.desk.job
        kind = ""
        if error is not None:
            kind = kind_of(error, identified=bool(self.part), compared=self.compared)
        return BoardRecord(
            begun=self.begun,
            ended=time_of_day(),
            job=job.name,
            job_sha256=job.sha256,
            image_sha256=job.image.sha256,
            bench=self.desk.bench,
            station=self.seat.station,
            adapter=self.bus.description,
            part=self.part,
            jedec_id=self.jedec_id,
            unique_id=self.unique_id,
            key=self.key,
            values=dict(self.values),
            label=job.label_for(self.values),
            result=PASS if error is None else FAIL,
            kind=kind,
            reason="" if error is None else self._reason(error, kind),
            touched=self.touched,
            resumed=self.known is not None,
            backup=self.backup,
            before_sha256=self.before_sha256,
            after_sha256=self.after_sha256 if error is None else "",
            remark=self.remark,
            passes=tuple(each.sha256 for each in self.proof.passes) if self.proof else (),
            expected=self.proof.evidence.expected if self.proof else 0.0,
            seconds={name: round(value, 6) for name, value in self.seconds.items()},
            attempt=self.attempt,
            kept=self.kept,
        )

    def _reason(self, error: SpiflashError, kind: str) -> str:
        if kind != "swap":
            return error.cause
        name = self.desk.job.label_for(self.values) or self.key
        half = "is half written: put it on again" if self.touched else "was not written to"
        return (
            f"The clip went to another board. The board that was begun, {name}, {half}. Look at "
            f"the one on the clip now, too: a step under way may have reached it. {error.cause}"
        )

    def _work(self) -> None:
        desk, bus = self.desk, self.bus
        self.seat.tell("looking at the chip")
        chip = find_out(bus, desk.table, desk.part)
        for caution in desk.cautions(chip):
            self.seat.tell(caution)
        sweep, ceiling = None, desk.ceiling
        if ceiling is None:
            sweep = sweep_clocks(bus, chip.answers, top=chip.clock_fast)
            ceiling = best_clock(sweep)
        with connected(bus, chip, ceiling, sweep) as connection:
            self.part, self.jedec_id = chip.name, chip.jedec_id.hex()
            self.unique_id = connection.identity.unique_hex or ""
            refuse_unknown(connection)
            names = {chip.name.upper(), *(name.upper() for name in chip.candidates)}
            if names.isdisjoint(name.upper() for name in desk.job.chips):
                raise BoardError("chip", f"The job does not accept the part {chip.name}.")
            if chip.size < len(desk.job.image.contents):
                raise BoardError("chip", f"The image does not fit a chip of {chip.size} bytes.")
            start = bus.clock.now()
            reading = self._read(connection)
            which = Which(desk, self.seat, self.hold, self.jedec_id, self.unique_id)
            self._is(which.find(reading))
            if self.known is not None and self.known.journal is not None:
                self._end_cut_work(connection, self.known.journal, reading)
                reading = self._read(connection)
            _believed(reading)
            if self.known is None:
                self._file_backup(connection, reading)
            self.seconds["read"] = bus.clock.now() - start
            self._make(connection, reading)

    def _is(self, found: Found) -> None:
        """It is known which board it is."""
        self.key, self.known, self.finished = found.key, found.known, found.finished
        self.remark, self.compared = found.remark, True
        if self.known is not None:
            board = self.known.board
            self.touched, self.values = board.written, board.values
            self.own, self.shelf = self.known.own, self.known.shelf
            self.backup, self.before_sha256 = board.backup, board.before_sha256

    # -- what it becomes -------------------------------------------------------------------

    def _read(self, connection: Connection) -> Reading:
        self.seat.tell("reading in passes")
        return read_in_passes(connection, self.desk.job.passes, self.seat.watcher)

    def _file_backup(self, connection: Connection, reading: Reading) -> None:
        one_time = read_for_set(connection, reading)
        desk = self.desk
        placed = put_on_shelf(
            connection, reading, one_time, desk.shelf, desk.job.name, now(), desk.page
        ).set
        self.own, self.before_sha256 = reading.contents, placed.record.sha256
        self.backup = str(placed.path.absolute())

    def _make(self, connection: Connection, reading: Reading) -> None:
        """Bring the board to what the job makes of it, and prove it."""
        clock, job = connection.bus.clock, self.desk.job
        try:
            kept = kept_of(job, self.own)
            self._draw(connection, kept)
            self.kept = kept.noted
            self.seat.tell(job.label_for(self.values) or "making this board's image")
            target = make_target(job, self.own, self.values)
        except (NotTheBoardsOwnError, EnvironmentEditError) as exc:
            raise BoardError("own", f"{str(exc)[:1].upper()}{str(exc)[1:]}.") from exc
        start = clock.now()
        work = plan_work(connection, Before.of(reading), target)
        self.proof = reading
        if work.plan.steps:
            self.seat.tell("writing")
            self._rewrite(connection, work)
            self.seconds["write"] = clock.now() - start
            start = clock.now()
            self.seat.tell("verifying in passes")
            self.proof = _believed(self._read(connection))
            self.seconds["verify"] = clock.now() - start
        wrong = disagreements([self.proof.contents, target])
        if wrong:
            raise VerifyError(
                f"{len(wrong)} sectors do not hold what they should, the first at {wrong[0]:#x}."
            )
        self.after_sha256 = hashlib.sha256(target).hexdigest()
        self.gone = tuple(
            each for each in self.desk.ledger.may_carry(self.key) if not each.stands_in(target)
        )

    def _draw(self, connection: Connection, kept: Kept) -> None:
        """The board's values; from here on it is in hand."""
        job, finished = self.desk.job, self.finished
        columns: tuple[Column, ...] = job.columns
        before: Mapping[str, str] = {}
        if finished is not None and job.takes(finished.values):
            # A board that is done again is the same board, and keeps what it has.
            columns, before = (), finished.values
        self.values = self.desk.ledger.draw(
            InHand(
                key=self.key,
                job=job.name,
                bench=self.desk.bench,
                jedec_id=self.jedec_id,
                unique_id=self.unique_id,
                size=connection.chip.size,
                backup=self.backup,
                before_sha256=self.before_sha256,
                values=before,
            ),
            columns,
            kept,
        )

    def _end_cut_work(self, connection: Connection, journal: Journal, reading: Reading) -> None:
        """Bring the board to where the cut work would have brought it; or back to what it came
        with, when the values of that work went back to the list (as versions before this one
        let them) and may be another board's now."""
        undo = withdrawn(journal) is not None
        self.seat.tell("undoing what was cut" if undo else "finishing what was cut")
        before = Before.of(reading)
        target = replayed(journal, before, undo=undo)
        with journal.held():
            self._rewrite(connection, plan_resumed(connection, before, target, journal), journal)

    def _rewrite(self, connection: Connection, work: Work, journal: Journal | None = None) -> None:
        image = self.desk.job.image
        # Before its journal is there, a new work has changed nothing: a board that is cut until
        # then is not one that may have been written to, which a twin could be taken for.
        self._journals = self._journal_names() if journal is None else None
        # Of a board that was written to before, the values may be new ones all the same.
        self._told = False
        rewrite(
            connection,
            self.shelf or self.desk.shelf,
            work,
            image.name,
            image.sha256,
            _Checking(self.seat.watcher, self._before_a_step),
            agree=lambda work: True,
            journal=journal,
            unprotect=self.desk.unprotect,
            in_advance=True,
        )

    def _before_a_step(self) -> None:
        """See, before a step that cannot be undone, that the board is still claimed here, and that
        the ledger knows that it is written to."""
        self.hold.check()
        if not self._told and self._journals != self._journal_names():
            self.desk.ledger.writing(self.key)
            self.touched = self._told = True

    def _journal_names(self) -> frozenset[str]:
        folder = (self.shelf or self.desk.shelf).journals
        return frozenset(os.listdir(folder)) if folder.is_dir() else frozenset()


class _Checking:
    """A watcher that has something checked before each piece of work, and now and then in it."""

    def __init__(self, watcher: Watcher, check: Callable[[], None]) -> None:
        self._watcher = watcher
        self._check = check

    @contextmanager
    def step(self, title: str, total: int) -> Iterator[Advance]:
        """See `Watcher`."""
        self._check()
        checked = time.monotonic()

        with self._watcher.step(title, total) as inner:

            def advance(count: int) -> None:
                nonlocal checked
                inner(count)
                if time.monotonic() - checked > CHECKED:
                    self._check()
                    checked = time.monotonic()

            yield advance

    def say(self, text: str) -> None:
        """See `Watcher`."""
        self._watcher.say(text)


def _believed(reading: Reading) -> Reading:
    """Raise `UnstableReadError` when the reading cannot be believed."""
    if reading.doubts:
        raise UnstableReadError(f"{'; '.join(reading.doubts)}.")
    return reading
