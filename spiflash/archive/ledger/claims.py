"""Who is working on which board at this moment.

A claim is a row with a token and a lease. The holder renews the lease while it works, and looks
before each step that cannot be undone whether the row still bears its token: a server that was
restarted, or a bench that was thought dead, cannot lead to two holders that both write. A claim
ends with its release, with its lease, or with its holder's process, where that ran on this computer
and is gone. Two adapters of one program exclude each other in the same way as two programs.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from spiflash.archive.ledger.store import CLAIMS, OUTAGE, Store, now
from spiflash.errors import ClaimLostError, LedgerError

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
        return self._store.changing(lambda connection: _renewed(connection, key, token))

    def release(self, key: str, token: str) -> None:
        """See `Claim.release`."""
        with self._lock:
            self._ours.pop(key, None)
        mine = (CLAIMS.c.key == key) & (CLAIMS.c.token == token)
        with contextlib.suppress(LedgerError):
            self._store.changing(
                lambda connection: connection.execute(sa.delete(CLAIMS).where(mine))
            )

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


def _renewed(connection: sa.Connection, key: str, token: str) -> bool:
    mine = (CLAIMS.c.key == key) & (CLAIMS.c.token == token)
    until = now(connection) + LEASE
    return connection.execute(sa.update(CLAIMS).where(mine).values(until=until)).rowcount == 1


def _held(connection: sa.Connection, key: str) -> tuple[str, Held] | None:
    """Token and holder of a claim that has not ended."""
    row = connection.execute(sa.select(CLAIMS).where(CLAIMS.c.key == key)).first()
    if row is None:
        return None
    left = row.until - now(connection)
    try:
        holder = json.loads(row.holder)
    except ValueError:
        holder = {}
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
    for name in ("/proc/sys/kernel/random/boot_id",):
        with contextlib.suppress(OSError):
            parts.append(Path(name).read_text().strip())
    with contextlib.suppress(OSError):
        parts.append(os.readlink("/proc/self/ns/pid"))
    return " ".join(parts)
