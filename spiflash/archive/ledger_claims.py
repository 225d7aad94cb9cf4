"""Who is working on which board at this moment.

A claim is a lock that ends with whoever holds it, however that ends, so that no stale claim is
ever left: flock(2) on a file beside an SQLite ledger, a session's advisory lock on PostgreSQL.
Two adapters of one program exclude each other in the same way as two programs.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import sqlalchemy as sa

from spiflash.archive.files import FILE_MODE, make_folders
from spiflash.archive.lock import Lock, try_lock

Release = Callable[[], None]
"""Ends a claim. To be called once."""


class Claims(Protocol):
    """Where claims are made."""

    def take(self, key: str) -> Release | None:
        """Claim the board with this key; None when somebody has it."""
        ...


class FileClaims:
    """Claims of those who share a folder. Where it has no locks (some network mounts, systems
    other than POSIX) only the adapters of this one program exclude each other."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._ours: set[str] = set()
        self._lock = threading.Lock()

    def take(self, key: str) -> Release | None:
        """See `Claims`. Raises `OSError`."""
        with self._lock:
            return None if key in self._ours else self._take(key)

    def _take(self, key: str) -> Release | None:
        make_folders(self._folder)
        path = self._folder / hashlib.sha256(key.encode()).hexdigest()
        while True:
            descriptor = os.open(path, os.O_CREAT | os.O_RDWR, FILE_MODE)
            lock = try_lock(descriptor)
            if lock is Lock.TAKEN:
                os.close(descriptor)
                return None
            if lock is Lock.NONE_HERE or os.fstat(descriptor).st_nlink:
                break
            os.close(descriptor)  # released in this very moment, and removed
        self._ours.add(key)

        def release() -> None:
            self._ours.discard(key)
            with contextlib.suppress(OSError):
                path.unlink()
            os.close(descriptor)

        return release


class ServerClaims:
    """Claims of all benches of one PostgreSQL server, each on a connection of its own: `engine`
    must not pool connections, since the lock is the session's."""

    def __init__(self, engine: sa.Engine, space: int) -> None:
        self._engine = engine
        self._space = space

    def take(self, key: str) -> Release | None:
        """See `Claims`. Raises `SQLAlchemyError`."""
        number = int.from_bytes(hashlib.sha256(key.encode()).digest()[:4], "big", signed=True)
        connection = self._engine.connect()
        try:
            taken = connection.scalar(sa.select(sa.func.pg_try_advisory_lock(self._space, number)))
            # The lock outlives the transaction, and ends with the connection.
            connection.commit()
        except BaseException:
            connection.close()
            raise
        if taken:
            return connection.close
        connection.close()
        return None
