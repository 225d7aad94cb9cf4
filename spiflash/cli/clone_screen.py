"""What cloning shows: a status line for each adapter, signs above them, the bell, a question."""

from __future__ import annotations

import os
import select
import shutil
import sys
import threading
from collections.abc import Callable, Sequence

import click

from spiflash.archive.ledger_record import BoardRecord
from spiflash.cli.folding import folded
from spiflash.report.clone import result_text, skipped_line
from spiflash.report.wording import clean

GLANCE = 0.2
"""Seconds between two looks for an answer, or for the end of the work."""

LONGEST = 400
"""Characters of a line that is not shown on a terminal."""


class CloneScreen:
    """On a terminal the status lines stay at the bottom and change in place; elsewhere each
    change is a line of its own. Everything goes to standard error.

    While a question is open, the others go on working, and what they have to show waits.
    """

    def __init__(self, stations: Sequence[str], *, live: bool | None = None) -> None:
        self.stopping: Callable[[], bool] = lambda: False
        """Whether the work is to end, and with it an open question."""
        self._live = sys.stderr.isatty() if live is None else live
        self._lines = dict.fromkeys(stations, "")
        self._lock = threading.RLock()
        self._question = threading.Lock()
        self._asking = False
        self._waiting: list[str] = []
        self._drawn = 0

    def status(self, station: str, text: str) -> None:
        """What goes on at a station."""
        with self._lock:
            if self._lines.get(station) == text:
                return
            self._lines[station] = text
            if not self._live:
                click.echo(clean(f"{station}: {text}", LONGEST), err=True)
            elif not self._asking:
                self._draw()

    def result(self, station: str, record: BoardRecord) -> None:
        """A large PASS or FAIL, and the bell."""
        text = result_text(station, record, self._width())
        if self._live:
            bell = "\a" if record.good else "\a\a\a"
            text = bell + click.style(text, fg="green" if record.good else "red", bold=True)
        self._above(text)

    def skipped(self, station: str, record: BoardRecord) -> None:
        """A finished board was on the clip again."""
        self._above(folded(skipped_line(station, record), self._width()))

    def say(self, text: str) -> None:
        """A remark about all stations."""
        self._above(folded(clean(text, LONGEST), self._width()))

    def ask(self, record: BoardRecord) -> bool:
        """Whether a finished board is to be done again; no when the work is to end."""
        with self._question:
            with self._lock:
                self._wipe()
                self._asking = True
                since = record.ended[:16].replace("T", " ")
                question = f"{record.label or record.key} is finished since {since}."
                question = f"{clean(question, 300)} Once more? [y/N] "
                click.echo(f"\a{folded(question, self._width())}", nl=False, err=True)
            answer = self._answer()
            with self._lock:
                self._asking = False
                waiting, self._waiting = self._waiting, []
                for text in waiting:
                    self._above(text)
                if self._live:
                    self._draw()
            return answer.strip().lower() in ("y", "yes")

    def end(self) -> None:
        """Leave the status lines behind."""
        with self._lock:
            self._drawn = 0

    def _answer(self) -> str:
        """A line from the keyboard; empty when the work is to end."""
        while not self.stopping():
            # Ctrl-C does not arrive in this thread: it must not wait for a key for ever. (On
            # Windows a keyboard cannot be waited for like this.)
            if os.name == "nt" or select.select([sys.stdin], [], [], GLANCE)[0]:
                return sys.stdin.readline()
        click.echo(err=True)
        return ""

    def _above(self, text: str) -> None:
        with self._lock:
            if self._asking:
                self._waiting.append(text)
                return
            self._wipe()
            click.echo(text, err=True)
            if self._live:
                self._draw()

    def _wipe(self) -> None:
        if self._drawn:
            click.echo(f"\x1b[{self._drawn}A\r\x1b[J", nl=False, err=True, color=True)
            self._drawn = 0

    def _draw(self) -> None:
        self._wipe()
        width = max((len(name) for name in self._lines), default=0)
        for name, text in self._lines.items():
            click.echo(clean(f"{name:<{width}}  {text}", self._width()), err=True)
        self._drawn = len(self._lines)

    def _width(self) -> int:
        """Characters that fit a line, and leave room for the mark of one that was cut."""
        return shutil.get_terminal_size().columns - 2 if self._live else LONGEST
