"""The program as a person starts it: a process of its own, its streams, its exit status."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hwmocks import store
from hwmocks.boards.heron import heron_factory
from spiflash.errors import UsageError

ROOT = Path(__file__).resolve().parents[2]
COMMAND = (sys.executable, "-m", "spiflash")
SHELVED = ("backup", "convert", "restore", "erase")
"""Commands that take a shelf."""

PATIENCE = 240.0
"""Seconds after which a command counts as hung."""


@dataclass(frozen=True)
class Ended:
    """A command that has ended."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """The one JSON document on standard output; fails when there is anything else."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


def environment(home: Path, **more: str) -> dict[str, str]:
    """A plain environment: nothing of the tester's own settings reaches the program."""
    kept = {name: os.environ[name] for name in ("PATH", "LD_LIBRARY_PATH") if name in os.environ}
    return {**kept, "PYTHONPATH": str(ROOT), "HOME": str(home), "LANG": "C.UTF-8", **more}


@dataclass
class Bench:
    """A folder to work in: a board, an image, a shelf."""

    folder: Path

    @property
    def board(self) -> Path:
        return self.folder / "board"

    @property
    def shelf(self) -> Path:
        return self.folder / "shelf"

    @property
    def flash(self) -> bytes:
        """What the simulated chip holds."""
        return (self.board / store.CONTENTS).read_bytes()

    def run(
        self,
        *arguments: str | Path | bytes,
        env: dict[str, str] | None = None,
        wrap: tuple[str, ...] = (),
        **more: Any,
    ) -> Ended:
        """Run a command in the folder and wait for its end."""
        settings: dict[str, Any] = {
            "stdin": subprocess.DEVNULL,
            "stdout": subprocess.PIPE,
            "stderr": subprocess.PIPE,
            **more,
        }
        done = subprocess.run(
            [*wrap, *COMMAND, *arguments],
            cwd=self.folder,
            env=environment(self.folder, **(env or {})),
            timeout=PATIENCE,
            check=False,
            **settings,
        )
        return Ended(
            done.returncode,
            (done.stdout or b"").decode(errors="replace"),
            (done.stderr or b"").decode(errors="replace"),
        )

    def start(self, *arguments: str | Path, **more: Any) -> subprocess.Popen[str]:
        """Start a command and go on."""
        return subprocess.Popen(
            [*COMMAND, *arguments],
            cwd=self.folder,
            env=environment(self.folder),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **more,
        )

    def on_board(self, command: str, *arguments: str | Path | bytes, **more: Any) -> Ended:
        """Run a command on the board; with the shelf where it takes one."""
        shelf = ("--shelf", self.shelf) if command in SHELVED else ()
        return self.run(command, *arguments, "--adapter", f"sim:{self.board}", *shelf, **more)

    def copy(self, folder: Path) -> Bench:
        """The same bench once more."""
        shutil.copytree(self.folder, folder)
        return Bench(folder)


def new_bench(folder: Path) -> Bench:
    """A bench with a heron board on it, its factory contents in factory.bin, an empty shelf."""
    bench = Bench(folder)
    store.create(bench.board, "W25Q64JV", heron_factory(), seed=7)
    (folder / "factory.bin").write_bytes(heron_factory())
    return bench


def contents_of(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, by name: equal before and after means nothing was touched.

    Of a large file the digest stands for its bytes, so that a failure can be read."""
    return {
        str(path.relative_to(folder)): _digest(path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def _digest(data: bytes) -> bytes:
    return data if len(data) < 1 << 16 else hashlib.sha256(data).digest()


def kept_passes_apart(files: dict[str, bytes]) -> dict[str, bytes]:
    """Without the finished passes that a stopped backup keeps, to go on from them."""
    return {name: data for name, data in files.items() if not name.startswith(".unfinished/")}


def power_cycles_apart(files: dict[str, bytes]) -> dict[str, bytes]:
    """Without the one figure that looking at a board changes: how often it was powered up."""
    return {
        name: re.sub(rb'"power_cycles": \d+', b"", data) if name.endswith("chip.json") else data
        for name, data in files.items()
    }


def assert_said(ended: Ended, status: int, *words: str) -> None:
    """An error as it should be: its status, cause, state (but for a typing mistake, of which
    nothing is to be said) and next step on standard error,
    the words given among them, no traceback, and nothing on standard output."""
    assert ended.status == status, ended
    assert "Traceback" not in ended.err, ended.err
    assert "Internal error" not in ended.err, ended.err
    lines = [line for line in ended.err.splitlines() if line.strip()]
    least = 2 if status == UsageError.status else 3
    assert len(lines) >= least, f"cause, state and next step are missing: {ended.err}"
    assert ended.out == "", ended.out
    for word in words:
        assert word in ended.err, f"{word!r} is not in: {ended.err}"


def assert_said_in_json(ended: Ended, status: int, kind: str) -> None:
    """The same with --json: one document, which says what standard error says."""
    assert ended.status == status, ended
    assert "Traceback" not in ended.err, ended.err
    document = ended.document
    assert document["status"] == status
    assert document["error"] == kind
    for part in ("cause", "state", "remedy"):
        if part == "state" and status == UsageError.status:
            continue
        assert document[part].strip(), document
        assert document[part].splitlines()[0] in ended.err
