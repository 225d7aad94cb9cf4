"""The ledger: which boards were worked on, which values they got, what is still in hand.

    with Ledger("ledger.sqlite") as ledger:
        ledger.draw(board, columns)    # a board gets its values
        ledger.writing(board.key)      # from here on they may be on its chip
        ledger.append(record, After.KEEP)

`values` says when two values are the same one, `claims` who is working on which board and whose an
identity is, `rows` what a row says and whether all of it fits, `store` how tables are kept.

The rules that live here:

* an identity is on one board: what a board got, and what it came with and keeps, is given to no
  other. The tables' primary key sees to it, and the rows of boards that passed are asked as well;
* a value that may stand on a board stays with it until the chip was seen without it. Only what was
  drawn and never written goes back to the list;
* drawing and recording are one transaction each, so that an interruption between two steps leaves
  a board in hand with its values, never a value lost or given twice.
"""

from __future__ import annotations

import contextlib
import enum
import json
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import sqlalchemy as sa

from spiflash.archive.ledger.claims import (
    Claim,
    Claims,
    Held,
    Identities,
    Owners,
    altered,
    count_free,
    first_free,
    give_back,
)
from spiflash.archive.ledger.rows import (
    FAIL,
    FIRST,
    SCRAPPED,
    BoardRecord,
    Row,
    digest_of,
    rows_in,
    sealing,
    values_from,
)
from spiflash.archive.ledger.store import (
    IDENTITIES,
    IN_HAND,
    RANGES,
    RESERVED,
    ROWS,
    WRITTEN,
    Store,
    noted,
)
from spiflash.archive.ledger.values import TEXT, Column, Identity, Kept, KeptRange, kept_by
from spiflash.errors import BackupSetError, LedgerError

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class InHand:
    """A board whose work has begun: its backup, its values, and whether writing has begun."""

    key: str
    job: str
    bench: str
    jedec_id: str
    unique_id: str
    size: int
    backup: str
    before_sha256: str
    values: Mapping[str, str]
    written: bool = False


class After(enum.Enum):
    """What happens to a board and its values when its row is written."""

    KEEP = "keep"  # it is finished: its values are its own for good
    HOLD = "hold"  # when it is put on again it gets the same ones
    FORGET = "forget"  # back to the list; a board that was written to is held anyway
    SCRAP = "scrap"  # a person says that the board is no more: back to the list in any case


class Ledger:
    """An open ledger; may be used from several threads."""

    def __init__(self, where: str | Path, *, read_only: bool = False) -> None:
        """Raises `LedgerError`."""
        self.store = Store(where, read_only=read_only)
        self.claims = Claims(self.store)
        self._identities = Identities()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.claims.close()
        self.store.close()

    # -- values ----------------------------------------------------------------------------

    def draw(
        self, board: InHand, columns: Sequence[Column], kept: Kept | None = None
    ) -> Mapping[str, str]:
        """Take the board in hand, note what it keeps, and give it values: those it has already
        if the columns still hold them, else the first of each column that no board has.

        `board.values` are ignored unless there are no columns: then they are what it gets (a
        finished board that is done again). Raises `IdentityTakenError` for what another board has
        already, `ValuesUsedUpError`.
        """

        def step(connection: sa.Connection) -> Mapping[str, str]:
            owners = self._owners(connection)
            if kept is not None:
                self._identities.note_kept(connection, board.key, kept, owners)
                owners = self._owners(connection)
            known = next(iter(_in_hand(connection, IN_HAND.c.key == board.key)), None)
            if known is not None and known.values and _still_listed(known.values, columns):
                drawn = known.values
            elif columns:
                # Reserved for a list that has been corrected since, and on no chip yet.
                give_back(connection, board.key)
                drawn = {
                    value.name: value.text
                    for column in columns
                    for value in first_free(column, owners, board.key)
                }
            else:
                drawn = board.values
            kinds = {
                name: each.kind
                for c in columns
                for name, each in zip(c.names, c.lists, strict=True)
            }
            for name, text in drawn.items():
                identity = Identity.of(kinds.get(name, TEXT), text)
                self._identities.reserve(connection, identity, board.key, owners)
            row = {name: getattr(board, name) for name in InHand.__slots__}
            row |= {"values": _packed(drawn), "written": int(known is not None and known.written)}
            if known is None:
                connection.execute(sa.insert(IN_HAND).values(row))
            else:
                # Its backup is the first one: what it holds now may be half written.
                changes = {"values": row["values"], "job": board.job}
                change = sa.update(IN_HAND).where(IN_HAND.c.key == board.key)
                connection.execute(change.values(changes))
            return drawn

        return self._changing(board.key, step)

    def _changing(self, key: str, step: Callable[[sa.Connection], T]) -> T:
        """See `Store.changing`, for what is noted of one board."""

        def whole(connection: sa.Connection) -> T:
            with sealing(connection, key):
                return step(connection)

        return self.store.changing(whole)

    def writing(self, key: str) -> None:
        """The board with this key is about to be written to: from here on its values may stand
        on it. Raises `LedgerError`."""

        def step(connection: sa.Connection) -> None:
            change = sa.update(IN_HAND).where(IN_HAND.c.key == key).values(written=1)
            if connection.execute(change).rowcount != 1:
                raise altered(
                    f"The board {key} is no longer noted as unfinished in the ledger "
                    f"{self.store.name}."
                )
            theirs = (IDENTITIES.c.key == key) & (IDENTITIES.c.state == RESERVED)
            connection.execute(sa.update(IDENTITIES).where(theirs).values(state=WRITTEN))

        self._changing(key, step)

    def may_carry(self, key: str) -> tuple[Identity, ...]:
        """What may stand on the board with this key, of all that it ever got or came with."""
        return self._noted((IDENTITIES.c.key == key) & (IDENTITIES.c.state != RESERVED))

    def given(self, key: str) -> tuple[Identity, ...]:
        """What was given to the board with this key and may stand on it."""
        return self._noted((IDENTITIES.c.key == key) & (IDENTITIES.c.state == WRITTEN))

    def _noted(self, mine: sa.ColumnElement[bool]) -> tuple[Identity, ...]:
        chosen = sa.select(IDENTITIES.c.kind, IDENTITIES.c.text).where(mine)
        rows = self.store.looking(lambda connection: connection.execute(chosen).all())
        return tuple(Identity(kind, text) for kind, text in rows)

    def next_values(self, columns: Sequence[Column]) -> Mapping[str, str]:
        """What the next new board would get from the columns; nothing is drawn. Raises
        `ValuesUsedUpError`."""
        owners = self.store.looking(self._owners)
        return {v.name: v.text for column in columns for v in first_free(column, owners, "")}

    def free(self, columns: Sequence[Column]) -> int:
        """How many boards the columns still suffice for."""
        if not columns:
            return 0
        owners = self.store.looking(self._owners)
        return min(count_free(column, owners) for column in columns)

    def _owners(self, connection: sa.Connection) -> Owners:
        return self._identities.look(
            connection,
            [
                (board.key, text)
                for board in _in_hand(connection, sa.true())
                for text in board.values.values()
            ],
        )

    def keepers(self, ranges: Sequence[KeptRange]) -> Mapping[str, bool]:
        """By the keys of the boards that keep the same places: whether they keep the same in all
        of them."""
        wanted = {each.place: each.sha256 for each in ranges}
        columns = (RANGES.c.key, RANGES.c.place, RANGES.c.sha256)
        chosen = sa.select(*columns).where(RANGES.c.place.in_(wanted))
        found: dict[str, bool] = {}
        for row in self.store.looking(lambda connection: connection.execute(chosen).all()):
            found[row.key] = found.get(row.key, True) and wanted[row.place] == row.sha256
        return found

    # -- boards ----------------------------------------------------------------------------

    def claim(self, key: str, bench: str) -> Claim | Held:
        """Claim the board with this key for as long as it is worked on; or who has it."""
        return self.claims.take(key, bench)

    def in_hand(self, key: str) -> InHand | None:
        """The board with this key, if its work has begun and not ended well."""
        found = self._in_hand(IN_HAND.c.key == key)
        return found[0] if found else None

    def in_hand_like(self, jedec_id: str, unique_id: str, size: int) -> tuple[InHand, ...]:
        """Boards in hand whose chips answer alike: a unique ID may be that of several."""
        return self._in_hand(
            (IN_HAND.c.jedec_id == jedec_id)
            & (IN_HAND.c.size == size)
            & (IN_HAND.c.unique_id == unique_id)
        )

    def all_in_hand(self) -> tuple[InHand, ...]:
        """Every board in hand."""
        return self._in_hand(sa.true())

    def _in_hand(self, wanted: sa.ColumnElement[bool]) -> tuple[InHand, ...]:
        return self.store.looking(lambda connection: _in_hand(connection, wanted))

    def finished_like(self, jedec_id: str, unique_id: str) -> tuple[BoardRecord, ...]:
        """The newest good row of each board whose chip answers alike, the newest first."""
        found: dict[str, BoardRecord] = {}
        begins = ROWS.c.key.startswith(f"{jedec_id}-{unique_id or 'contents'}", autoescape=True)
        for record in self._records(begins):
            alike = (record.jedec_id, record.unique_id) == (jedec_id, unique_id)
            if alike and (record.good or record.scrapped):
                found.setdefault(record.key, record)
        return tuple(record for record in found.values() if record.good)

    def last_values(self, key: str) -> Mapping[str, str]:
        """The values in the newest row of this board that has any, given back since or not."""
        return next((each.values for each in self._records(ROWS.c.key == key) if each.values), {})

    # -- rows ------------------------------------------------------------------------------

    def append(self, record: BoardRecord, after: After, gone: Iterable[Identity] = ()) -> Row:
        """Write a row, and settle what happens to the values, in one transaction. `gone` are
        identities that the whole chip was seen without."""
        body = record.to_json()
        without = set(gone)

        def step(connection: sa.Connection) -> Row:
            same = (ROWS.c.key == record.key) & (ROWS.c.body == body)
            there = rows_in(connection, same)
            if there and record.attempt:
                return there[0]
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
            _settle(connection, record, after, without)
            return row

        return self._changing(record.key, step)

    def drawn(self, key: str) -> tuple[str, ...]:
        """Every value that was drawn for the board with this key and not given back."""
        mine = (IDENTITIES.c.key == key) & IDENTITIES.c.state.in_((RESERVED, WRITTEN))
        board = self.in_hand(key)
        texts = [*self.last_values(key).values(), *(board.values if board else {}).values()]
        spelled = {Identity.of(TEXT, text).text: text for text in texts}
        return tuple(sorted(spelled.get(each.text, each.text) for each in self._noted(mine)))

    def scrap(self, key: str, bench: str, moment: datetime) -> Row:
        """Record, on a person's word, that the board with this key is destroyed, and give its
        values back to the list. What it came with and kept is given to nobody.

        Raises `LedgerError` when somebody works on the board, or nothing is known of it.
        """
        other = self.claims.holder(key)
        if other is not None:
            raise LedgerError(
                f"This board is being worked on at bench {other.bench}.",
                state="The ledger was not changed.",
                remedy="Wait until that is finished, or stop it.",
            )
        board, last = self.in_hand(key), next(self._records(ROWS.c.key == key), None)
        if board is None and last is None:
            raise LedgerError(f"The ledger {self.store.name} has no board {key}.")
        values = ", ".join(self.drawn(key))
        record = BoardRecord(
            begun=moment.isoformat(),
            ended=moment.isoformat(),
            job=board.job if board else last.job if last else "",
            job_sha256="",
            image_sha256="",
            bench=bench,
            station="",
            adapter="",
            part=last.part if last else "",
            jedec_id=board.jedec_id if board else last.jedec_id if last else "",
            unique_id=board.unique_id if board else last.unique_id if last else "",
            key=key,
            values={},
            label=last.label if last else "",
            result=FAIL,
            kind=SCRAPPED,
            reason=f"recorded by a person as destroyed; back on the list: {values or 'nothing'}",
            attempt=secrets.token_hex(8),
        )
        return self.append(record, After.SCRAP)

    def rows(self) -> tuple[Row, ...]:
        """All rows, oldest first."""
        return self._rows(None)

    def row(self, number: int) -> Row | None:
        """One row; None where there is none of that number."""
        return next(iter(self._rows(ROWS.c.number == number)), None)

    def _rows(self, wanted: sa.ColumnElement[bool] | None) -> tuple[Row, ...]:
        return self.store.looking(lambda connection: tuple(rows_in(connection, wanted)))

    def _records(self, wanted: sa.ColumnElement[bool]) -> Iterator[BoardRecord]:
        """What rows say, the newest first. One that cannot be read is left out: 'spiflash ledger
        --check' names it."""
        for row in reversed(self._rows(wanted)):
            with contextlib.suppress(BackupSetError):
                yield row.record()


def _settle(
    connection: sa.Connection, record: BoardRecord, after: After, gone: set[Identity]
) -> None:
    board = IN_HAND.c.key == record.key
    if after is After.KEEP:
        own = {Identity.of(TEXT, text) for text in record.values.values()}
        mine = IDENTITIES.c.key == record.key
        for row in connection.execute(sa.select(IDENTITIES).where(mine)).all():
            identity = Identity(row.kind, row.text)
            this = noted(identity)
            if Identity.of(TEXT, row.text) in own:
                if row.state == RESERVED:
                    connection.execute(sa.update(IDENTITIES).where(this).values(state=WRITTEN))
            elif row.state == RESERVED or identity in gone:
                connection.execute(sa.delete(IDENTITIES).where(this))
        theirs, (_, places) = RANGES.c.key == record.key, kept_by(record.kept)
        connection.execute(sa.delete(RANGES).where(theirs & RANGES.c.place.not_in(places)))
        connection.execute(sa.delete(IN_HAND).where(board))
    if after is After.SCRAP:
        mine = (IDENTITIES.c.key == record.key) & IDENTITIES.c.state.in_((RESERVED, WRITTEN))
        connection.execute(sa.delete(IDENTITIES).where(mine))
        connection.execute(sa.delete(IN_HAND).where(board))
    if after is After.FORGET:
        written = connection.scalar(sa.select(IN_HAND.c.written).where(board))
        if not written:
            give_back(connection, record.key)
            connection.execute(sa.delete(IN_HAND).where(board))


def _in_hand(connection: sa.Connection, wanted: sa.ColumnElement[bool]) -> tuple[InHand, ...]:
    columns = [IN_HAND.c[name] for name in InHand.__slots__]
    found = connection.execute(sa.select(*columns).where(wanted).order_by(IN_HAND.c.key))
    return tuple(InHand(**_unpacked(dict(each._mapping))) for each in found)


def _unpacked(row: dict[str, Any]) -> dict[str, Any]:
    values = values_from(str(row["values"]))
    if values is None:
        raise altered(f"The values of the unfinished board {row['key']} cannot be read.")
    return {**row, "values": values, "written": bool(row["written"])}


def _still_listed(values: Mapping[str, str], columns: Sequence[Column]) -> bool:
    """Whether the values that a board has are what the columns would still give."""
    if not columns:
        return False
    names = {name for column in columns for name in column.names}
    return names == values.keys() and all(column.holds(values) for column in columns)


def _packed(values: Mapping[str, str]) -> str:
    return json.dumps(dict(values), sort_keys=True)
