"""What is known of a board so far, and the row that is made from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from spiflash.archive.ledger import InHand
from spiflash.archive.ledger_record import FAIL, PASS, BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.errors import SpiflashError
from spiflash.work.clone.desk import Desk, Seat
from spiflash.work.clone.failing import kind_of
from spiflash.work.clone.recognise import Recognised
from spiflash.work.reading import Reading


def time_of_day() -> str:
    """Now, with UTC offset, to the second."""
    return datetime.now(UTC).astimezone().replace(microsecond=0).isoformat()


@dataclass
class Attempt:
    """What is known of the board so far: the row is made from it, however it ends.

    `waiting` is what the ledger has in hand of it, `known` the same with its backup at hand;
    `finished` its newest good row. `own` is what it came with, `shelf` where that is kept.
    """

    shelf: Shelf
    begun: str = field(default_factory=time_of_day)
    adapter: str = ""
    part: str = ""
    jedec_id: str = ""
    unique_id: str = ""
    key: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    waiting: InHand | None = None
    known: Recognised | None = None
    finished: BoardRecord | None = None
    own: bytes = b""
    backup: str = ""
    before_sha256: str = ""
    after_sha256: str = ""
    touched: bool = False
    remark: str = ""
    proof: Reading | None = None
    seconds: dict[str, float] = field(default_factory=dict)

    def recognised(self, known: Recognised, bench: str) -> None:
        """It is a board whose work was begun earlier, and which may have been written to."""
        if known.board.bench != bench:
            self.remark = f"begun at bench {known.board.bench}"
        self.known, self.waiting, self.key = known, known.board, known.board.key
        self.own, self.shelf, self.touched = known.own, known.shelf, True
        self.backup, self.before_sha256 = known.board.backup, known.board.before_sha256

    def record(self, desk: Desk, seat: Seat, error: SpiflashError | None) -> BoardRecord:
        """The row."""
        reason = "" if error is None else error.cause
        return BoardRecord(
            begun=self.begun,
            ended=time_of_day(),
            job=desk.job.name,
            job_sha256=desk.job.sha256,
            image_sha256=desk.job.image.sha256,
            bench=desk.bench,
            station=seat.station,
            adapter=self.adapter,
            part=self.part,
            jedec_id=self.jedec_id,
            unique_id=self.unique_id,
            key=self.key,
            values=dict(self.values),
            label=desk.job.label_for(self.values),
            result=PASS if error is None else FAIL,
            kind="" if error is None else kind_of(error, identified=bool(self.part)),
            reason=reason,
            touched=self.touched,
            resumed=self.known is not None,
            backup=self.backup,
            before_sha256=self.before_sha256,
            after_sha256=self.after_sha256 if error is None else "",
            remark=self.remark,
            passes=tuple(each.sha256 for each in self.proof.passes) if self.proof else (),
            expected=self.proof.evidence.expected if self.proof else 0.0,
            seconds={name: round(value, 6) for name, value in self.seconds.items()},
        )
