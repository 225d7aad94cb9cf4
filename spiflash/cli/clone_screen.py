"""What cloning shows: a status line for each adapter, signs above them, the bell."""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence

import click

from spiflash.archive.ledger_record import BoardRecord
from spiflash.report.clone import result_text, skipped_line
from spiflash.report.wording import clean


class CloneScreen:
    """On a terminal the status lines stay at the bottom and change in place; elsewhere each
    change is a line of its own. Everything goes to standard error."""

    def __init__(self, stations: Sequence[str], *, live: bool | None = None) -> None:
        self._live = sys.stderr.isatty() if live is None else live
        self._lines = dict.fromkeys(stations, "")
        self._lock = threading.RLock()
        self._drawn = 0

    def status(self, station: str, text: str) -> None:
        """What goes on at a station."""
        with self._lock:
            if self._lines.get(station) == text:
                return
            self._lines[station] = text
            if self._live:
                self._draw()
            else:
                click.echo(clean(f"{station}: {text}", 400), err=True)

    def result(self, station: str, record: BoardRecord) -> None:
        """A large PASS or FAIL, and the bell."""
        self._above(result_text(station, record))
        if self._live:
            click.echo("\a" if record.good else "\a\a\a", nl=False, err=True)

    def skipped(self, station: str, record: BoardRecord) -> None:
        """A finished board was on the clip again."""
        self._above(skipped_line(station, record))

    def ask(self, record: BoardRecord) -> bool:
        """Whether a finished board is to be done again."""
        with self._lock:
            self._wipe()
            question = f"{record.label or record.key} is finished since {record.ended}. Once more?"
            answer = click.confirm(clean(question, 300), default=False, err=True)
            if self._live:
                self._draw()
            return answer

    def end(self) -> None:
        """Leave the status lines behind."""
        with self._lock:
            self._drawn = 0

    def _above(self, text: str) -> None:
        with self._lock:
            self._wipe()
            click.echo(text, err=True)
            if self._live:
                self._draw()

    def _wipe(self) -> None:
        if self._drawn:
            click.echo(f"\x1b[{self._drawn}A\x1b[J", nl=False, err=True, color=True)
            self._drawn = 0

    def _draw(self) -> None:
        self._wipe()
        width = max((len(name) for name in self._lines), default=0)
        for name, text in self._lines.items():
            click.echo(clean(f"{name:<{width}}  {text}", 78), err=True)
        self._drawn = len(self._lines)
