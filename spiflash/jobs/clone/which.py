"""Which board is on the clip, for the ledger: its key, what is in hand of it, its finished row.

`recognise` compares; here it is decided, and the board is claimed before anything is concluded that
another bench could make untrue.
"""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import dataclass

from spiflash.archive.ledger import BoardRecord, InHand
from spiflash.dump.uboot_env import EnvironmentEditError
from spiflash.errors import ImageError
from spiflash.jobs.clone.desk import Desk, Hold, Seat, in_other_hands
from spiflash.jobs.clone.job import BoardError
from spiflash.jobs.clone.recognise import (
    Looked,
    Looks,
    Recognised,
    explained,
    journals_of,
    look,
    unseen_remark,
)
from spiflash.jobs.clone.target import NotTheBoardsOwnError, kept_of, make_target
from spiflash.jobs.reading import Reading

LOOKS_AGAIN = 8
"""Times that the ledger is read anew because another bench was quicker."""


class SkippedError(Exception):
    """The board is finished already and is not to be done again; `record` is its row."""

    def __init__(self, record: BoardRecord) -> None:
        super().__init__(record.key)
        self.record = record


@dataclass(frozen=True, slots=True)
class Found:
    """A board: its key, what the ledger has in hand of it, its newest good row, and what is worth
    knowing of how it was told."""

    key: str
    known: Recognised | None
    finished: BoardRecord | None
    remark: str


@dataclass(frozen=True, slots=True)
class Which:
    """Finds out which board is on the clip whose chip answers with these IDs (hexadecimal, "" for
    no unique ID)."""

    desk: Desk
    seat: Seat
    hold: Hold
    jedec_id: str
    unique_id: str

    def find(self, reading: Reading) -> Found:
        """Which board was read; it is claimed then. Raises `SkippedError` for a finished one that
        is left alone, `BoardError` where nobody can tell, or somebody else has it."""
        for _ in range(LOOKS_AGAIN):
            looked = self._look(reading)
            for each in looked.candidates:
                if not self._is_it(each):
                    continue
                # It may have been a twin that somebody has just finished: then look once more.
                self.hold.take(each.board.key)
                if self.desk.ledger.in_hand(each.board.key) != each.board:
                    self.hold.release()
                    break
                done = looked.finished
                same = done is not None and done.key == each.board.key
                bench = each.board.bench
                remark = f"begun at bench {bench}" if bench != self.desk.bench else ""
                return Found(each.board.key, each, done if same else None, remark)
            else:
                return self._new(reading, looked)
        raise BoardError("other", "Other benches are at boards that look like this one: wait.")

    def _look(self, reading: Reading) -> Looked:
        ledger, size = self.desk.ledger, len(reading.contents)
        try:
            here = kept_of(self.desk.job, reading.contents)
        except NotTheBoardsOwnError:
            here = None
        keepers = ledger.keepers(() if here is None else here.ranges)
        return look(
            ledger.in_hand_like(self.jedec_id, self.unique_id, size),
            ledger.finished_like(self.jedec_id, self.unique_id),
            reading,
            self.desk.shelf,
            self.desk.bench,
            self.targets,
            keepers.get,
            ledger.given,
        )

    def _is_it(self, each: Recognised) -> bool:
        """Whether the board on the clip is this one in hand. Raises `BoardError` where nobody can
        tell."""
        board = each.board
        other = self.hold.other_holder(board.key)
        if other is not None:
            # A board that looks fresh may be a twin of one at another adapter; one that is
            # half written is that very board, wherever it is thought to be.
            if each.looks is Looks.FRESH and not self.unique_id:
                return False
            raise BoardError("other", in_other_hands(other))
        fresh = each.looks is Looks.FRESH and board.written
        doubt = fresh or each.looks in (Looks.CARRIES, Looks.NEARLY)
        name = " ".join(board.values.values()) or board.key
        if not doubt or self.desk.same(self.seat.station, name, board.backup):
            return True
        raise BoardError(
            "own",
            f"It looks like the board {board.key}, which was being written to at bench "
            f"{board.bench} (backup {board.backup}), {each.looks.value}. A twin would look so, "
            "too. At a terminal 'spiflash clone' asks which of the two it is. If this is the twin, "
            "finish that board first.",
        )

    def _new(self, reading: Reading, looked: Looked) -> Found:
        """It is none of the boards in hand: a finished one, or one that nobody has seen."""
        one, station = looked.finished, self.seat.station
        if one is not None and looked.as_it_came:
            if not self.desk.same(station, one.label or one.key, one.backup):
                one = None  # a twin that nobody has worked on yet
        elif one is not None and not self.desk.again(station, one):
            raise SkippedError(one)
        if one is not None:
            self.hold.take(one.key)
            return Found(one.key, None, one, "")
        if self.unique_id:
            self._refuse_cut_restore(reading)
        remark = unseen_remark(looked.unseen)
        digest = hashlib.sha256(reading.contents).hexdigest()
        first = f"{self.jedec_id}-{self.unique_id or f'contents-{digest[:32]}'}"
        others = self._keys_like()
        if first in others:
            # Copies of a chip share an ID, and fresh boards may hold the same.
            remark = remark or "another board has a chip that answers alike"
        for number in range(LOOKS_AGAIN):
            key = first if not number else f"{first}-{digest[:12]}-{number}"
            if key in others:
                continue
            other = self.hold.taken_by(key)
            if other is not None and self.unique_id:
                raise BoardError("other", in_other_hands(other))
            # Whoever had it may have got it in hand before it was let go of.
            if other is None and key not in self._keys_like():
                return Found(key, None, None, remark)
            self.hold.release()
        raise BoardError("other", "Other benches are at boards that look like this one: wait.")

    def _keys_like(self) -> set[str]:
        """The keys of boards whose chips answer alike."""
        ledger = self.desk.ledger
        found = {each.key for each in ledger.all_in_hand()}
        return found | {r.key for r in ledger.finished_like(self.jedec_id, self.unique_id)}

    def _refuse_cut_restore(self, reading: Reading) -> None:
        """Raise `BoardError` when this board is one on which another command's work was cut: it
        must not be taken for whole. Journals of boards in hand are explained by these."""
        theirs = {
            journal.path
            for board in self.desk.ledger.in_hand_like(
                self.jedec_id, self.unique_id, len(reading.contents)
            )
            for journal in explained(board, self.desk.shelf, self.targets)
        }
        for journal in journals_of(self.jedec_id, self.unique_id, self.desk.shelf):
            if journal.path not in theirs:
                raise BoardError(
                    "own",
                    "A restore of this board was cut short: 'spiflash restore --resume' finishes "
                    "it.",
                )

    def targets(self, board: InHand, own: bytes) -> list[bytes]:
        """What the job makes of a board: with the values it has, and with those it had last."""
        found = []
        for values in (board.values, self.desk.ledger.last_values(board.key)):
            if self.desk.job.takes(values):
                # A board of which this job could make nothing was never written to by it.
                with suppress(NotTheBoardsOwnError, EnvironmentEditError, ImageError):
                    found.append(make_target(self.desk.job, own, values))
        return found
