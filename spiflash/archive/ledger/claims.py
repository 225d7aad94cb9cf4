"""Who is working on which board at this moment, and whose an identity is.

A claim is a row with a token and a lease. The holder renews the lease while it works, and looks
before each step that cannot be undone whether the row still bears its token: a server that was
restarted, or a bench that was thought dead, cannot lead to two holders that both write. A claim
ends with its release, with its lease, or with its holder's process, where that ran on this computer
and is gone. Two adapters of one program exclude each other in the same way as two programs.

An identity is looked for in the table of identities, on boards in hand, and in the rows of boards
that passed. Drawing asks all three, so that what somebody deletes from one is still given to
nobody.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import secrets
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.ledger.store import (
    CLAIMS,
    IDENTITIES,
    KEPT,
    OUTAGE,
    RANGES,
    RESERVED,
    ROWS,
    WEAK,
    WRITTEN,
    Store,
    note,
    noted,
    now,
)
from spiflash.archive.ledger.values import TEXT, Column, Draw, Identity, Kept, KeptRange, kept_by
from spiflash.errors import (
    BackupSetError,
    ClaimLostError,
    IdentityTakenError,
    LedgerError,
    ValuesUsedUpError,
)
from spiflash.text import address

LEASE = 2 * OUTAGE
"""Seconds that a claim lasts unless it is renewed; longer than a server is waited for."""

BEAT = LEASE / 6
"""Seconds between two renewals in the background."""


@dataclass(frozen=True, slots=True)
class Held:
    """A claim that somebody has: at which bench, and for how many seconds yet at most."""

    bench: str
    seconds: float


class Claim:
    """A claim of ours."""

    def __init__(self, claims: Claims, key: str, token: str) -> None:
        self.key = key
        self._claims = claims
        self._token = token

    def check(self) -> None:
        """Renew the lease.

        Raises `ClaimLostError` when somebody else has the board by now, `LedgerError` when that
        cannot be found out.
        """
        if not self._claims.renew(self.key, self._token):
            raise ClaimLostError(
                "Another bench has taken over this board: this bench did not report for too long.",
                state="Nothing more is written to the board. Its backup and journal are kept.",
                remedy="Find the bench that has the board, and put it on there again.",
            )

    def release(self) -> None:
        """End it. A ledger that does not answer ends it later, by its lease."""
        self._claims.release(self.key, self._token)


class Claims:
    """The claims of one open ledger; may be used from several threads."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._ours: dict[str, str] = {}  # token by key
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self._beating = False

    def take(self, key: str, bench: str) -> Claim | Held:
        """Claim the board with this key; or who has it. Raises `LedgerError`."""
        token = secrets.token_hex(16)

        def step(connection: sa.Connection) -> Held | None:
            held = _held(connection, key)
            if held is not None and held[0] != token:
                return held[1]
            connection.execute(sa.delete(CLAIMS).where(CLAIMS.c.key == key))
            row = {"key": key, "token": token, "holder": _myself(bench)}
            until = now(connection) + LEASE
            connection.execute(sa.insert(CLAIMS).values(row | {"until": until}))
            return None

        found = self._store.changing(step)
        if found is not None:
            return found
        with self._lock:
            self._ours[key] = token
            if not self._beating:
                self._beating = True
                threading.Thread(target=self._beat, name="claims", daemon=True).start()
        return Claim(self, key, token)

    def holder(self, key: str) -> Held | None:
        """Who has the board with this key, ourselves included. Raises `LedgerError`."""
        held = self._store.looking(lambda connection: _held(connection, key))
        return held[1] if held else None

    def renew(self, key: str, token: str) -> bool:
        """Whether it is still ours; then the lease begins anew. Raises `LedgerError`."""
        renewed = sa.update(CLAIMS).where(_mine(key, token))
        return self._store.changing(
            lambda c: c.execute(renewed.values(until=now(c) + LEASE)).rowcount == 1
        )

    def release(self, key: str, token: str) -> None:
        """See `Claim.release`."""
        with self._lock:
            self._ours.pop(key, None)
        ended = sa.delete(CLAIMS).where(_mine(key, token))
        with contextlib.suppress(LedgerError):
            self._store.changing(lambda connection: connection.execute(ended))

    def close(self) -> None:
        """End the renewals."""
        self._closed.set()

    def _beat(self) -> None:
        while not self._closed.wait(BEAT):
            with self._lock:
                ours = dict(self._ours)
            for key, token in ours.items():
                # The next check before a step that cannot be undone says what is wrong.
                with contextlib.suppress(LedgerError):
                    self.renew(key, token)


def _mine(key: str, token: str) -> sa.ColumnElement[bool]:
    return (CLAIMS.c.key == key) & (CLAIMS.c.token == token)


def _held(connection: sa.Connection, key: str) -> tuple[str, Held] | None:
    """Token and holder of a claim that has not ended."""
    row = connection.execute(sa.select(CLAIMS).where(CLAIMS.c.key == key)).first()
    if row is None:
        return None
    try:
        left = float(row.until) - now(connection)
        holder = dict(json.loads(row.holder))
    except (TypeError, ValueError):
        return None  # nothing that this program would have written
    # A clock that was set back must not make a lease endless.
    if left <= 0 or left > 2 * LEASE or _ended(holder):
        return None
    return row.token, Held(str(holder.get("bench", "?")), left)


def _myself(bench: str) -> str:
    return json.dumps({"bench": bench, "computer": _computer(), "process": os.getpid()})


def _ended(holder: Mapping[str, object]) -> bool:
    """Whether the holder ran on this computer and its process is gone for sure."""
    process = holder.get("process")
    # On Windows there is no way to ask after a process without ending it.
    if os.name != "posix" or holder.get("computer") != _computer() or not isinstance(process, int):
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return _dead(process)


def _dead(process: int) -> bool:
    """Whether it has ended and nobody has asked how: proc(5), state Z."""
    with contextlib.suppress(OSError, IndexError):
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] in "ZX"
    return False


def _computer() -> str:
    """This computer since it was switched on, and this space of process numbers."""
    parts = [platform.node()]
    with contextlib.suppress(OSError):
        parts.append(Path("/proc/sys/kernel/random/boot_id").read_text().strip())
    with contextlib.suppress(OSError):
        parts.append(os.readlink("/proc/self/ns/pid"))
    return " ".join(parts)


NOTHING_WRITTEN = "Nothing was written to this board."


def altered(cause: str) -> LedgerError:
    """The error for what this program would not have written."""
    return LedgerError(
        cause,
        state=NOTHING_WRITTEN,
        remedy="The ledger was altered outside spiflash: see 'spiflash ledger --check'.",
    )


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
        self, connection: sa.Connection, identity: Identity, key: str, owners: Owners
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
        there = sa.select(IDENTITIES.c.key).where(noted(identity))
        if connection.execute(there).first() is None:
            note(connection, identity, key, RESERVED)

    def note_kept(self, connection: sa.Connection, key: str, kept: Kept, owners: Owners) -> None:
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
            # Perhaps kept by somebody, and here for sure.
            weak = noted(identity) & (IDENTITIES.c.state == WEAK)
            connection.execute(sa.delete(IDENTITIES).where(weak))
        left = {
            Identity(kind, text)
            for kind, text in connection.execute(sa.select(IDENTITIES.c.kind, IDENTITIES.c.text))
        }
        for identity in sorted((kept.identities | kept.weak) - left):
            note(connection, identity, key, KEPT if identity in kept.identities else WEAK)

    def _compare_range(self, connection: sa.Connection, key: str, kept: KeptRange) -> None:
        theirs = (RANGES.c.place == kept.place) & (RANGES.c.key != key)
        others = connection.execute(sa.select(RANGES).where(theirs)).all()
        start = int(kept.place.partition("+")[0], 16)
        same = [each.key for each in others if each.sha256 == kept.sha256]
        if same:
            raise IdentityTakenError(
                f"What this board keeps at {address(start)} is byte for byte what "
                f"{self._name(same[0])} keeps. Two boards would have one identity.",
                state=NOTHING_WRITTEN,
                remedy="Find out whether this is that very board. If the range may be the same on "
                "all boards, list its name in the job under shared = […].",
            )
        if others:
            everywhere = -1
            for each in others:
                try:
                    everywhere &= int(each.pages, 16)
                except ValueError as error:
                    what = f"What {each.key} keeps at {address(start)} cannot be read."
                    raise altered(what) from error
            lacking = everywhere & ~int(kept.pages, 16)
            if lacking:
                first = start + 256 * ((lacking & -lacking).bit_length() - 1)
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
