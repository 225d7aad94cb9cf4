"""One board, from the moment it is on the clip to its row in the ledger.

The order is what loses nothing: backup on the shelf, then values drawn (the board is in hand
from here on), then the journal, then erase and program, then proof in passes, then the row. A
cut between any two of these is taken up where it was when the board comes again.
"""

from __future__ import annotations

import hashlib
import secrets
from contextlib import suppress

from spiflash.archive.ledger import After, InHand
from spiflash.archive.ledger_journal import withdraw
from spiflash.archive.ledger_record import BoardRecord
from spiflash.bus.transaction import Bus
from spiflash.dump.uboot_env import EnvironmentEditError
from spiflash.errors import (
    ImageError,
    InterruptedWorkError,
    LedgerError,
    ShelfError,
    SpiflashError,
)
from spiflash.report.cautions import about_voltage
from spiflash.work.clone.attempt import Attempt
from spiflash.work.clone.desk import Desk, Hold, Seat
from spiflash.work.clone.failing import BoardError
from spiflash.work.clone.make import NotTheBoardsOwnError, make_target
from spiflash.work.clone.making import make_board, read_board
from spiflash.work.clone.recognise import (
    Looked,
    journals_of,
    unseen_remark,
    with_id,
    without_id,
)
from spiflash.work.connection import Connection, connected, find_out
from spiflash.work.eye import best_clock, measure_eye
from spiflash.work.reading import Reading
from spiflash.work.restore import refuse_unknown

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
    with desk.hold() as hold:
        return _until_recorded(bus, desk, seat, hold)


def _until_recorded(bus: Bus, desk: Desk, seat: Seat, hold: Hold) -> BoardRecord:
    tries = 1
    while True:
        attempt = Attempt(desk.shelf, adapter=bus.description)
        start = bus.clock.now()
        error: SpiflashError | None = None
        try:
            _attempt(bus, desk, seat, hold, attempt)
        except BENCH_ERRORS:
            raise
        except SpiflashError as exc:
            error = exc
        attempt.seconds["all"] = bus.clock.now() - start
        record = attempt.record(desk, seat, error)
        if record.good:
            desk.ledger.append(record, After.KEEP)
            return record
        action = desk.job.action(record.kind)
        if action == "again" and tries == 1 and record.kind != "adapter":
            tries += 1
            seat.tell(f"once more: {record.reason}")
            continue
        after = _after(attempt, action)
        if after is not After.HOLD:
            _withdraw_journals(attempt, desk)
        desk.ledger.append(record, after)
        return record


def _after(attempt: Attempt, action: str) -> After:
    if action == "hold" and attempt.values:
        return After.HOLD
    if attempt.waiting is not None and attempt.known is None:
        # Its backup is out of reach, and so is what its journal would write: nothing is settled.
        return After.HOLD
    # A board that was written to comes with its backup again, whatever happens to it.
    return After.RETURN if attempt.touched else After.FORGET


def _withdraw_journals(attempt: Attempt, desk: Desk) -> None:
    """See to it that nobody writes to this board the values that it is about to give back."""
    theirs = attempt.values or (attempt.waiting.values if attempt.waiting else {})
    if not theirs or not attempt.own or attempt.finished is not None:
        return
    for journal in journals_of(attempt.jedec_id, attempt.unique_id, attempt.own, attempt.shelf):
        withdraw(journal, desk.job.name)


def _attempt(bus: Bus, desk: Desk, seat: Seat, hold: Hold, attempt: Attempt) -> None:
    seat.tell("looking at the chip")
    chip = find_out(bus, desk.table, desk.part)
    for caution in about_voltage(chip):
        seat.tell(caution)
    eye, ceiling = None, desk.ceiling
    if ceiling is None:
        eye = measure_eye(bus, chip.answers, top=chip.clock_fast)
        ceiling = best_clock(eye)
    with connected(bus, chip, ceiling, eye) as connection:
        attempt.part, attempt.jedec_id = chip.name, chip.jedec_id.hex()
        refuse_unknown(connection)
        names = {chip.name.upper(), *(name.upper() for name in chip.candidates)}
        if names.isdisjoint(name.upper() for name in desk.job.chips):
            raise BoardError("chip", f"The job does not accept the part {chip.name}.")
        if chip.size < len(desk.job.image.contents):
            raise BoardError("chip", f"The image does not fit a chip of {chip.size} bytes.")
        unique = connection.unique_id or b""
        if len(set(unique)) > 1:  # equal bytes are what a missing answer looks like
            attempt.unique_id = unique.hex()
            attempt.key = f"{attempt.jedec_id}-{attempt.unique_id}"
            hold.take(attempt.key)
            _with_id(connection, desk, seat, attempt)
        else:
            _without_id(connection, desk, seat, hold, attempt)


def _with_id(connection: Connection, desk: Desk, seat: Seat, attempt: Attempt) -> None:
    attempt.waiting = desk.ledger.in_hand(attempt.key)
    attempt.finished = desk.ledger.finished(attempt.key)
    if attempt.waiting is not None:
        attempt.recognised(with_id(attempt.waiting, desk.shelf), desk.bench)
    elif journals_of(attempt.jedec_id, attempt.unique_id, b"", desk.shelf):
        raise BoardError(
            "own",
            "A restore of this board was cut short: 'spiflash restore --resume' finishes it.",
        )
    elif attempt.finished is not None and not desk.again(attempt.finished):
        raise SkippedError(attempt.finished)
    make_board(connection, desk, seat, attempt, None)


def _without_id(
    connection: Connection, desk: Desk, seat: Seat, hold: Hold, attempt: Attempt
) -> None:
    reading = read_board(connection, desk, seat)
    digest = hashlib.sha256(reading.contents).hexdigest()
    looked = _known_again(connection, desk, hold, attempt, reading)
    if looked.known is not None:
        attempt.recognised(looked.known, desk.bench)
        attempt.finished = desk.ledger.finished(attempt.key)
    else:
        attempt.finished = desk.ledger.finished_as(digest)
        if attempt.finished is not None:
            if not desk.again(attempt.finished):
                raise SkippedError(attempt.finished)
            attempt.key = attempt.finished.key
        else:
            attempt.remark = unseen_remark(looked.unseen)
            # Two fresh boards may hold the same: the key is this piece of work's own.
            attempt.key = f"{attempt.jedec_id}-contents-{digest[:32]}-{secrets.token_hex(4)}"
    hold.take(attempt.key)
    make_board(connection, desk, seat, attempt, reading)


def _known_again(
    connection: Connection, desk: Desk, hold: Hold, attempt: Attempt, reading: Reading
) -> Looked:
    """Which board in hand was read; it is claimed then."""
    ledger, size = desk.ledger, connection.chip.size
    while True:
        waiting = [
            board for board in ledger.nameless(attempt.jedec_id, size) if hold.free(board.key)
        ]
        looked = without_id(
            waiting, reading, desk.shelf, desk.bench, lambda board, own: _targets(desk, board, own)
        )
        known = looked.known.board if looked.known else None
        # It may have been a twin that somebody has just finished: then look once more.
        if known is None or (hold.taken(known.key) and ledger.in_hand(known.key) == known):
            return looked
        hold.release()


def _targets(desk: Desk, board: InHand, own: bytes) -> list[bytes]:
    """What the job would make of a board: with the values it has, and with those it had last."""
    names = {rule.name for rule in desk.job.values}
    found = []
    for values in (board.values, desk.ledger.last_values(board.key)):
        if values.keys() == names:
            # A board of which this job could make nothing was never written to by it.
            with suppress(NotTheBoardsOwnError, EnvironmentEditError, ImageError):
                found.append(make_target(desk.job, own, values))
    return found
