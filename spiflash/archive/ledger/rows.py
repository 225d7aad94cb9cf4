"""The rows of the ledger: what each says, the chain that binds them, and whether the tables agree.

Each row's digest covers the digest of the row before, so that a row that is changed, removed or put
in later breaks the chain at its place. Rows deleted at the end leave no break: whoever wants to
prove their number writes down the last digest ("head") from time to time.

Values and unfinished boards are not chained; `check_ledger` compares them with the rows, and with a
digest that each change by this program leaves. What a board that passed has must be noted as its
own, what is noted must belong to a board that passed or is unfinished, and the newest row of a
board that was written to and did not pass must find the board still unfinished. Every complaint is
given, not only the first. All of it is read in one transaction: other benches may be at work.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final, Literal

import sqlalchemy as sa

from spiflash.archive import codec
from spiflash.archive.ledger.store import (
    ABOUT,
    IDENTITIES,
    IN_HAND,
    RANGES,
    RESERVED,
    ROWS,
    WEAK,
    WRITTEN,
    Store,
)
from spiflash.archive.ledger.values import TEXT, Identity, kept_by
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


def rows_in(connection: sa.Connection, wanted: sa.ColumnElement[bool] | None = None) -> list[Row]:
    """The rows that are `wanted`, all of them if that is left out; the oldest first."""
    chosen = sa.select(*(ROWS.c[name] for name in Row.__slots__)).order_by(ROWS.c.number)
    if wanted is not None:
        chosen = chosen.where(wanted)
    return [Row(*each) for each in connection.execute(chosen)]


def digest_of(number: int, before: str, body: str) -> str:
    """SHA-256 over the row's number, the digest of the row before, and the record."""
    return hashlib.sha256(f"{number}\n{before}\n{body}".encode()).hexdigest()


def complaint(row: Row, number: int, before: str, said: BoardRecord | BackupSetError) -> str:
    """What is wrong with a row that should have `number` and follow the digest `before`, and that
    says `said`; empty when nothing is."""
    if row.number != number:
        return f"row {number} is missing: row {row.number} follows row {number - 1}"
    if row.before != before:
        return f"row {number} does not follow the row before it"
    if row.digest != digest_of(row.number, row.before, row.body):
        return f"row {number} was changed: its digest is wrong"
    if isinstance(said, BackupSetError):
        return f"row {number} cannot be read: {said.cause.rstrip('.')}"
    if (row.job, row.key, row.result) != (said.job, said.key, said.result):
        return f"row {number} was changed: its columns contradict its record"
    return ""


# -- checking ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Checked:
    """How many rows hold before the first that does not, the digest of the last of them, what is
    wrong with the chain (empty for nothing), and everything that is wrong."""

    rows: int
    head: str
    broken: str
    problems: tuple[str, ...] = ()


SEAL = "tables"
"""The name under which `ledger_about` holds the digest of the tables."""


def _digest(connection: sa.Connection, key: str | None = None) -> int:
    """Of what is noted of the board with this key, or of all boards: the sum of the SHA-256 of each
    line, so that one board's share can be exchanged. What is only perhaps kept is left out."""
    total = 0
    for table in (IDENTITIES, RANGES, IN_HAND):
        chosen = sa.select(*sorted(table.c, key=lambda column: column.name))
        if key is not None:
            chosen = chosen.where(table.c.key == key)
        if table is IDENTITIES:
            chosen = chosen.where(table.c.state != WEAK)
        for line in connection.execute(chosen):
            text = f"{table.name} {tuple(line)}"
            total += int.from_bytes(hashlib.sha256(text.encode()).digest(), "big")
    return total % (1 << 256)


@contextlib.contextmanager
def sealing(connection: sa.Connection, key: str) -> Iterator[None]:
    """For a step that changes what is noted of one board: the digest of the tables changes with it,
    and keeps telling of what anybody else has changed."""
    mine = ABOUT.c.name == SEAL
    sealed = connection.scalar(sa.select(ABOUT.c.text).where(mine))
    before = _digest(connection, key)
    yield
    if sealed is None:
        now = _digest(connection)
    else:
        now = (int(sealed, 16) - before + _digest(connection, key)) % (1 << 256)
    connection.execute(sa.delete(ABOUT).where(mine))
    connection.execute(sa.insert(ABOUT).values(name=SEAL, text=f"{now:064x}"))


def values_from(stored: str) -> Mapping[str, str] | None:
    """The values of an unfinished board as its row holds them; None for what are none."""
    try:
        found = json.loads(stored)
    except ValueError:
        return None
    whole = isinstance(found, dict) and all(isinstance(each, str) for each in found.values())
    return found if whole else None


def check_ledger(store: Store) -> Checked:
    """Follow the chain from the first row, and compare values and boards with it. Raises
    `LedgerError` when the ledger cannot be read at all."""
    return store.looking(lambda connection: _check(connection, store.absent))


def _check(connection: sa.Connection, absent: Sequence[str]) -> Checked:
    before, held, head = FIRST, 0, FIRST
    wrong: list[str] = []
    records: list[tuple[int, BoardRecord]] = []
    number = 0
    for row in () if ROWS.name in absent else rows_in(connection):
        try:
            said: BoardRecord | BackupSetError = row.record()
        except BackupSetError as error:
            said = error
        problem = complaint(row, number + 1, before, said)
        if problem:
            wrong.append(problem)
        elif not wrong:
            held, head = held + 1, row.digest
        # From the next row on, as if this one were right: each fault is told once.
        number, before = row.number, row.digest
        if isinstance(said, BoardRecord):
            records.append((row.number, said))
    broken = wrong[0] if wrong else ""
    wrong += [f"the table {name} is missing" for name in absent]
    if not absent:
        wrong += _against(connection, records)
    return Checked(held, head, broken, tuple(wrong))


def _against(connection: sa.Connection, records: list[tuple[int, BoardRecord]]) -> Iterator[str]:
    if not sa.inspect(connection).has_table(ABOUT.name):
        return  # of an earlier version, opened only to look: its values are in other tables
    found = list(_tables(connection, records))
    yield from found
    sealed = connection.scalar(sa.select(ABOUT.c.text).where(ABOUT.c.name == SEAL))
    # Of a version that did not seal them nothing is known.
    if sealed is not None and not found and sealed != f"{_digest(connection):064x}":
        yield "values, kept ranges or unfinished boards were changed; no row says how"


def _tables(connection: sa.Connection, records: list[tuple[int, BoardRecord]]) -> Iterator[str]:
    owners: dict[Identity, tuple[str, str]] = {
        Identity.of(TEXT, each.text): (each.key, each.state)
        for each in connection.execute(sa.select(IDENTITIES))
    }
    in_hand: dict[str, Any] = {}
    for board in connection.execute(sa.select(IN_HAND).order_by(IN_HAND.c.key)):
        in_hand[board.key] = board
        yield from _values_in_hand(board.key, board.values, owners)
    newest = {record.key: (number, record) for number, record in records}
    passed: dict[str, tuple[int, BoardRecord]] = {}
    for number, record in records:
        if record.good:
            passed[record.key] = (number, record)
        elif record.scrapped:
            passed.pop(record.key, None)
    texts: dict[Identity, str] = {}
    for key, (number, record) in passed.items():
        for name, text in record.values.items():
            identity = Identity.of(TEXT, text)
            other = texts.setdefault(identity, key)
            if other != key:
                yield f"{text} is the value of two boards that passed, {other} and {key}"
            owner = owners.get(identity)
            if owner is None:
                yield f"row {number}: its {name} {text} is no longer noted as given"
            elif owner[0] != key:
                yield f"row {number}: its {name} {text} is noted as given to {owner[0]}"
    for key, (number, record) in newest.items():
        if not record.good and record.touched and record.values and key not in in_hand:
            yield (
                f"row {number}: the board {key} was written to, and is no longer noted as "
                "unfinished"
            )
        held = in_hand.get(key)
        # Rows of earlier versions, which bear no number of their attempt, said less.
        if held is not None and record.touched and not record.good and record.attempt:
            if not held.written:
                yield (
                    f"row {number}: the board {key} was written to, but is noted as not written to"
                )
            if (held.backup, held.before_sha256) != (record.backup, record.before_sha256):
                yield (
                    f"row {number}: the board {key} is unfinished, with another backup than "
                    "in the row"
                )
    yield from _kept(connection, records, owners, in_hand)
    known = passed.keys() | in_hand.keys()
    for identity, (key, state) in sorted(owners.items()):
        if state in (RESERVED, WRITTEN) and key not in known:
            yield (
                f"{identity.text} is noted as given to {key}, and nothing else is known of "
                "that board"
            )


def _kept(
    connection: sa.Connection,
    records: list[tuple[int, BoardRecord]],
    owners: Mapping[Identity, tuple[str, str]],
    in_hand: Mapping[str, Any],
) -> Iterator[str]:
    """What rows say that boards keep, against what is noted of it."""
    chosen = sa.select(RANGES.c.key, RANGES.c.place, RANGES.c.sha256)
    noted = {(row.key, row.place): row.sha256 for row in connection.execute(chosen)}
    kept: dict[str, dict[Identity, int]] = {}
    places: dict[str, dict[str, tuple[int, str, str]]] = {}
    for number, record in records:
        identities, ranges = kept_by(record.kept)
        if record.good:
            kept[record.key], places[record.key] = {}, {}
        kept.setdefault(record.key, {}).update(dict.fromkeys(identities, number))
        came = record.before_sha256
        places.setdefault(record.key, {}).update(
            {at: (number, sha256, came) for at, sha256 in ranges.items()}
        )
    for key, each in kept.items():
        for identity, number in sorted(each.items()):
            if owners.get(identity, ("", ""))[0] != key:
                yield (
                    f"row {number}: {identity.text}, which {key} keeps, is not noted as that "
                    "board's"
                )
    for key, place, (number, sha256, came) in (
        (key, place, said) for key, each in places.items() for place, said in each.items()
    ):
        # What a board in hand came with may be newer than its row: then it has another backup.
        newer = key in in_hand and in_hand[key].before_sha256 != came
        if noted.get((key, place)) != sha256 and not newer:
            yield f"row {number}: what {key} keeps at {place} is no longer noted, or was altered"


def _values_in_hand(
    key: str, stored: str, owners: dict[Identity, tuple[str, str]]
) -> Iterator[str]:
    values = values_from(stored)
    if values is None:
        yield f"the values of the unfinished board {key} cannot be read"
        return
    for name, text in values.items():
        owner = owners.get(Identity.of(TEXT, text))
        if owner is None or owner[0] != key:
            yield f"the {name} {text} of the unfinished board {key} is not noted as that board's"
