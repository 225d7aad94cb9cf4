"""The tables of the ledger, and a connection to where they are kept: SQLite or PostgreSQL.

Every transaction that changes something takes one lock for the whole ledger, so that benches
draw values and append rows one after the other. A server that goes away for a short time is waited
for, with a word to whoever looks (`Store.tell`); every step is written so that doing it twice does
it once, since a server may die after it has carried a transaction out and before it says so.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import platformdirs
import sqlalchemy as sa
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from spiflash.archive.ledger.values import LONGEST, MAC, TEXT, Identity
from spiflash.errors import LedgerError
from spiflash.files import FILE_MODE, make_folders

T = TypeVar("T")

LOCK = 0x4845524F4E
"""Number of the advisory lock on PostgreSQL; any number that nobody else takes."""

PATIENCE = 30.0
"""Seconds to wait for another bench's transaction."""

OUTAGE = 60.0
"""Seconds that a server which has answered before is waited for."""

NEW_LEDGER = 10.0
"""Seconds that a new file of no bytes is given to become a ledger: whoever makes one makes its
tables at once."""

VERSION = "2"

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

RESERVED, WRITTEN, KEPT, WEAK = "reserved", "written", "kept", "weak"

IDENTITIES = sa.Table(
    "identities",
    META,
    sa.Column("kind", sa.String(8), primary_key=True),
    sa.Column("text", sa.String(LONGEST), primary_key=True),
    sa.Column("key", sa.Text, nullable=False, index=True),
    sa.Column("state", sa.String(8), nullable=False),
)
"""Every identity that a board has or is about to get. The primary key is what makes it impossible
that two boards get one value. `state`: reserved (drawn, on no chip yet), written (may stand on
the board's chip), kept (the board came with it and keeps it), weak (perhaps kept)."""

RANGES = sa.Table(
    "kept_ranges",
    META,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("place", sa.String(40), primary_key=True),
    sa.Column("sha256", sa.String(64), nullable=False, index=True),
    sa.Column("pages", sa.Text, nullable=False),
)
"""What each board keeps, by its digest: see `values.KeptRange`."""

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
    # Of boards begun by an earlier version it is not known: they may have been written to.
    sa.Column("written", sa.Integer, nullable=False, server_default="1"),
)
"""Boards whose work has begun and not ended well: which backup is theirs, which values, and
whether writing to them has begun."""

CLAIMS = sa.Table(
    "claims",
    META,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("token", sa.String(64), nullable=False),
    sa.Column("holder", sa.Text, nullable=False),
    sa.Column("until", sa.Float(53), nullable=False),
)
"""Who works on which board at this moment: see `claims`."""

ABOUT = sa.Table(
    "ledger_about",
    META,
    sa.Column("name", sa.String(64), primary_key=True),
    sa.Column("text", sa.Text, nullable=False),
)
"""The version of these tables."""

_GIVEN = "values_given"
"""Where versions before this one kept values, by the name that a job gave them. What has that
name now is a view that nobody can write to: a bench with an older version would give a value
twice, and so it gives none."""


_BEFORE = frozenset({ROWS.name, IN_HAND.name, _GIVEN})
"""The tables of that version: what has them all, and none of the later ones, is an older ledger."""


class _InterruptedError(LedgerError):
    """An SQLite file whose last write was interrupted, where it may not be undone."""


def default_path() -> Path:
    """Where the ledger is unless somebody says otherwise."""
    return Path(platformdirs.user_data_dir("spiflash", appauthor=False)) / "ledger.sqlite"


class Store:
    """An open ledger database; its tables are made on first use.

    `absent` names tables that should be there and are not: somebody has dropped them. Then
    nothing may be changed; what is left can be read.
    """

    def __init__(self, where: str | Path, *, read_only: bool = False) -> None:
        """`where` is the path of an SQLite file, or a URL postgresql://….

        With `read_only` nothing is made or changed, and no right to write is needed. Raises
        `LedgerError`.
        """
        self.name = str(where)
        self._copy: tempfile.TemporaryDirectory[str] | None = None
        self.tell: Callable[[str], None] = lambda text: None
        """Shown a word when the server is waited for, and when it answers again."""
        self.absent: tuple[str, ...] = ()
        self._answered = False
        self._sleep: Callable[[float], None] = time.sleep
        try:
            self._engine = self._open(where, read_only=read_only)
            try:
                present = self.looking(_present)
            except _InterruptedError:
                # On a read-only disk SQLite cannot undo the write that was interrupted: a copy can.
                self._engine = _engine_of(self._copied(Path(where).expanduser().absolute()), "rw")
                present = self.looking(_present)
            made = bool(present) or self.looking(_was_made)
            if read_only and not made:
                raise self._no_ledger()
            # Of a version before this one, only these tables are expected.
            expected = _BEFORE if _GIVEN in present else META.tables.keys()
            self.absent = tuple(sorted(expected - present)) if made else ()
            if not read_only and not self.absent:
                self.changing(_brought_up)
        except (ArgumentError, NoSuchModuleError, ImportError, OSError) as exc:
            raise self._error(exc) from exc

    def _open(self, where: str | Path, *, read_only: bool) -> sa.Engine:
        if "://" not in str(where):
            path = Path(where).expanduser().absolute()
            if not read_only:
                make_folders(path.parent)
                with contextlib.suppress(FileExistsError):
                    # Values and labels of a batch are nobody else's business.
                    flags = os.O_CREAT | os.O_EXCL | os.O_RDWR
                    os.close(os.open(path, flags, FILE_MODE))
                    return _engine_of(path, "rw")
            self._refuse_unusable(path)
            # A bench that was killed in mid-write left a journal: SQLite has to put back what it
            # says before it can read, and may not do that in mode ro.
            interrupted = path.with_name(f"{path.name}-journal").exists()
            may = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
            return _engine_of(path, "rw" if not read_only or (interrupted and may) else "ro")
        url = sa.make_url(str(where))
        self.name = url.render_as_string(hide_password=True)
        if url.get_backend_name() != "postgresql":
            raise ArgumentError("only postgresql:// URLs and paths of SQLite files are possible")
        url = url.set(drivername="postgresql+psycopg")
        return sa.create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": 10})

    def changing(self, step: Callable[[sa.Connection], T]) -> T:
        """Do `step` in one transaction that nobody else's runs beside, more than once where a
        server has gone away in it. Raises `LedgerError`; then nothing of it has happened, unless
        the server died in the very moment of carrying it out."""
        if self.absent:
            raise self.dropped()

        def whole(connection: sa.Connection) -> T:
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{int(PATIENCE)}s'")
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(LOCK)))
            else:
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            return step(connection)

        return self._patiently(whole)

    def looking(self, step: Callable[[sa.Connection], T]) -> T:
        """Do `step`, which only reads, in one transaction that sees nothing of what others change
        meanwhile. Raises `LedgerError`."""

        def whole(connection: sa.Connection) -> T:
            if connection.dialect.name == "sqlite":
                connection.exec_driver_sql("BEGIN")
            else:
                connection.exec_driver_sql(
                    "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"
                )
            return step(connection)

        return self._patiently(whole)

    def _patiently(self, step: Callable[[sa.Connection], T]) -> T:
        ends = time.monotonic() + OUTAGE
        tries = 0
        while True:
            try:
                with self._engine.begin() as connection:
                    found = step(connection)
            except SQLAlchemyError as exc:
                if not (self._answered and _gone(exc) and time.monotonic() < ends):
                    raise self._error(exc) from exc
                if tries == 0:
                    self.tell(f"the ledger does not answer; waiting up to {OUTAGE:.0f} s")
                tries += 1
                self._sleep(min(0.1 * 2**tries, 2.0))
            else:
                self._answered = True
                if tries:
                    self.tell("the ledger answers again")
                return found

    def close(self) -> None:
        """Close the connections."""
        self._engine.dispose()
        if self._copy is not None:
            self._copy.cleanup()

    def _refuse_unusable(self, path: Path) -> None:
        """Raise for a file that is not there, may not be read, or has no bytes: then all that it
        said is lost. A bench that is just making its ledger is waited for."""
        try:
            os.close(os.open(path, os.O_RDONLY))
        except FileNotFoundError as error:
            raise self._no_ledger() from error
        except PermissionError as error:
            raise LedgerError(
                f"You may not read the ledger {self.name}: it belongs to another user.",
                state="Nothing was changed.",
                remedy="Run this as the user who clones, or let that user copy the ledger for you.",
            ) from error
        ends = time.monotonic() + NEW_LEDGER
        while not path.stat().st_size:
            age = time.time() - path.stat().st_mtime
            # Where the clock was set back, the file is from the future.
            if not -NEW_LEDGER <= age <= NEW_LEDGER or time.monotonic() > ends:
                break
            self._sleep(0.1)
        else:
            return
        raise LedgerError(
            f"The ledger {self.name} is empty (0 bytes).",
            state="Nothing was written to it. While it is empty, no board gets values: they may "
            "all be on boards already.",
            remedy="Put back a copy of the ledger. If no board was ever recorded in it, delete the "
            "file.",
        )

    def _copied(self, path: Path) -> Path:
        """A copy of an SQLite file and of the journal beside it."""
        self._copy = tempfile.TemporaryDirectory(prefix="spiflash-ledger-")
        for name in (path.name, f"{path.name}-journal"):
            shutil.copyfile(path.with_name(name), Path(self._copy.name) / name)
        return Path(self._copy.name) / path.name

    def _no_ledger(self) -> LedgerError:
        return LedgerError(
            f"There is no ledger {self.name}.",
            state="None was created.",
            remedy="'spiflash clone' creates it with the first board. Name another one with "
            "--ledger.",
        )

    def dropped(self) -> LedgerError:
        """The error for tables that somebody has dropped."""
        return LedgerError(
            f"Tables of the ledger {self.name} are missing: {', '.join(self.absent)}. It was "
            "altered outside spiflash.",
            state="While they are missing, no board gets values: they may all be on boards "
            "already.",
            remedy="Put back a copy of the ledger; 'spiflash ledger --check' reads what is left.",
        )

    def _error(self, exc: Exception) -> LedgerError:
        original = getattr(exc, "orig", None) or exc
        said = original.strerror if isinstance(original, OSError) else str(original)
        cause = str(said or original).strip().splitlines() or [type(exc).__name__]
        if getattr(original, "sqlite_errorname", "") == "SQLITE_READONLY_ROLLBACK":
            return _InterruptedError(
                f"The last write to the ledger {self.name} was interrupted, and the ledger cannot "
                "be written to from here.",
                state="Nothing was changed. Earlier rows are safe.",
                remedy="Open it once where it can be written to, with the file beside it whose "
                "name ends in -journal: never copy or move one without the other.",
            )
        if getattr(original, "sqlite_errorname", "") == "SQLITE_READONLY_DBMOVED":
            return LedgerError(
                f"The ledger {self.name} was moved, replaced or deleted while it was in use.",
                state="Nothing was written to it by this step; the file that was moved has all "
                "earlier rows.",
                remedy="Put that file back before anything else is cloned: another ledger would "
                "give the same values again.",
            )
        return LedgerError(
            f"The ledger {self.name} cannot be used ({cause[0]}).",
            state="Nothing was written to it by this step; earlier rows are safe.",
            remedy="Check the path and the permissions. For a server, check that it runs and lets "
            "you in; PostgreSQL needs the package psycopg.",
        )


def noted(identity: Identity) -> sa.ColumnElement[bool]:
    """The row of an identity."""
    return (IDENTITIES.c.kind == identity.kind) & (IDENTITIES.c.text == identity.text)


def note(connection: sa.Connection, identity: Identity, key: str, state: str) -> None:
    """Note an identity as that of the board with this key."""
    row = {"kind": identity.kind, "text": identity.text, "key": key, "state": state}
    connection.execute(sa.insert(IDENTITIES).values(row))


def now(connection: sa.Connection) -> float:
    """Seconds since 1970 by the clock that all benches of this ledger share."""
    if connection.dialect.name == "postgresql":
        return float(connection.scalar(sa.text("select extract(epoch from clock_timestamp())")))
    return time.time()


def _gone(exc: SQLAlchemyError) -> bool:
    """Whether it is the server that went away or is starting, not an answer it gave (class 08
    and 57P01 to 57P03 of PostgreSQL's error codes; no code where there is no connection)."""
    if not isinstance(exc, DBAPIError):
        return False
    state = getattr(exc.orig, "sqlstate", None)
    name = type(exc.orig).__module__.partition(".")[0]
    if name != "psycopg":
        return False
    if state is None:
        return exc.connection_invalidated or isinstance(exc, sa.exc.OperationalError)
    return bool(state.startswith("08") or state in ("57P01", "57P02", "57P03"))


def _present(connection: sa.Connection) -> set[str]:
    """Which tables there are, of this version and of the one before."""
    tables = set(sa.inspect(connection).get_table_names())
    return tables & (META.tables.keys() | {_GIVEN})


def _was_made(connection: sa.Connection) -> bool:
    """Whether there is what the tables leave behind when all of them are dropped."""
    return _GIVEN in sa.inspect(connection).get_view_names()


def _engine_of(path: Path, mode: str) -> sa.Engine:
    """An engine for an SQLite file; `mode` is rw or ro (sqlite.org/uri.html)."""
    query = {"mode": mode, "uri": "true"}
    url = sa.URL.create("sqlite", database=f"file:{quote(str(path))}", query=query)
    engine = sa.create_engine(url, connect_args={"timeout": PATIENCE})
    sa.event.listen(engine, "connect", _sqlite_connected)
    return engine


def _brought_up(connection: sa.Connection) -> None:
    """Make the tables, or bring those of an earlier version up to this one."""
    present = _present(connection)
    if ABOUT.name in present:
        return
    if IN_HAND.name in present:
        columns = {each["name"] for each in sa.inspect(connection).get_columns(IN_HAND.name)}
        if "written" not in columns:
            connection.exec_driver_sql(
                f"ALTER TABLE {IN_HAND.name} ADD COLUMN written INTEGER NOT NULL DEFAULT 1"
            )
    META.create_all(connection)
    if _GIVEN in present:
        _take_over(connection)
        connection.exec_driver_sql(f"DROP TABLE {_GIVEN}")
    connection.exec_driver_sql(
        f"CREATE VIEW {_GIVEN} AS SELECT DISTINCT kind AS space, text, key FROM {IDENTITIES.name}"
    )
    connection.execute(sa.insert(ABOUT).values(name="version", text=VERSION))


def _take_over(connection: sa.Connection) -> None:
    """Values of the version before, which may all stand on their boards; and those that boards
    gave back after they had been written to, where nobody else has got them since."""
    taken: dict[Identity, str] = {}
    for space, text, key in connection.exec_driver_sql(f"SELECT space, text, key FROM {_GIVEN}"):
        for kind in (MAC,) if space == MAC else (TEXT, "hex"):
            if kind != "hex" or _is_hex(text):
                taken.setdefault(Identity.of(kind, text), key)
    newest: set[str] = set()
    for body in connection.execute(sa.select(ROWS.c.body).order_by(ROWS.c.number.desc())).scalars():
        try:
            said = json.loads(body)
            if said["key"] not in newest and (said["touched"] or said["result"] == "PASS"):
                for text in said["values"].values():
                    taken.setdefault(Identity.of(TEXT, text), said["key"])
            newest.add(said["key"])
        except (ValueError, KeyError, TypeError, AttributeError):
            continue  # 'spiflash ledger --check' names it
    for identity, key in taken.items():
        note(connection, identity, key, WRITTEN)


def _is_hex(text: str) -> bool:
    try:
        return bool(bytes.fromhex(text))
    except ValueError:
        return False


def _sqlite_connected(connection: Any, record: object) -> None:
    # The driver begins transactions by itself, and too late for a lock: `changing` does it.
    connection.isolation_level = None
    connection.execute("PRAGMA synchronous = FULL")
