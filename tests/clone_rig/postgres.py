"""A PostgreSQL server (Debian's package) of one's own, that can be killed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

# Debian keeps the server's programs out of the search path, one folder a version.
_PLACES = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda each: each.parent.name)
os.environ["PATH"] = os.pathsep.join([os.environ.get("PATH", ""), *map(str, _PLACES[::-1])])

NEEDS = ("initdb", "pg_ctl", "runuser")


@dataclass(frozen=True)
class Server:
    """`url` of its database; `kill` ends it as a crash does; `start` starts it again."""

    url: str
    kill: Callable[[], None]
    start: Callable[[], None]

    def restart(self) -> None:
        """A crash, and the server is back."""
        self.kill()
        self.start()

    def empty(self) -> None:
        """Everything in the database is gone."""
        engine = sa.create_engine(self.url.replace("postgresql://", "postgresql+psycopg://"))
        with engine.begin() as connection:
            connection.execute(sa.text("drop schema public cascade"))
            connection.execute(sa.text("create schema public"))
        engine.dispose()


@contextmanager
def postgres() -> Iterator[Server]:
    """A fresh server that listens on a socket in its own folder."""
    # A socket's path may have 107 bytes: pytest's own folders can be longer.
    with tempfile.TemporaryDirectory(prefix="pg-", dir="/tmp") as name:
        folder = Path(name)
        # PostgreSQL refuses to run as root.
        as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if as_user:
            shutil.chown(folder, "postgres")
        data = folder / "data"

        def call(*command: str | Path) -> None:
            subprocess.run([*as_user, *command], check=True, capture_output=True, cwd=folder)

        options = f"-k {folder} -c listen_addresses='' -c fsync=off"

        def start() -> None:
            call("pg_ctl", "-D", data, "-w", "-l", folder / "log", "-o", options, "start")

        def kill() -> None:
            call("pg_ctl", "-D", data, "-m", "immediate", "stop")

        call("initdb", "-D", data, "-A", "trust", "-U", "bench", "--no-sync", "-E", "UTF8")
        start()
        try:
            yield Server(f"postgresql://bench@/postgres?host={folder}", kill, start)
        finally:
            kill()
