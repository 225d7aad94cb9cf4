"""The tables of the ledger, and a connection to where they are kept: SQLite or PostgreSQL.

Every transaction that changes something takes one lock for the whole ledger, so that benches
draw values and append rows one after the other.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import platformdirs
import sqlalchemy as sa
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError

from spiflash.archive.files import FILE_MODE, make_folders
from spiflash.archive.ledger_claims import Claims, FileClaims, Release, ServerClaims
from spiflash.errors import LedgerError

LOCK = 0x4845524F4E
"""Number of the advisory lock on PostgreSQL; any number that nobody else takes."""

LOCK_OF_BOARDS = 0x48455242
"""First of the two numbers of the advisory locks on single boards."""

PATIENCE = 30.0
"""Seconds to wait for another bench's transaction."""

META = sa.MetaData()

ROWS = sa.Table(
    "ledger_rows",
    META,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("before", sa.String(64), nullable=False),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("job", sa.Text, nullable=False),
    sa.Column("key", sa.Text, nullable=False, index=True),
    sa.Column("result", sa.String(8), nullable=False),
    sa.Column("body", sa.Text, nullable=False),
)
"""One row a board and time, chained by digests; never changed."""

GIVEN = sa.Table(
    "values_given",
    META,
    sa.Column("space", sa.String(64), primary_key=True),
    sa.Column("text", sa.String(1024), primary_key=True),
    sa.Column("key", sa.Text, nullable=False, index=True),
)
"""Every value that a board has or is about to get. The primary key is what makes it
impossible that two boards get one value."""

IN_HAND = sa.Table(
    "boards_in_hand",
    META,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("job", sa.Text, nullable=False),
    sa.Column("bench", sa.Text, nullable=False),
    sa.Column("jedec_id", sa.Text, nullable=False),
    sa.Column("unique_id", sa.Text, nullable=False),
    sa.Column("size", sa.Integer, nullable=False),
    sa.Column("backup", sa.Text, nullable=False),
    sa.Column("before_sha256", sa.String(64), nullable=False),
    sa.Column("values", sa.Text, nullable=False),
)
"""Boards whose work has begun and not ended well: which backup is theirs, which values."""


def default_path() -> Path:
    """Where the ledger is unless somebody says otherwise."""
    return Path(platformdirs.user_data_dir("spiflash", appauthor=False)) / "ledger.sqlite"


class Store:
    """An open ledger database; its tables are made on first use."""

    def __init__(self, where: str | Path) -> None:
        """`where` is the path of an SQLite file, or a URL postgresql://….

        Raises `LedgerError`.
        """
        self.name = str(where)
        self._claims: Claims
        try:
            self._engine = self._open(where)
            with self.changing() as connection:
                META.create_all(connection)
        except (ArgumentError, NoSuchModuleError, ImportError, OSError) as exc:
            raise self._error(exc) from exc

    def _open(self, where: str | Path) -> sa.Engine:
        if "://" not in str(where):
            path = Path(where).expanduser().absolute()
            make_folders(path.parent)
            # Values and labels of a batch are nobody else's business.
            os.close(os.open(path, os.O_CREAT | os.O_RDWR, FILE_MODE))
            engine = sa.create_engine(
                sa.URL.create("sqlite", database=str(path)), connect_args={"timeout": PATIENCE}
            )
            sa.event.listen(engine, "connect", _sqlite_connected)
            sa.event.listen(engine, "begin", _sqlite_begins)
            self._claims = FileClaims(path.with_name(f"{path.name}-in-use"))
            return engine
        url = sa.make_url(str(where))
        self.name = url.render_as_string(hide_password=True)
        if url.get_backend_name() != "postgresql":
            raise ArgumentError("only postgresql:// and paths of SQLite files are served")
        url = url.set(drivername="postgresql+psycopg")
        engine = sa.create_engine(url, pool_pre_ping=True)
        # A connection a claim, which lasts as long as the work on a board: none of the pool's.
        apart = sa.create_engine(url, poolclass=sa.NullPool)
        self._claims = ServerClaims(apart, LOCK_OF_BOARDS)
        return engine

    @contextmanager
    def changing(self) -> Iterator[sa.Connection]:
        """One transaction that nobody else's runs beside. Raises `LedgerError`; then nothing
        of it has happened."""
        try:
            with self._engine.begin() as connection:
                if connection.dialect.name == "postgresql":
                    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(LOCK)))
                yield connection
        except SQLAlchemyError as exc:
            raise self._error(exc) from exc

    @contextmanager
    def looking(self) -> Iterator[sa.Connection]:
        """A transaction that only reads. Raises `LedgerError`."""
        try:
            with self._engine.begin() as connection:
                yield connection
        except SQLAlchemyError as exc:
            raise self._error(exc) from exc

    def claim(self, key: str) -> Release | None:
        """Claim the board with this key until the release is called, or this process ends; None
        when somebody has it. Raises `LedgerError`."""
        try:
            return self._claims.take(key)
        except (SQLAlchemyError, OSError) as exc:
            raise self._error(exc) from exc

    def close(self) -> None:
        """Give the connections back."""
        self._engine.dispose()

    def _error(self, exc: Exception) -> LedgerError:
        original = getattr(exc, "orig", None) or exc
        cause = str(original).strip().splitlines() or [type(exc).__name__]
        return LedgerError(
            f"The ledger {self.name} cannot be used ({cause[0]}).",
            state="Nothing was written to it by this step; earlier rows are safe.",
            remedy="Check path, permissions and, for a server, that it runs and lets you in; "
            "PostgreSQL needs the package psycopg.",
        )


def _sqlite_connected(connection: Any, record: object) -> None:
    # The driver begins transactions by itself, and too late for a lock: SQLAlchemy does it.
    connection.isolation_level = None
    connection.execute("PRAGMA synchronous = FULL")


def _sqlite_begins(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")
