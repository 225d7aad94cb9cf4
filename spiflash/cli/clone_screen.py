"""What cloning shows: a panel for each adapter with the sign of its last board, the tally of the
batch, the bell, a question."""

from __future__ import annotations

import os
import queue
import select
import shutil
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import click

from spiflash.archive.ledger.rows import BoardRecord, last_of_each
from spiflash.cli.screen import AMBER, GREEN, RED, folded
from spiflash.jobs.clone.runner import TAKE_OFF, WAITING
from spiflash.report.clone import (
    ROWS,
    Panel,
    finished_on,
    progress_text,
    reason_line,
    result_text,
    skipped_line,
)
from spiflash.text import clean

GLANCE = 0.2
"""Seconds between two looks for an answer, or for the end of the work."""

LONGEST = 400
"""Characters of a line that is not shown on a terminal."""

GOOD, BAD, LOOK = (0.0,), (0.0, 0.35, 0.35), (0.0, 0.9)
"""Bells for PASS, for FAIL, and for somebody to come and look: seconds before each stroke."""

REST = 1.2
"""Seconds between the bells of two events."""

_COLOURS = {"PASS": GREEN, "FAIL": RED, "END": AMBER, "?": AMBER}


class Bell:
    """Rings one event after the other, so that they can be told apart."""

    def __init__(self, strike: Callable[[], None], pause: Callable[[float], None]) -> None:
        self._strike = strike
        self._pause = pause
        self._waiting: queue.Queue[tuple[float, ...]] = queue.Queue()
        self._thread: threading.Thread | None = None

    def ring(self, strokes: tuple[float, ...]) -> None:
        """Ring soon; does not wait."""
        self._waiting.put(strokes)
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="bell", daemon=True)
            self._thread.start()

    def _work(self) -> None:
        while True:
            for pause in self._waiting.get():
                self._pause(pause)
                self._strike()
            self._pause(REST)


class CloneScreen:
    """On a terminal every station has its panel, which changes in place: its number and the sign
    of its last board in large type, so that both can be read from two metres. Elsewhere each change
    is a line of its own. Everything goes to standard error.

    While a question about one board is open, the others go on working, and their signs are shown.
    """

    def __init__(
        self,
        stations: Sequence[str],
        *,
        live: bool | None = None,
        wanted: int = 0,
        before: int = 0,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        """`wanted` boards are to be made in all (0: not said), `before` are good already."""
        self.stopping: Callable[[], bool] = lambda: False
        """Whether the work is to end, and with it an open question."""
        self._live = sys.stderr.isatty() if live is None else live
        self._coloured = not os.environ.get("NO_COLOR")
        self._panels = {name: Panel(i, name) for i, name in enumerate(stations, 1)}
        self._lock = threading.RLock()
        self._question = threading.Lock()
        self._asked = ""
        self._remark = ""
        self._waiting: list[str] = []
        self._drawn = 0
        self._wanted, self._before = wanted, before
        self._records: list[BoardRecord] = []
        self._clock = clock
        self._begun = clock()
        self._bell = Bell(self._strike, pause)

    # -- what the work tells ---------------------------------------------------------------

    def status(self, station: str, text: str) -> None:
        """What goes on at a station."""
        with self._lock:
            panel = self._panels[station]
            if panel.status == text:
                return
            at_it = text not in (TAKE_OFF, WAITING)
            old = panel.old or (bool(panel.sign) and at_it and panel.sign != "END")
            self._panels[station] = replace(panel, status=text, old=old)
            if self._live:
                self._draw()
            else:
                if old and not panel.old:
                    self._print(self._tally())
                self._print(clean(f"{self._named(station)}: {text}", LONGEST))

    def progress(self, station: str, text: str) -> None:
        """How far a step is: in the panels only."""
        with self._lock:
            if self._live:
                self._panels[station] = replace(self._panels[station], status=text)
                self._draw()

    def result(self, station: str, record: BoardRecord) -> None:
        """PASS or FAIL, and the bell."""
        with self._lock:
            self._records.append(record)
            self._sign(station, record.result, reason_line(record), GOOD if record.good else BAD)
            if not self._live:
                # How far the batch is, is said when the next board comes: after the last one the
                # result of the command says it.
                self._print(result_text(self._named(station), record, LONGEST))
            else:
                self._above(f"{self._named(station)}  {record.result}  {reason_line(record)}")

    def skipped(self, station: str, record: BoardRecord) -> None:
        """A finished board was on the clip again."""
        with self._lock:
            line = skipped_line(self._named(station), record)
            self._sign(station, "", f"{line.partition(': ')[2]}", LOOK)
            self._above(line)

    def closed(self, station: str, text: str) -> None:
        """No more boards are worked on at a station."""
        with self._lock:
            panel = replace(self._panels[station], status=f"STOPPED: {text}")
            self._panels[station] = panel
            # The sign of the last board stays: somebody may still have to take it off.
            self._sign(station, panel.sign or "END", panel.note, LOOK)
            self._above(f"{self._named(station)} has stopped: {text}")

    def say(self, text: str) -> None:
        """A remark about all stations."""
        with self._lock:
            self._remark = text
            self._above(text)

    # -- questions -------------------------------------------------------------------------

    def again(self, station: str, record: BoardRecord) -> bool:
        """Whether a finished board is to be done again; no when the work is to end."""
        return self._ask(station, f"{finished_on(record)}. Write it once more?")

    def same(self, station: str, name: str, backup: str) -> bool:
        """Whether a board is the very one that it looks like."""
        return self._ask(
            station,
            f"This board looks like {name} (backup {backup.rpartition('/')[2]}), but a twin would "
            "look the same. Is it that very board? If in doubt, answer no: with yes it gets the "
            "values of that one.",
        )

    def _ask(self, station: str, text: str) -> bool:
        with self._question:
            with self._lock:
                panel = self._panels[station]
                self._wipe()
                self._asked = clean(f"{self._named(station)}: {text} [y/N] ", 400)
                self._panels[station] = replace(panel, sign="?", note="see the question below")
                self._bell.ring(LOOK)
                if self._live:
                    self._draw()
                else:
                    click.echo(self._asked, nl=False, err=True)
            answer = self._answer()
            with self._lock:
                # The person's Enter has moved the cursor to the line below.
                self._wipe(below=True)
                self._asked = ""
                self._panels[station] = replace(self._panels[station], sign=panel.sign, note="")
                waiting, self._waiting = self._waiting, []
                for each in waiting:
                    self._above(each)
                if self._live:
                    self._draw()
            return answer.strip().lower() in ("y", "yes")

    def _answer(self) -> str:
        """A line from the keyboard; empty when the work is to end."""
        while not self.stopping():
            # Ctrl-C does not arrive in this thread: it must not wait for a key forever. (On
            # Windows a keyboard cannot be waited for like this.)
            if os.name == "nt" or select.select([sys.stdin], [], [], GLANCE)[0]:
                return sys.stdin.readline()
        click.echo(err=True)
        return ""

    def end(self) -> None:
        """Leave the panels behind, without the tally: the result of the command has its own."""
        with self._lock:
            if self._drawn:
                click.echo("\r\x1b[K", nl=False, err=True, color=True)
            self._drawn = 0

    # -- drawing ---------------------------------------------------------------------------

    def _named(self, station: str) -> str:
        return f"[{self._panels[station].number}] {station}"

    def _sign(self, station: str, word: str, note: str, bell: tuple[float, ...]) -> None:
        self._panels[station] = replace(self._panels[station], sign=word, note=note, old=False)
        if self._live:
            self._bell.ring(bell)
            self._draw()

    def _strike(self) -> None:
        click.echo("\a", nl=False, err=True)

    def _print(self, text: str) -> None:
        if self._asked:
            click.echo(err=True)
        click.echo(text, err=True)

    def _above(self, text: str) -> None:
        """A line that stays, above the panels; after the question where one is open."""
        line = clean(text, LONGEST)
        if not self._live:
            self._print(line)
        elif self._asked:
            self._waiting.append(line)
        else:
            self._wipe()
            click.echo(folded(line, self._width()), err=True)
            self._draw()

    def _wipe(self, *, below: bool = False) -> None:
        if self._drawn:
            up = self._drawn - 1 + below
            click.echo(f"\x1b[{up}A\r\x1b[J" if up else "\r\x1b[J", nl=False, err=True, color=True)
            self._drawn = 0

    def _draw(self) -> None:
        """Draw the panels anew. While a question is open its line is left alone: somebody may be
        typing there."""
        lines = self._lines()
        question = folded(self._asked, self._width()).split("\n") if self._asked else []
        keep = bool(question) and self._drawn == len(lines) + len(question)
        if keep:
            out = f"\x1b7\x1b[{self._drawn - 1}A\r"
            out += "".join(f"{line}\x1b[K\r\n" for line in lines) + "\x1b8"
        else:
            self._wipe()
            out = "\n".join([*lines, *question]) + " " * bool(question)
            self._drawn = len(lines) + len(question)
        click.echo(out, nl=False, err=True, color=True)

    def _lines(self) -> list[str]:
        width, height = self._width(), shutil.get_terminal_size().lines
        count = len(self._panels)
        total = self._tally()
        if ROWS * count + 3 > height:
            return [panel.line(width) for panel in self._panels.values()] + [clean(total, width)]
        lines: list[str] = []
        spaced = ROWS * count + count + 3 <= height
        for panel in self._panels.values():
            colour = AMBER if panel.old else _COLOURS.get(panel.sign)
            for number, word, text in panel.lines(width):
                if self._coloured:
                    word = click.style(word, fg=colour, bold=not panel.old)
                    number = click.style(number, bold=True)
                lines.append(f"{number}{word}{text}")
            lines += [""] if spaced else []
        return [*lines, clean(total, width)]

    def _tally(self) -> str:
        boards = last_of_each(self._records)
        good = sum(each.good for each in boards)
        elapsed = self._clock() - self._begun
        failed = len(boards) - good
        return progress_text(self._before + good, failed, self._wanted, elapsed, self._before)

    def _width(self) -> int:
        """Characters that fit a line, and leave room for the mark of one that was shortened."""
        return shutil.get_terminal_size().columns - 2 if self._live else LONGEST
