"""Whose an identity is: by the table of identities, by boards in hand, by the rows of boards that
passed. Drawing asks all three, so that what somebody deletes from one is still given to nobody.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.ledger.store import (
    IDENTITIES,
    KEPT,
    RANGES,
    RESERVED,
    ROWS,
    WEAK,
    WRITTEN,
)
from spiflash.archive.ledger.values import (
    TEXT,
    Column,
    Draw,
    Identity,
    Kept,
    KeptRange,
    kept_by,
)
from spiflash.errors import BackupSetError, IdentityTakenError, ValuesUsedUpError
from spiflash.text import address

NOTHING_WRITTEN = "Nothing was written to this board."

Owners = Mapping[Identity, tuple[str, str]]
"""Key and state (see `store.IDENTITIES`) of each identity that a board has."""


@dataclass(frozen=True, slots=True)
class _History:
    """What rows say of the boards that passed: the newest values of each, by key."""

    label: str
    values: frozenset[Identity]


class Identities:
    """The identities of one ledger; may be used from several threads."""

    def __init__(self) -> None:
        self._passed: dict[str, _History] = {}
        self._kept: dict[str, frozenset[Identity]] = {}
        self._read = 0
        self._lock = threading.Lock()

    def look(self, connection: sa.Connection, in_hand: Iterable[tuple[str, str]]) -> Owners:
        """Key and state of each identity that a board has; `in_hand` are keys and values of the
        boards in hand."""
        self._read_rows(connection)
        found = {
            identity: (key, WRITTEN)
            for key, each in self._passed.items()
            for identity in each.values
        }
        found |= {each: (key, KEPT) for key, kept in self._kept.items() for each in kept}
        found |= {Identity.of(TEXT, text): (key, RESERVED) for key, text in in_hand}
        for row in connection.execute(sa.select(IDENTITIES)):
            found[Identity(row.kind, row.text)] = (row.key, row.state)
        return found

    def _read_rows(self, connection: sa.Connection) -> None:
        with self._lock:
            chosen = sa.select(ROWS.c.number, ROWS.c.body).where(ROWS.c.number > self._read)
            for number, body in connection.execute(chosen.order_by(ROWS.c.number)).all():
                self._read = number
                try:
                    record = BoardRecord.from_json(body, f"row {number} of the ledger")
                except BackupSetError:
                    continue  # 'spiflash ledger --check' names it
                kept, _ = kept_by(record.kept)
                before = frozenset() if record.good else self._kept.get(record.key, frozenset())
                self._kept[record.key] = before | kept
                if record.scrapped:
                    self._passed.pop(record.key, None)
                if record.good:
                    values = frozenset(Identity.of(TEXT, each) for each in record.values.values())
                    self._passed[record.key] = _History(record.label or record.key, values)

    def _name(self, key: str) -> str:
        return self._passed[key].label if key in self._passed else key

    def reserve(
        self,
        connection: sa.Connection,
        identity: Identity,
        key: str,
        owners: Owners,
    ) -> None:
        """Note an identity as reserved for the board with this key, unless it is noted already.
        Raises `IdentityTakenError` when it is another's."""
        for each in (identity, Identity.of(TEXT, identity.text)):
            owner = owners.get(each)
            if owner is not None and owner[0] != key:
                raise IdentityTakenError(
                    f"One part of the ledger gives {identity.text} to this board, another to "
                    f"{self._name(owner[0])}.",
                    state=NOTHING_WRITTEN,
                    remedy="The ledger was altered outside spiflash: see 'spiflash ledger "
                    "--check'.",
                )
        mine = (IDENTITIES.c.kind == identity.kind) & (IDENTITIES.c.text == identity.text)
        if connection.execute(sa.select(IDENTITIES.c.key).where(mine)).first() is None:
            row = {"kind": identity.kind, "text": identity.text, "key": key, "state": RESERVED}
            connection.execute(sa.insert(IDENTITIES).values(row))

    def note_kept(
        self,
        connection: sa.Connection,
        key: str,
        kept: Kept,
        owners: Owners,
    ) -> None:
        """Note what the board with this key keeps. Raises `IdentityTakenError` for what another
        board has, and for a range that is blank where all others have data."""
        for each in kept.ranges:
            if not each.shared:
                self._compare_range(connection, key, each)
        for identity in sorted(kept.identities | kept.weak):
            owner = owners.get(identity)
            if owner is None or owner[0] == key or owner[1] == WEAK:
                continue
            if owner[1] != KEPT or identity in kept.identities:
                raise IdentityTakenError(
                    f"This board keeps {identity.text}, and {self._name(owner[0])} already has it.",
                    state=NOTHING_WRITTEN,
                    remedy="Find out which of the two boards should have it. If all boards may "
                    "share it, list it in the job under shared = […].",
                )
        # What an earlier job let it keep stays noted: it is on the chip until that was written.
        mine = RANGES.c.key == key
        for each in kept.ranges:
            connection.execute(sa.delete(RANGES).where(mine & (RANGES.c.place == each.place)))
            row = {"key": key, "place": each.place, "sha256": each.sha256, "pages": each.pages}
            connection.execute(sa.insert(RANGES).values(row))
        for identity in kept.identities:
            this = (IDENTITIES.c.kind == identity.kind) & (IDENTITIES.c.text == identity.text)
            # Perhaps kept by somebody, and here for sure.
            connection.execute(sa.delete(IDENTITIES).where(this & (IDENTITIES.c.state == WEAK)))
        left = {
            Identity(kind, text)
            for kind, text in connection.execute(sa.select(IDENTITIES.c.kind, IDENTITIES.c.text))
        }
        for identity in sorted((kept.identities | kept.weak) - left):
            state = KEPT if identity in kept.identities else WEAK
            row = {"kind": identity.kind, "text": identity.text, "key": key, "state": state}
            connection.execute(sa.insert(IDENTITIES).values(row))

    def _compare_range(self, connection: sa.Connection, key: str, kept: KeptRange) -> None:
        theirs = (RANGES.c.place == kept.place) & (RANGES.c.key != key)
        others = connection.execute(sa.select(RANGES).where(theirs)).all()
        where = f"at {address(int(kept.place.partition('+')[0], 16))}"
        same = [each.key for each in others if each.sha256 == kept.sha256]
        if same:
            raise IdentityTakenError(
                f"What this board keeps {where} is byte for byte what {self._name(same[0])} keeps. "
                "Two boards would have one identity.",
                state=NOTHING_WRITTEN,
                remedy="Find out whether this is that very board. If the range may be the same on "
                "all boards, list its name in the job under shared = […].",
            )
        if others:
            everywhere = int(others[0].pages, 16)
            for each in others:
                everywhere &= int(each.pages, 16)
            lacking = everywhere & ~int(kept.pages, 16)
            if lacking:
                first = int(kept.place.partition("+")[0], 16) + 256 * _lowest(lacking)
                raise IdentityTakenError(
                    f"This board is blank at {address(first)}, where every board so far keeps "
                    "data.",
                    state=NOTHING_WRITTEN,
                    remedy="Look at its backup: this board may have lost its own data.",
                )


def give_back(connection: sa.Connection, key: str) -> None:
    """What was drawn for a board and never written to it."""
    theirs = (IDENTITIES.c.key == key) & (IDENTITIES.c.state == RESERVED)
    connection.execute(sa.delete(IDENTITIES).where(theirs))


def first_free(column: Column, owners: Owners, key: str) -> Draw:
    """The first of the column that a board may get. Raises `ValuesUsedUpError`."""
    for draw in column:
        if not any(_blocked(value.identity, owners, key) for value in draw):
            return draw
    raise ValuesUsedUpError(
        f"The list of {' and '.join(column.names)} is used up: boards have all {len(column)} "
        "values.",
        state=NOTHING_WRITTEN,
        remedy="Add values to the list of the job, then put the board on again.",
    )


def _blocked(identity: Identity, owners: Owners, key: str) -> bool:
    """Whether a board may not get it. What it keeps itself it has for another use already."""
    for each in {identity, Identity.of(TEXT, identity.text)}:
        owner = owners.get(each)
        if owner is not None and (owner[0] != key or owner[1] in (KEPT, WEAK)):
            return True
    return False


def count_free(column: Column, owners: Owners) -> int:
    """How many of the column no board has."""
    if len(column.lists) == 1:
        (only,) = column.lists
        taken = {Identity.of(only.kind, each.text) for each in owners}
        return len(only) - sum(only.has(each) for each in taken)
    return sum(not any(_blocked(value.identity, owners, "") for value in draw) for draw in column)


def _lowest(bits: int) -> int:
    return (bits & -bits).bit_length() - 1
