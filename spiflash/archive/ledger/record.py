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
from typing import TypeVar

from spiflash.archive.fields import Fields, parse_object
from spiflash.errors import BackupSetError

T = TypeVar("T", str, float)

RECORD_VERSION = 1
PASS = "PASS"
FAIL = "FAIL"
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
    result: str
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

    def to_json(self) -> str:
        """One line, the same for the same record: this is what the digest covers."""
        document = {"record_version": RECORD_VERSION, **asdict(self)}
        return json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_json(cls, text: str, name: str) -> BoardRecord:
        """Read it back; `name` is what errors call it. Raises `BackupSetError`."""
        fields = parse_object(text, name)
        version = fields.integer("record_version")
        if version != RECORD_VERSION:
            fields.refuse("record_version", f"is {version}; this program reads {RECORD_VERSION}")
        document = json.loads(text)
        texts = {each: _text(fields, document, each) for each in _TEXTS}
        if texts["result"] not in (PASS, FAIL):
            fields.refuse("result", f"is neither {PASS} nor {FAIL}")
        return cls(
            **texts,
            # Rows of earlier versions have none.
            remark=_text(fields, document, "remark") if "remark" in document else "",
            attempt=_text(fields, document, "attempt") if "attempt" in document else "",
            kept=tuple(_list(fields, document, "kept")) if "kept" in document else (),
            values=_mapping(fields, document, "values", str),
            touched=_flag(fields, document, "touched"),
            resumed=_flag(fields, document, "resumed"),
            passes=tuple(_list(fields, document, "passes")),
            expected=_number(fields, document, "expected"),
            seconds=_mapping(fields, document, "seconds", float),
        )


def last_of_each(records: Iterable[BoardRecord]) -> tuple[BoardRecord, ...]:
    """The last row of every board: one that failed, came again and passed is a good board. Rows of
    boards that were never recognised stand each for itself."""
    last: dict[object, BoardRecord] = {}
    for number, record in enumerate(records):
        key = record.key or number
        last.pop(key, None)
        last[key] = record
    return tuple(last.values())


_TEXTS = (
    *("begun", "ended", "job", "job_sha256", "image_sha256", "bench", "station", "adapter"),
    *("part", "jedec_id", "unique_id", "key", "label", "result", "kind", "reason", "backup"),
    *("before_sha256", "after_sha256"),
)


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
        return f"row {number} is not there any more: row {row.number} follows row {number - 1}"
    if row.before != before:
        return f"row {number} does not follow the row before it"
    if row.digest != digest_of(row.number, row.before, row.body):
        return f"row {number} was changed: its digest does not fit what it says"
    try:
        said = row.record()
    except BackupSetError as error:
        return f"row {number} cannot be read: {error.cause.rstrip('.')}"
    if (row.job, row.key, row.result) != (said.job, said.key, said.result):
        return f"row {number} was changed: its columns do not say what its record says"
    return ""


def _text(fields: Fields, document: Mapping[str, object], name: str) -> str:
    value = document.get(name)
    if not isinstance(value, str):
        fields.refuse(name, "must be text")
    return value


def _flag(fields: Fields, document: Mapping[str, object], name: str) -> bool:
    value = document.get(name)
    if not isinstance(value, bool):
        fields.refuse(name, "must be true or false")
    return value


def _number(fields: Fields, document: Mapping[str, object], name: str) -> float:
    value = document.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool):
        fields.refuse(name, "must be a number")
    return float(value)


def _list(fields: Fields, document: Mapping[str, object], name: str) -> list[str]:
    value = document.get(name)
    if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
        fields.refuse(name, "must be a list of texts")
    return value


def _mapping(
    fields: Fields, document: Mapping[str, object], name: str, kind: type[T]
) -> dict[str, T]:
    value = document.get(name)
    if not isinstance(value, dict) or not all(isinstance(each, kind) for each in value.values()):
        fields.refuse(name, f"must map names to {kind.__name__}")
    return value
