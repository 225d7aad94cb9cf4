"""The ledger: which boards were worked on, which values they got, what is still in hand.

The rule that lives here: a value belongs to one board from the moment before it is first
written until the board has failed for good. Drawing and recording are one transaction each,
so that a cut between two steps leaves a board in hand with its values, never a value lost or
given twice.
"""

from __future__ import annotations

import enum
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import sqlalchemy as sa

from spiflash.archive.ledger_claims import Release
from spiflash.archive.ledger_record import FIRST, PASS, BoardRecord, Row, complaint, digest_of
from spiflash.archive.ledger_tables import GIVEN, IN_HAND, ROWS, Store
from spiflash.errors import ValuesUsedUpError


@dataclass(frozen=True, slots=True)
class Value:
    """A value that one board may have. Within a `space` no two boards get the same text;
    `name` is what the job calls it."""

    space: str
    name: str
    text: str


Draw = tuple[Value, ...]
"""What one board gets."""


@dataclass(frozen=True, slots=True)
class InHand:
    """A board whose work has begun: its backup, and its values as long as it has them."""

    key: str
    job: str
    bench: str
    jedec_id: str
    unique_id: str
    size: int
    backup: str
    before_sha256: str
    values: Mapping[str, str]


class After(enum.Enum):
    """What becomes of a board's values when its row is written."""

    KEEP = "keep"  # they are the board's for good: it is finished
    HOLD = "hold"  # the board is to come again, and gets the same ones
    RETURN = "return"  # back to the list; the board's backup is remembered
    FORGET = "forget"  # nothing was written to the board: back to the list, nothing remembered


@dataclass(frozen=True, slots=True)
class Checked:
    """How many rows hold, the digest of the last of them, and what breaks the chain."""

    rows: int
    head: str
    broken: str


class Ledger:
    """An open ledger; may be used from several threads."""

    def __init__(self, where: str | Path) -> None:
        """Raises `LedgerError`."""
        self.store = Store(where)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.store.close()

    # -- values ----------------------------------------------------------------------------

    def draw(self, board: InHand, list_of: Sequence[Draw]) -> Mapping[str, str]:
        """Take the board in hand and give it values: those it has already, else the first of
        the list of which none is given.

        `board.values` are ignored unless the list is empty: then they are what it gets (a
        finished board that is done again). Raises `ValuesUsedUpError`.
        """
        with self.store.changing() as connection:
            known = _in_hand(connection, IN_HAND.c.key == board.key)
            if known and known[0].values and _names_fit(known[0].values, list_of):
                return known[0].values
            drawn: Mapping[str, str] = board.values
            if list_of:
                # What another job gave it and this job does not know is nobody's any more.
                connection.execute(sa.delete(GIVEN).where(GIVEN.c.key == board.key))
                chosen = _first_free(list_of, _given(connection))
                for value in chosen:
                    row = {"space": value.space, "text": value.text, "key": board.key}
                    connection.execute(sa.insert(GIVEN).values(row))
                drawn = {value.name: value.text for value in chosen}
            if known:
                change = sa.update(IN_HAND).where(IN_HAND.c.key == board.key)
                connection.execute(change.values({"values": _packed(drawn), "job": board.job}))
            else:
                row_ = {name: getattr(board, name) for name in InHand.__slots__}
                row_["values"] = _packed(drawn)
                connection.execute(sa.insert(IN_HAND).values(row_))
            return drawn

    def free(self, list_of: Sequence[Draw]) -> int:
        """How many of the list are still to be had."""
        with self.store.looking() as connection:
            given = _given(connection)
        return sum(_is_free(each, given) for each in list_of)

    # -- boards ----------------------------------------------------------------------------

    def claim(self, key: str) -> Release | None:
        """Claim the board with this key for as long as it is worked on: until the release is
        called, or this process ends. None when somebody has it, at whatever bench."""
        return self.store.claim(key)

    def in_hand(self, key: str) -> InHand | None:
        """The board with this key, if its work has begun and not ended well."""
        with self.store.looking() as connection:
            found = _in_hand(connection, IN_HAND.c.key == key)
        return found[0] if found else None

    def nameless(self, jedec_id: str, size: int) -> tuple[InHand, ...]:
        """Boards in hand whose chips have no unique ID, of this kind and size in bytes."""
        with self.store.looking() as connection:
            return _in_hand(
                connection,
                (IN_HAND.c.jedec_id == jedec_id)
                & (IN_HAND.c.size == size)
                & (IN_HAND.c.unique_id == ""),
            )

    def all_in_hand(self) -> tuple[InHand, ...]:
        """Every board in hand."""
        with self.store.looking() as connection:
            return _in_hand(connection, sa.true())

    def finished(self, key: str) -> BoardRecord | None:
        """The newest good row of the board with this key."""
        rows = self._rows((ROWS.c.key == key) & (ROWS.c.result == PASS))
        return rows[-1].record() if rows else None

    def last_values(self, key: str) -> Mapping[str, str]:
        """The values in the newest row of this board that has any, given back since or not."""
        records = (row.record() for row in reversed(self._rows(ROWS.c.key == key)))
        return next((record.values for record in records if record.values), {})

    def finished_as(self, sha256: str) -> BoardRecord | None:
        """The newest good row of a board that held these contents in the end."""
        for row in reversed(self._rows(ROWS.c.result == PASS)):
            record = row.record()
            if record.after_sha256 == sha256:
                return record
        return None

    # -- rows ------------------------------------------------------------------------------

    def append(self, record: BoardRecord, after: After) -> Row:
        """Write a row, and settle what becomes of the values, in one transaction."""
        body = record.to_json()
        with self.store.changing() as connection:
            last = connection.execute(
                sa.select(ROWS.c.number, ROWS.c.digest).order_by(ROWS.c.number.desc()).limit(1)
            ).first()
            number, before = (last.number + 1, last.digest) if last else (1, FIRST)
            row = Row(
                number,
                before,
                digest_of(number, before, body),
                body,
                record.job,
                record.key,
                record.result,
            )
            connection.execute(
                sa.insert(ROWS).values({name: getattr(row, name) for name in Row.__slots__})
            )
            _settle(connection, record.key, after)
        return row

    def rows(self) -> tuple[Row, ...]:
        """All rows, oldest first."""
        return self._rows(sa.true())

    def check(self) -> Checked:
        """Follow the chain from the first row."""
        before, count = FIRST, 0
        for row in self.rows():
            problem = complaint(row, count + 1, before)
            if problem:
                return Checked(count, before, problem)
            before, count = row.digest, count + 1
        return Checked(count, before, "")

    def _rows(self, wanted: sa.ColumnElement[bool]) -> tuple[Row, ...]:
        columns = [ROWS.c[name] for name in Row.__slots__]
        with self.store.looking() as connection:
            found = connection.execute(sa.select(*columns).where(wanted).order_by(ROWS.c.number))
            return tuple(Row(*each) for each in found)


def _settle(connection: sa.Connection, key: str, after: After) -> None:
    good = (ROWS.c.key == key) & (ROWS.c.result == PASS)
    if after is not After.KEEP and connection.execute(sa.select(ROWS.c.number).where(good)).first():
        # It was finished once, and may be carrying its values ever since.
        return
    if after in (After.RETURN, After.FORGET):
        connection.execute(sa.delete(GIVEN).where(GIVEN.c.key == key))
    if after is After.RETURN:
        emptied = sa.update(IN_HAND).where(IN_HAND.c.key == key).values({"values": _packed({})})
        connection.execute(emptied)
    if after in (After.KEEP, After.FORGET):
        connection.execute(sa.delete(IN_HAND).where(IN_HAND.c.key == key))


def _in_hand(connection: sa.Connection, wanted: sa.ColumnElement[bool]) -> tuple[InHand, ...]:
    columns = [IN_HAND.c[name] for name in InHand.__slots__]
    found = connection.execute(sa.select(*columns).where(wanted).order_by(IN_HAND.c.key))
    rows = [dict(each._mapping) for each in found]
    return tuple(InHand(**{**row, "values": json.loads(row["values"])}) for row in rows)


def _given(connection: sa.Connection) -> set[tuple[str, str]]:
    return {(each.space, each.text) for each in connection.execute(sa.select(GIVEN))}


def _names_fit(values: Mapping[str, str], list_of: Sequence[Draw]) -> bool:
    return not list_of or {value.name for value in list_of[0]} == values.keys()


def _is_free(draw: Draw, given: set[tuple[str, str]]) -> bool:
    return not any((value.space, value.text) in given for value in draw)


def _first_free(list_of: Sequence[Draw], given: set[tuple[str, str]]) -> Draw:
    for draw in list_of:
        if _is_free(draw, given):
            return draw
    raise ValuesUsedUpError(
        f"The list is used up: all {len(list_of)} are given to boards.",
        state="Nothing has been written to this board.",
        remedy="Lengthen the list of the job; boards that wait can then go on.",
    )


def _packed(values: Mapping[str, str]) -> str:
    return json.dumps(dict(values), sort_keys=True)
