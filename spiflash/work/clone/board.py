"""One board, from the moment it is on the clip to its row in the ledger.

The order is what loses nothing: backup on the shelf, then values drawn (the board is in hand
from here on), then the journal, then erase and program, then proof in passes, then the row. A
cut between any two of these is taken up where it was when the board comes again.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping
from pathlib import Path

from spiflash.archive.ledger import After, InHand
from spiflash.archive.ledger_record import BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.bus.transaction import Bus
from spiflash.dump.environment_edit import EnvironmentEditError
from spiflash.errors import (
    InterruptedWorkError,
    LedgerError,
    ShelfError,
    SpiflashError,
    UnstableReadError,
    VerifyError,
)
from spiflash.work.clone.attempt import Attempt
from spiflash.work.clone.desk import Desk, Seat
from spiflash.work.clone.failing import BoardError
from spiflash.work.clone.make import NotTheBoardsOwnError, make_target
from spiflash.work.clone.recognise import Recognised, with_id, without_id
from spiflash.work.clone.shelving import file_backup
from spiflash.work.connection import Connection, connected, find_out
from spiflash.work.eye import best_clock, measure_eye
from spiflash.work.reading import Reading, disagreements, read_in_passes
from spiflash.work.restore import refuse_unknown
from spiflash.work.rewrite import Work, plan_resumed, plan_work, rewrite
from spiflash.work.rewrite_reading import Before
from spiflash.work.rewrite_resume import read_cut, replayed

BENCH_ERRORS = (LedgerError, ShelfError, InterruptedWorkError)
"""What no other board would fare better with: it ends the work rather than one board."""


class SkippedError(Exception):
    """The board is finished already and is not to be done again; `record` is its row."""

    def __init__(self, record: BoardRecord) -> None:
        super().__init__(record.key)
        self.record = record


def clone_board(bus: Bus, desk: Desk, seat: Seat) -> BoardRecord:
    """Work on the board on this bus, and write its row.

    Raises `SkippedError` for a finished board that is left alone, and what concerns the whole
    bench rather than this board: `LedgerError`, `ShelfError`, `InterruptedWorkError`.
    """
    job = desk.job
    tries = 1
    while True:
        attempt = Attempt(adapter=bus.description)
        start = bus.clock.now()
        error: SpiflashError | None = None
        try:
            _attempt(bus, desk, seat, attempt)
        except BENCH_ERRORS:
            raise
        except SpiflashError as exc:
            error = exc
        attempt.seconds["all"] = bus.clock.now() - start
        record = attempt.record(desk, seat, error)
        if record.good:
            desk.ledger.append(record, After.KEEP)
            return record
        action = job.action(record.kind)
        if action == "again" and tries == 1 and record.kind != "adapter":
            tries += 1
            seat.tell(f"once more: {record.reason}")
            continue
        desk.ledger.append(record, _after(attempt, action))
        return record


def _after(attempt: Attempt, action: str) -> After:
    if action == "hold" and attempt.values:
        return After.HOLD
    # A board that was written to comes with its backup again, whatever happens to it.
    return After.RETURN if attempt.touched or attempt.known else After.FORGET


def _attempt(bus: Bus, desk: Desk, seat: Seat, attempt: Attempt) -> None:
    seat.tell("looking at the chip")
    chip = find_out(bus, desk.table, desk.part)
    eye, ceiling = None, desk.ceiling
    if ceiling is None:
        eye = measure_eye(bus, chip.answers, top=chip.clock_fast)
        ceiling = best_clock(eye)
    with connected(bus, chip, ceiling, eye) as connection:
        attempt.part, attempt.jedec_id = chip.name, chip.jedec_id.hex()
        refuse_unknown(connection)
        names = {chip.name.upper(), *(name.upper() for name in chip.candidates)}
        if names.isdisjoint(name.upper() for name in desk.job.chips):
            raise BoardError("chip", f"The job does not accept a {chip.name}.")
        if chip.size < len(desk.job.image.contents):
            raise BoardError("chip", f"The image does not fit a chip of {chip.size} bytes.")
        unique = connection.unique_id or b""
        if len(set(unique)) > 1:  # equal bytes are what a missing answer looks like
            attempt.unique_id = unique.hex()
            attempt.key = f"{attempt.jedec_id}-{attempt.unique_id}"
            with desk.working_on(attempt.key):
                _with_id(connection, desk, seat, attempt)
        else:
            _without_id(connection, desk, seat, attempt)


def _with_id(connection: Connection, desk: Desk, seat: Seat, attempt: Attempt) -> None:
    board = desk.ledger.in_hand(attempt.key)
    finished = desk.ledger.finished(attempt.key)
    if finished is not None and board is None and not desk.again(finished):
        raise SkippedError(finished)
    if board is not None:
        attempt.known = with_id(board, _shelf_of(board))
    _make(connection, desk, seat, attempt, finished, None)


def _without_id(connection: Connection, desk: Desk, seat: Seat, attempt: Attempt) -> None:
    reading = _read(connection, desk, seat)
    digest = hashlib.sha256(reading.contents).hexdigest()
    waiting = [
        board
        for board in desk.ledger.nameless(attempt.jedec_id, connection.chip.size)
        if board.bench == desk.bench and desk.idle(board.key)
    ]

    def target_of(board: InHand, own: bytes) -> bytes | None:
        if set(board.values) != {rule.name for rule in desk.job.values}:
            return None
        return make_target(desk.job, own, board.values)

    if waiting:
        attempt.known = without_id(waiting, reading, _shelf_of(waiting[0]), target_of)
    finished = None if attempt.known else desk.ledger.finished_as(digest)
    if finished is not None and not desk.again(finished):
        raise SkippedError(finished)
    if attempt.known is not None:
        attempt.key = attempt.known.board.key
    elif finished is not None:
        attempt.key = finished.key
    else:
        # Two fresh boards may hold the same: the key is this piece of work's own.
        attempt.key = f"{attempt.jedec_id}-contents-{digest[:32]}-{secrets.token_hex(4)}"
    with desk.working_on(attempt.key):
        _make(connection, desk, seat, attempt, finished, reading)


def _make(
    connection: Connection,
    desk: Desk,
    seat: Seat,
    attempt: Attempt,
    finished: BoardRecord | None,
    reading: Reading | None,
) -> None:
    """From a board that is known to one that is proven."""
    clock = connection.bus.clock
    start = clock.now()
    shelf = desk.shelf
    if attempt.known is not None:
        shelf = _shelf_of(attempt.known.board)
        if attempt.known.journal is not None:
            seat.tell("finishing what was cut")
            _finish_cut(connection, desk, seat, attempt, attempt.known, shelf)
            reading = None
    reading = _believed(reading or _read(connection, desk, seat))
    own = _own(connection, desk, attempt, reading)
    attempt.seconds["read"] = clock.now() - start
    attempt.values = _draw(connection, desk, attempt, finished)
    seat.tell(desk.job.label_for(attempt.values) or "making this board's image")
    try:
        target = make_target(desk.job, own, attempt.values)
    except (NotTheBoardsOwnError, EnvironmentEditError) as exc:
        raise BoardError("own", f"{str(exc)[:1].upper()}{str(exc)[1:]}.") from exc
    start = clock.now()
    work = plan_work(connection, Before.of(reading), target)
    attempt.proof = reading
    if work.plan.steps:
        _write(connection, desk, seat, attempt, work, shelf)
        attempt.seconds["write"] = clock.now() - start
        start = clock.now()
        seat.tell("verifying in passes")
        attempt.proof = _believed(_read(connection, desk, seat))
        attempt.seconds["verify"] = clock.now() - start
    wrong = disagreements([attempt.proof.contents, target])
    if wrong:
        raise VerifyError(
            f"{len(wrong)} sectors do not hold what they should, the first at {wrong[0]:#x}."
        )
    attempt.after_sha256 = hashlib.sha256(target).hexdigest()


def _own(connection: Connection, desk: Desk, attempt: Attempt, reading: Reading) -> bytes:
    """What the board came with, safe on the shelf."""
    if attempt.known is not None:
        attempt.backup = attempt.known.board.backup
        attempt.before_sha256 = attempt.known.board.before_sha256
        return attempt.known.own
    placed = file_backup(connection, reading, desk.shelf, desk.job.name)
    attempt.backup, attempt.before_sha256 = str(placed.path.absolute()), placed.record.sha256
    return reading.contents


def _draw(
    connection: Connection, desk: Desk, attempt: Attempt, finished: BoardRecord | None
) -> Mapping[str, str]:
    """The board's values; from here on it is in hand."""
    draws = desk.job.draws
    before: Mapping[str, str] = {}
    if finished is not None and set(finished.values) == {rule.name for rule in desk.job.values}:
        # A board that is done again is the same board, and keeps what it has.
        draws, before = [], finished.values
    elif desk.job.values and not draws:
        raise BoardError("values", "A list of the job is empty.")
    return desk.ledger.draw(
        InHand(
            key=attempt.key,
            job=desk.job.name,
            bench=desk.bench,
            jedec_id=attempt.jedec_id,
            unique_id=attempt.unique_id,
            size=connection.chip.size,
            backup=attempt.backup,
            before_sha256=attempt.before_sha256,
            values=before,
        ),
        draws,
    )


def _write(
    connection: Connection, desk: Desk, seat: Seat, attempt: Attempt, work: Work, shelf: Shelf
) -> None:
    seat.tell("writing")

    def begun(work: Work) -> bool:
        attempt.touched = True
        return True

    rewrite(
        connection,
        shelf,
        work,
        desk.job.image.name,
        desk.job.image.sha256,
        seat.watcher,
        agree=begun,
        unprotect=desk.unprotect,
    )


def _finish_cut(
    connection: Connection,
    desk: Desk,
    seat: Seat,
    attempt: Attempt,
    known: Recognised,
    shelf: Shelf,
) -> None:
    """Bring the board to where the cut work would have brought it."""
    journal = known.journal
    assert journal is not None
    attempt.touched = True
    before = read_cut(connection, journal, seat.watcher)
    rewrite(
        connection,
        shelf,
        plan_resumed(connection, before, replayed(journal, before), journal),
        journal.state.image_name,
        journal.state.image_sha256,
        seat.watcher,
        agree=lambda work: True,
        journal=journal,
        unprotect=desk.unprotect,
    )


def _read(connection: Connection, desk: Desk, seat: Seat) -> Reading:
    seat.tell("reading in passes")
    return read_in_passes(connection, desk.job.passes, seat.watcher)


def _believed(reading: Reading) -> Reading:
    """Raise `UnstableReadError` when the reading cannot be believed."""
    if reading.doubts:
        raise UnstableReadError(f"{'; '.join(reading.doubts)}.")
    return reading


def _shelf_of(board: InHand) -> Shelf:
    """Where the board's backup is, its journal is too."""
    return Shelf(Path(board.backup).parent)
