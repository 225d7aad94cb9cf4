"""From a board that is known to one that is proven: backup, values, image, writing, proof."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from spiflash.archive.journal import Journal
from spiflash.archive.ledger import InHand
from spiflash.archive.ledger_journal import withdrawn
from spiflash.dump.uboot_env import EnvironmentEditError
from spiflash.errors import UnstableReadError, VerifyError
from spiflash.work.clone.attempt import Attempt
from spiflash.work.clone.desk import Desk, Seat
from spiflash.work.clone.failing import BoardError
from spiflash.work.clone.make import NotTheBoardsOwnError, make_target
from spiflash.work.clone.shelving import file_backup
from spiflash.work.connection import Connection
from spiflash.work.reading import Reading, disagreements, read_in_passes
from spiflash.work.rewrite import Work, plan_resumed, plan_work, rewrite
from spiflash.work.rewrite_reading import Before
from spiflash.work.rewrite_resume import read_cut, replayed


def make_board(
    connection: Connection, desk: Desk, seat: Seat, attempt: Attempt, reading: Reading | None
) -> None:
    """Bring the board to what the job makes of it, and prove it. `reading` is what it holds,
    None when it has not been read yet.

    Raises `SpiflashError` of the kinds that `failing` knows, and what concerns the whole bench.
    """
    clock = connection.bus.clock
    start = clock.now()
    if attempt.known is not None and attempt.known.journal is not None:
        _end_cut_work(connection, desk, seat, attempt, attempt.known.journal)
        reading = None
    reading = _believed(reading or read_board(connection, desk, seat))
    if attempt.known is None:
        placed = file_backup(connection, reading, desk.shelf, desk.job.name)
        attempt.own, attempt.before_sha256 = reading.contents, placed.record.sha256
        attempt.backup = str(placed.path.absolute())
    attempt.seconds["read"] = clock.now() - start
    attempt.values = _draw(connection, desk, attempt)
    seat.tell(desk.job.label_for(attempt.values) or "making this board's image")
    try:
        target = make_target(desk.job, attempt.own, attempt.values)
    except (NotTheBoardsOwnError, EnvironmentEditError) as exc:
        raise BoardError("own", f"{str(exc)[:1].upper()}{str(exc)[1:]}.") from exc
    start = clock.now()
    work = plan_work(connection, Before.of(reading), target)
    attempt.proof = reading
    if work.plan.steps:
        _write(connection, desk, seat, attempt, work)
        attempt.seconds["write"] = clock.now() - start
        start = clock.now()
        seat.tell("verifying in passes")
        attempt.proof = _believed(read_board(connection, desk, seat))
        attempt.seconds["verify"] = clock.now() - start
    wrong = disagreements([attempt.proof.contents, target])
    if wrong:
        raise VerifyError(
            f"{len(wrong)} sectors do not hold what they should, the first at {wrong[0]:#x}."
        )
    attempt.after_sha256 = hashlib.sha256(target).hexdigest()


def read_board(connection: Connection, desk: Desk, seat: Seat) -> Reading:
    """Read the whole chip in as many passes as the job asks for."""
    seat.tell("reading in passes")
    return read_in_passes(connection, desk.job.passes, seat.watcher)


def _believed(reading: Reading) -> Reading:
    """Raise `UnstableReadError` when the reading cannot be believed."""
    if reading.doubts:
        raise UnstableReadError(f"{'; '.join(reading.doubts)}.")
    return reading


def _draw(connection: Connection, desk: Desk, attempt: Attempt) -> Mapping[str, str]:
    """The board's values; from here on it is in hand."""
    draws = desk.job.draws
    before: Mapping[str, str] = {}
    finished = attempt.finished
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


def _write(connection: Connection, desk: Desk, seat: Seat, attempt: Attempt, work: Work) -> None:
    seat.tell("writing")

    def begun(work: Work) -> bool:
        attempt.touched = True
        return True

    rewrite(
        connection,
        attempt.shelf,
        work,
        desk.job.image.name,
        desk.job.image.sha256,
        seat.watcher,
        agree=begun,
        unprotect=desk.unprotect,
    )


def _end_cut_work(
    connection: Connection, desk: Desk, seat: Seat, attempt: Attempt, journal: Journal
) -> None:
    """Bring the board to where the cut work would have brought it; or back to what it came with,
    when the values of that work went back to the list and may be another board's now."""
    undo = withdrawn(journal) is not None
    seat.tell("undoing what was cut" if undo else "finishing what was cut")
    before = read_cut(connection, journal, seat.watcher)
    rewrite(
        connection,
        attempt.shelf,
        plan_resumed(connection, before, replayed(journal, before, undo=undo), journal),
        journal.state.image_name,
        journal.state.image_sha256,
        seat.watcher,
        agree=lambda work: True,
        journal=journal,
        unprotect=desk.unprotect,
    )
