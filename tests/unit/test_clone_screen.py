"""The panels, the signs in them, the bells, and the question that holds nobody up."""

from __future__ import annotations

import os
import re
import shutil
import threading
import time
from collections.abc import Iterator

import pytest

from spiflash.cli.clone_screen import BAD, GOOD, LOOK, REST, Bell, CloneScreen
from spiflash.report.clone import large, sign
from tests.clone_rig.rows import record

NAMES = ["ftdi://ftdi:4232h:1/1", "ftdi://ftdi:4232h:1/2", "ftdi://ftdi:232h/1", "sim:boards/*"]


class Terminal:
    """What a terminal of 80 columns and 24 lines shows: the control sequences that are used here,
    by ECMA-48 (cursor up, erase in display, erase in line, graphic rendition) and DEC's save and
    restore of the cursor."""

    def __init__(self, height: int = 24) -> None:
        self.lines = [""] * height
        self.row = self.column = 0
        self.saved = (0, 0)
        self.bells = 0

    def feed(self, text: str) -> None:
        for each in re.findall(r"\x1b\[[0-9;]*[A-Za-z]|\x1b[78]|.|\n|\r", text, re.DOTALL):
            self._one(each)

    def _one(self, each: str) -> None:
        if each == "\a":
            self.bells += 1
        elif each == "\r":
            self.column = 0
        elif each == "\n":
            self.column, self.row = 0, self.row + 1
            if self.row == len(self.lines):
                self.lines, self.row = [*self.lines[1:], ""], self.row - 1
        elif each == "\x1b7":
            self.saved = self.row, self.column
        elif each == "\x1b8":
            self.row, self.column = self.saved
        elif each.endswith("A") and each.startswith("\x1b"):
            self.row = max(0, self.row - int(each[2:-1]))
        elif each in ("\x1b[J", "\x1b[K"):
            self.lines[self.row] = self.lines[self.row][: self.column]
            if each.endswith("J"):
                self.lines[self.row + 1 :] = [""] * (len(self.lines) - self.row - 1)
        elif not each.startswith("\x1b"):
            line = self.lines[self.row].ljust(self.column)
            assert self.column < 80, f"wider than the terminal: {line}{each}"
            self.lines[self.row] = line[: self.column] + each + line[self.column + 1 :]
            self.column += 1

    @property
    def text(self) -> str:
        return "\n".join(line.rstrip() for line in self.lines)


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "get_terminal_size", lambda: os.terminal_size((80, 24)))


def live(**more: object) -> CloneScreen:
    return CloneScreen(NAMES, live=True, pause=lambda seconds: None, **more)  # type: ignore[arg-type]


def shows(terminal: Terminal, word: str, *, ink: str = "#") -> bool:
    """Whether a word stands somewhere in large letters."""
    rows = [row.rstrip() for row in large(word, ink=ink)]
    lines = terminal.lines
    return any(
        all(row in lines[top + i] for i, row in enumerate(rows)) for top in range(len(lines) - 4)
    )


def test_each_change_is_a_line_of_its_own_elsewhere(capsys: pytest.CaptureFixture[str]) -> None:
    plain = CloneScreen(["one", "two"], live=False)
    plain.status("one", "reading")
    plain.status("one", "reading")
    plain.result("one", record("a"))
    said = capsys.readouterr().err
    assert said.count("[1] one: reading") == 1
    assert "board good" not in said  # it is the command's to say after the last
    plain.result("one", record("a"))
    plain.status("one", "identifying the chip")
    plain.closed("two", "no more boards")
    shown = capsys.readouterr().err
    assert shown.count("[1] one: identifying") == 1
    assert sign("PASS") in shown
    assert "[2] two has stopped: no more boards" in shown
    assert "\n1 board good, 0 failed\n" in shown
    assert "\x1b" not in shown
    assert "\a" not in shown


def test_four_stations_keep_their_last_sign_on_24_lines(capsys: pytest.CaptureFixture[str]) -> None:
    now = [0.0]
    screen = live(wanted=20, before=3, clock=lambda: now[0])
    now[0] = 600.0
    terminal = Terminal()
    for name in NAMES:
        screen.status(name, "writing")
    screen.result(NAMES[0], record("a"))
    screen.result(NAMES[1], record("b", "FAIL", kind="read", reason="Readings differ."))
    screen.closed(NAMES[3], "The adapter stopped answering.")
    for _ in NAMES:
        screen.say("a remark")
    terminal.feed(capsys.readouterr().err)
    assert all(shows(terminal, word) for word in ("PASS", "FAIL", "END", "1", "2", "3", "4"))
    assert "STOPPED: The adapter stopped" in terminal.text
    tally = "4 of 20 boards good, 1 failed; 6 good boards an hour, about 2 h 40 min left"
    assert tally in terminal.text
    assert "Heron b: read: Readings differ." in terminal.text
    # The next board is on the clip: the sign of the one before stays, in thin ink.
    screen.status(NAMES[0], "identifying the chip")
    terminal.feed(capsys.readouterr().err)
    assert not shows(terminal, "PASS")
    assert shows(terminal, "PASS", ink=":")
    assert "the board before: Heron a" in terminal.text


def test_colours_are_left_out_where_nobody_wants_them(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """no-color.org: NO_COLOR, present and not empty."""
    for value, coloured in (("", True), ("1", False)):
        monkeypatch.setenv("NO_COLOR", value)
        live().result(NAMES[0], record("a"))
        assert ("\x1b[38;5;28m" in capsys.readouterr().err) is coloured


def test_more_stations_than_fit_have_a_line_each(capsys: pytest.CaptureFixture[str]) -> None:
    names = [f"adapter {i}" for i in range(9)]
    screen = CloneScreen(names, live=True, pause=lambda seconds: None)
    screen.result("adapter 7", record("a"))
    terminal = Terminal()
    terminal.feed(capsys.readouterr().err)
    assert re.search(r"^8 PASS", terminal.text, re.MULTILINE)


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Where keys are pressed."""
    ours, theirs = os.pipe()
    with open(ours) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        yield theirs
    os.close(theirs)


def test_a_question_names_its_adapter_and_holds_up_no_sign(
    keyboard: int, capsys: pytest.CaptureFixture[str]
) -> None:
    screen, terminal = live(), Terminal()
    answers: list[bool] = []
    asker = threading.Thread(target=lambda: answers.append(screen.again(NAMES[0], record("old"))))
    asker.start()
    for _ in range(600):
        terminal.feed(capsys.readouterr().err)
        if "[y/N]" in terminal.text:
            break
        time.sleep(0.05)
    assert f"[1] {NAMES[0]}: Heron old was finished on" in terminal.text.replace("\n", " ")
    assert shows(terminal, "?")
    terminal.feed("ye")  # somebody is typing
    # Meanwhile another station has a board done: its sign is shown, and the question stays.
    screen.result(NAMES[1], record("b"))
    terminal.feed(capsys.readouterr().err)
    assert shows(terminal, "PASS")
    assert terminal.text.rstrip().endswith("[y/N] ye")
    os.write(keyboard, b"yes\n")
    asker.join()
    assert answers == [True]
    terminal.feed("s\n" + capsys.readouterr().err)
    assert shows(terminal, "PASS")
    assert "once more?" not in terminal.text


def test_a_question_ends_with_the_work(keyboard: int) -> None:
    screen = CloneScreen(["one"], live=True, pause=lambda seconds: None)
    screen.stopping = lambda: True
    assert not screen.again("one", record("old"))


@pytest.mark.parametrize(
    ("typed", "answer"), [("y", True), ("Yes", True), ("", False), ("n", False)]
)
def test_only_a_yes_is_a_yes(keyboard: int, typed: str, answer: bool) -> None:
    os.write(keyboard, f"{typed}\n".encode())
    screen = CloneScreen(["one"], live=True, pause=lambda seconds: None)
    assert screen.again("one", record("old")) is answer


def test_bells_of_two_events_have_a_pause_between_and_differ() -> None:
    heard: list[float | str] = []
    done = threading.Event()

    def pause(seconds: float) -> None:
        heard.append(seconds)
        if heard.count(REST) == 3:
            done.set()

    bell = Bell(lambda: heard.append("bell"), pause)
    for event in (GOOD, BAD, LOOK):
        bell.ring(event)
    assert done.wait(30)
    wanted: list[float | str] = []
    for event in (GOOD, BAD, LOOK):
        for seconds in event:
            wanted += [seconds, "bell"]
        wanted.append(REST)
    assert heard[: len(wanted)] == wanted
    assert len({GOOD, BAD, LOOK}) == 3
