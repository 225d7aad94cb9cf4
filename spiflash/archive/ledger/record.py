"""What the ledger keeps of one board that was worked on, and the chain that binds the rows.

Each row's digest covers the digest of the row before, so that a row changed, removed or put in
later breaks the chain at its place. Rows cut off at the end leave no break behind: whoever
wants to prove their number writes down the last digest ("head") from time to time.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Final, Literal

from spiflash.archive import codec
from spiflash.errors import BackupSetError

RECORD_VERSION = 1
PASS: Final = "PASS"
FAIL: Final = "FAIL"
SCRAPPED = "scrapped"
"""The kind of the row in which a person says that a board is no more."""

FIRST = "0" * 64
"""What stands for the digest before the first row."""


@dataclass(frozen=True, slots=True)
class BoardRecord:
    """One board, once through the loop. Times of day are ISO 8601 with UTC offset; IDs and
    digests hexadecimal; `seconds` by step in the bench's time.

    `key` names the board itself: its chip's unique ID, or the digest of the contents it came
    with. `kind` and `reason` say why it failed, empty when it is good. `touched` tells whether
    anything was written. `expected` is the expected number of wrong bits the passes could
    share. `passes` are the digests of the readings that prove the result. `backup` is the
    path of the backup set. `remark` is worth knowing of a good board too.
    """

    begun: str
    ended: str
    job: str
    job_sha256: str
    image_sha256: str
    bench: str
    station: str
    adapter: str
    part: str
    jedec_id: str
    unique_id: str
    key: str
    values: Mapping[str, str]
    label: str
    result: Literal["PASS", "FAIL"]
    kind: str = ""
    reason: str = ""
    touched: bool = False
    resumed: bool = False
    backup: str = ""
    before_sha256: str = ""
    after_sha256: str = ""
    remark: str = ""
    passes: tuple[str, ...] = ()
    expected: float = 0.0
    seconds: Mapping[str, float] = field(default_factory=dict)
    attempt: str = ""
    """A number drawn for this time through the loop: a row is written once, even where a server
    died between writing it and saying so."""
    kept: tuple[str, ...] = ()
    """What it keeps of its own: see `values.Kept.noted`."""

    @property
    def good(self) -> bool:
        """Whether the board may leave."""
        return self.result == PASS

    @property
    def scrapped(self) -> bool:
        """Whether a person said here that the board is no more, and gave its values back."""
        return self.kind == SCRAPPED

    def to_json(self) -> str:
        """One line, the same for the same record: this is what the digest covers."""
        document = {"record_version": RECORD_VERSION, **asdict(self)}
        return json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_json(cls, text: str, name: str) -> BoardRecord:
        """Read it back; `name` is what errors call it. Raises `BackupSetError`."""
        found = codec.load(text, name)
        codec.take_version(found, "record_version", (RECORD_VERSION,), name)
        # Rows of earlier versions have none of these.
        for key, value in (("remark", ""), ("attempt", ""), ("kept", [])):
            found.setdefault(key, value)
        return codec.parse(cls, found, name)


def last_of_each(records: Iterable[BoardRecord]) -> tuple[BoardRecord, ...]:
    """The last row of every board: one that failed, came again and passed is a good board. Rows of
    boards that were never recognised stand each for itself."""
    last: dict[object, BoardRecord] = {}
    for number, record in enumerate(records):
        key = record.key or number
        last.pop(key, None)
        last[key] = record
    return tuple(last.values())


@dataclass(frozen=True, slots=True)
class Row:
    """One row as it stands in the ledger."""

    number: int
    before: str
    digest: str
    body: str
    job: str
    key: str
    result: str

    @property
    def good(self) -> bool:
        """Whether the board passed."""
        return self.result == PASS

    def record(self) -> BoardRecord:
        """What it says. Raises `BackupSetError` when it says nothing sensible."""
        return BoardRecord.from_json(self.body, f"row {self.number} of the ledger")


def digest_of(number: int, before: str, body: str) -> str:
    """SHA-256 over the row's number, the digest of the row before, and the record."""
    return hashlib.sha256(f"{number}\n{before}\n{body}".encode()).hexdigest()


def complaint(row: Row, number: int, before: str) -> str:
    """What is wrong with a row that should have `number` and follow the digest `before`; empty
    when nothing is."""
    if row.number != number:
        return f"row {number} is missing: row {row.number} follows row {number - 1}"
    if row.before != before:
        return f"row {number} does not follow the row before it"
    if row.digest != digest_of(row.number, row.before, row.body):
        return f"row {number} was changed: its digest is wrong"
    try:
        said = row.record()
    except BackupSetError as error:
        return f"row {number} cannot be read: {error.cause.rstrip('.')}"
    if (row.job, row.key, row.result) != (said.job, said.key, said.result):
        return f"row {number} was changed: its columns contradict its record"
    return ""
