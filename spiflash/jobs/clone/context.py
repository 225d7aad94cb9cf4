"""What all workers share, what each has to itself, and what is known of the board it works on.

Which board that is, is decided here, after `recognise` has compared. A board is claimed before
anything is concluded that another bench could make untrue.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial

from spiflash.archive.ledger import InHand, Ledger
from spiflash.archive.ledger.claims import Claim, Held
from spiflash.archive.ledger.rows import FAIL, PASS, BoardRecord
from spiflash.archive.ledger.values import Identity
from spiflash.archive.shelf import Shelf
from spiflash.bus import Bus
from spiflash.dump.uboot_env import EnvironmentEditError
from spiflash.errors import (
    BusError,
    ChipAbsentError,
    ChipTimeoutError,
    ImageError,
    SpiflashError,
    SupplyLostError,
)
from spiflash.jobs import Watcher
from spiflash.jobs.backup import SetPage
from spiflash.jobs.clone import BoardError, Job, failure_kind
from spiflash.jobs.clone.recognise import (
    Likeness,
    Recognised,
    Recognition,
    interrupted_journals,
    journals_of,
    recognise,
    unseen_remark,
)
from spiflash.jobs.clone.target import NotTheBoardsOwnError, find_kept, make_target
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import Reading
from spiflash.nor.chip import Chip
from spiflash.nor.identify import ChipTable

CONTACT_LOST = (BusError, ChipAbsentError, ChipTimeoutError, SupplyLostError)
"""Errors in which the clip may have been taken off in mid-write."""

LOOKS_AGAIN = 8
"""Times that the ledger is read anew because another bench was quicker."""


class SkippedError(Exception):
    """The board is finished already and is not to be done again; `record` is its row."""

    def __init__(self, record: BoardRecord) -> None:
        super().__init__(record.key)
        self.record = record


def answer_no(station: str, name: str, backup: str) -> bool:
    """The answer of a bench at which nobody can be asked."""
    return False


@dataclass(frozen=True, slots=True)
class Context:
    """What all workers of one run share.

    `bench` is the name of this computer in the ledger. `again` is asked whether a finished board is
    to be written once more (station, its row), `same` whether a board is the very one that it looks
    like (station, that board's name, its backup). `cautions` says what must be known of a chip's
    supply, `page` makes the page of a backup set (None: it gets none). `unprotect` allows block
    protection to be cleared. `ceiling` is the fastest SPI clock in Hz, None for the fastest that
    proves reliable.
    """

    job: Job
    ledger: Ledger
    shelf: Shelf
    table: ChipTable
    bench: str
    cautions: Callable[[Chip], Sequence[str]]
    page: SetPage | None
    again: Callable[[str, BoardRecord], bool]
    same: Callable[[str, str, str], bool] = answer_no
    part: str | None = None
    ceiling: float | None = None
    unprotect: bool = False


@dataclass(frozen=True, slots=True)
class Worker:
    """Who works at one station; `tell` shows one short line of what is being done there."""

    station: str
    watcher: Watcher
    tell: Callable[[str], None]


@dataclass
class BoardRun:
    """One try at one board, and what is known of it so far. Its row is made from this, however
    the try ends.

    `recognised` is the board in hand that it is, `finished` its newest good row. `own` is what it
    came with and `shelf` where that is kept. `compared` tells whether it is certain which board it
    is, `touched` whether it may have been written to. `gone` are identities that the whole chip was
    seen without.
    """

    bus: Bus
    context: Context
    worker: Worker
    begun: str = field(default_factory=lambda: time_of_day())
    attempt: str = field(default_factory=lambda: secrets.token_hex(8))
    part: str = ""
    jedec_id: str = ""
    unique_id: str = ""
    key: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    recognised: Recognised | None = None
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
    connection: Connection = field(init=False)
    """The chip, once it is identified."""
    _claims: dict[str, Claim] = field(default_factory=dict)

    def once_more(self) -> BoardRun:
        """A new try at the same board, which stays claimed."""
        return BoardRun(self.bus, self.context, self.worker, _claims=self._claims)

    def is_board(
        self, key: str, recognised: Recognised | None, finished: BoardRecord | None, remark: str
    ) -> None:
        """It is certain which board this is."""
        self.key, self.recognised, self.finished = key, recognised, finished
        self.remark, self.compared = remark, True
        if recognised is not None:
            board = recognised.board
            self.touched, self.values = board.written, board.values
            self.own, self.shelf = recognised.own, recognised.shelf
            self.backup, self.before_sha256 = board.backup, board.before_sha256

    # -- claims ----------------------------------------------------------------------------

    def claim(self, key: str) -> None:
        """Claim the board with this key, unless it is ours. Raises `BoardError`.

        A claim lasts until the row is written: before that, a board that looks the same could be
        taken for this one, and get its values.
        """
        other = self.claimed_by(key)
        if other is not None:
            raise in_use(other)

    def claimed_by(self, key: str) -> Held | None:
        """Claim the board with this key, unless it is ours; who has it."""
        if key not in self._claims:
            found = self.context.ledger.claim(key, self.context.bench)
            if isinstance(found, Held):
                return found
            self._claims[key] = found
        return None

    def other_holder(self, key: str) -> Held | None:
        """Who else has the board with this key."""
        return None if key in self._claims else self.context.ledger.claims.holder(key)

    def check_claims(self) -> None:
        """See that what is claimed is still ours. Raises `ClaimLostError`, `LedgerError`."""
        for claim in self._claims.values():
            claim.check()

    def release(self) -> None:
        """Release what is claimed."""
        while self._claims:
            self._claims.popitem()[1].release()

    # -- the row ---------------------------------------------------------------------------

    def record(self, error: SpiflashError | None) -> BoardRecord:
        """The row; `error` is what went wrong with this board, None when it is good."""
        job = self.context.job
        kind = ""
        if error is not None:
            kind = failure_kind(error, identified=bool(self.part), compared=self.compared)
        return BoardRecord(
            begun=self.begun,
            ended=time_of_day(),
            job=job.name,
            job_sha256=job.sha256,
            image_sha256=job.image.sha256,
            bench=self.context.bench,
            station=self.worker.station,
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
            resumed=self.recognised is not None,
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
        name = " ".join(self.values.values()) or self.key
        if kind != "swap":
            if self.touched and isinstance(error, CONTACT_LOST):
                # Where the contents of two boards are alike, nothing else says which it was.
                return (
                    f"{error.cause} This work was on the board {name}. If the clip was moved, "
                    "that is not the board on the clip now."
                )
            return error.cause
        half = "is half written: put it on again" if self.touched else "was not written to"
        return (
            f"The clip was moved to another board. The board {name} {half}. Check the board on the "
            f"clip now, too: the last step may have reached it. {error.cause}"
        )


def time_of_day() -> str:
    """Now, with UTC offset, to the second."""
    return datetime.now(UTC).astimezone().replace(microsecond=0).isoformat()


def in_use(held: Held) -> BoardError:
    """The error for a board that another worker has."""
    return BoardError(
        "other",
        f"This board, or one that looks the same, is being worked on at bench {held.bench}. Put it "
        f"on again when that is done. If that bench crashed, wait {held.seconds:.0f} s.",
    )


def _too_busy() -> BoardError:
    return BoardError(
        "other",
        "Other benches are working on boards that look like this one. Wait, then try again.",
    )


# -- which board is on the clip -------------------------------------------------------------


def which_board(run: BoardRun, reading: Reading) -> None:
    """Find out which board was read, and claim it. Raises `SkippedError` for a finished one that
    is left alone, `BoardError` where nobody can tell, or somebody else has it."""
    for _ in range(LOOKS_AGAIN):
        looked = _look(run, reading)
        found = _in_hand(run, looked.candidates)
        if found is None:
            _new(run, reading, looked)
            return
        # It may have been a twin that somebody has just finished: then look once more.
        run.claim(found.board.key)
        if run.context.ledger.in_hand(found.board.key) == found.board:
            done = looked.finished
            same = done is not None and done.key == found.board.key
            bench = found.board.bench
            remark = f"started at bench {bench}" if bench != run.context.bench else ""
            run.is_board(found.board.key, found, done if same else None, remark)
            return
        run.release()
    raise _too_busy()


def _look(run: BoardRun, reading: Reading) -> Recognition:
    ledger, size = run.context.ledger, len(reading.contents)
    try:
        here = find_kept(run.context.job, reading.contents)
    except NotTheBoardsOwnError:
        here = None
    keepers = ledger.keepers(() if here is None else here.ranges)
    return recognise(
        ledger.in_hand_like(run.jedec_id, run.unique_id, size),
        ledger.finished_like(run.jedec_id, run.unique_id),
        reading,
        run.context.shelf,
        run.context.bench,
        partial(_targets, run),
        keepers.get,
        ledger.given,
    )


def _in_hand(run: BoardRun, candidates: Sequence[Recognised]) -> Recognised | None:
    """Which of the boards in hand is on the clip; None for none of them. Raises `BoardError` where
    nobody can tell."""
    unsure = None
    for each in candidates:
        board = each.board
        other = run.other_holder(board.key)
        if other is not None:
            # A board that looks fresh may be a twin of one at another adapter; one that is
            # half written is that very board, wherever it is thought to be.
            if each.looks is Likeness.FRESH and not run.unique_id:
                continue
            raise in_use(other)
        if not _doubtful(each, candidates):
            if unsure is None:
                return each
        elif run.context.same(run.worker.station, _name(board), board.backup):
            return each
        else:
            unsure = unsure or each
    if unsure is None:
        return None
    board = unsure.board
    rivals = [each for each in candidates if each is not unsure]
    others = (
        f" It also looks like {', '.join(_name(each.board) for each in rivals)}." if rivals else ""
    )
    raise BoardError(
        # Sectors that hold neither old nor new contents: interrupted, or worn out.
        "write" if unsure.looks is Likeness.NEARLY else "own",
        f"This looks like the unfinished board {_name(board)} ({board.key}) of bench "
        f"{board.bench}: {unsure.looks.value}.{others} A twin would look the same. At a terminal "
        "'spiflash clone' asks which board it is; the backup of that one is "
        f"{board.backup}. If this is the twin, finish that board first.",
    )


def _doubtful(each: Recognised, candidates: Sequence[Recognised]) -> bool:
    """Whether another board may look like this. Where two were interrupted after what told them
    apart had been erased, both look like either; only what they came with differs."""
    if each.looks is Likeness.FRESH and each.board.written:
        return True
    rivals = any(other.own != each.own for other in candidates)
    return each.looks in (Likeness.CARRIES, Likeness.NEARLY) or (
        rivals and each.looks is not Likeness.DONE
    )


def _name(board: InHand) -> str:
    return " ".join(board.values.values()) or board.key


def _new(run: BoardRun, reading: Reading, looked: Recognition) -> None:
    """It is none of the boards in hand: a finished one, or one that nobody has seen."""
    one, station = looked.finished, run.worker.station
    if one is not None and looked.as_it_came:
        if not run.context.same(station, one.label or one.key, one.backup):
            one = None  # a twin that nobody has worked on yet
    elif one is not None and not run.context.again(station, one):
        raise SkippedError(one)
    if one is not None:
        run.claim(one.key)
        run.is_board(one.key, None, one, "")
        return
    if run.unique_id:
        _refuse_interrupted_restore(run, reading)
    remark = unseen_remark(looked.unseen)
    digest = hashlib.sha256(reading.contents).hexdigest()
    first = f"{run.jedec_id}-{run.unique_id or f'contents-{digest[:32]}'}"
    others = _keys_like(run)
    if first in others:
        # Copies of a chip share an ID, and fresh boards may hold the same.
        remark = remark or "another board's chip has the same ID"
    for number in range(LOOKS_AGAIN):
        key = first if not number else f"{first}-{digest[:12]}-{number}"
        if key in others:
            continue
        other = run.claimed_by(key)
        if other is not None and run.unique_id:
            raise in_use(other)
        # Whoever had it may have drawn values for it before it was released.
        if other is None and key not in _keys_like(run):
            run.is_board(key, None, None, remark)
            return
        run.release()
    raise _too_busy()


def _keys_like(run: BoardRun) -> set[str]:
    """The keys of boards whose chips answer alike."""
    ledger = run.context.ledger
    found = {each.key for each in ledger.all_in_hand()}
    return found | {r.key for r in ledger.finished_like(run.jedec_id, run.unique_id)}


def _refuse_interrupted_restore(run: BoardRun, reading: Reading) -> None:
    """Raise `BoardError` when another command's work on this board was interrupted: it
    must not be taken for whole. Journals of boards in hand are explained by these."""
    theirs = {
        journal.path
        for board in run.context.ledger.in_hand_like(
            run.jedec_id, run.unique_id, len(reading.contents)
        )
        for journal in interrupted_journals(board, run.context.shelf, partial(_targets, run))
    }
    for journal in journals_of(run.jedec_id, run.unique_id, run.context.shelf):
        if journal.path not in theirs:
            raise BoardError(
                "own",
                "A restore of this board was interrupted: 'spiflash restore --resume' finishes it.",
            )


def _targets(run: BoardRun, board: InHand, own: bytes) -> list[bytes]:
    """What the job makes of a board: with the values it has, and with those it had last."""
    found = []
    for values in (board.values, run.context.ledger.last_values(board.key)):
        if run.context.job.takes(values):
            # A board of which this job could make nothing was never written to by it.
            with suppress(NotTheBoardsOwnError, EnvironmentEditError, ImageError):
                found.append(make_target(run.context.job, own, values))
    return found
