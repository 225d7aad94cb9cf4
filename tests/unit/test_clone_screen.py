"""The lines at the bottom, the signs above them, and the question that holds nobody up."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator

import pytest
from clone_records import record

from spiflash.cli.clone_screen import CloneScreen
from spiflash.report.clone import sign


def test_status_lines_change_in_place_on_a_terminal_only(
    capsys: pytest.CaptureFixture[str],
) -> None:
    plain = CloneScreen(["one", "two"], live=False)
    plain.status("one", "reading")
    plain.status("one", "reading")
    plain.result("one", record("a"))
    shown = capsys.readouterr().err
    assert shown.count("one: reading") == 1
    assert "\x1b" not in shown
    assert "\a" not in shown
    live = CloneScreen(["one", "two"], live=True)
    live.status("one", "reading")
    live.status("two", "writing")
    shown = capsys.readouterr().err
    assert shown.endswith("\x1b[2A\r\x1b[Jone  reading\ntwo  writing\n")
    live.result("two", record("a", "FAIL", kind="read", reason="x"))
    shown = capsys.readouterr().err
    assert sign("FAIL") in shown
    assert "\a" in shown


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Where keys are pressed."""
    ours, theirs = os.pipe()
    with open(ours) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        yield theirs
    os.close(theirs)


def test_a_question_holds_nobody_up(keyboard: int, capsys: pytest.CaptureFixture[str]) -> None:
    screen = CloneScreen(["one", "two"], live=True)
    answers: list[bool] = []
    asker = threading.Thread(target=lambda: answers.append(screen.ask(record("old"))))
    asker.start()
    shown = ""
    while "Once more?" not in shown:
        shown += capsys.readouterr().err
    # Meanwhile the other station has a board done: what it shows waits for the answer.
    screen.status("two", "writing")
    screen.result("two", record("b"))
    assert capsys.readouterr().err == ""
    os.write(keyboard, b"y\n")
    asker.join()
    assert answers == [True]
    shown = capsys.readouterr().err
    assert sign("PASS") in shown
    assert "two  writing" in shown


def test_a_question_ends_with_the_work(keyboard: int) -> None:
    screen = CloneScreen(["one"], live=True)
    screen.stopping = lambda: True
    assert not screen.ask(record("old"))


@pytest.mark.parametrize(
    ("typed", "answer"), [("y", True), ("Yes", True), ("", False), ("n", False)]
)
def test_only_a_yes_is_a_yes(keyboard: int, typed: str, answer: bool) -> None:
    os.write(keyboard, f"{typed}\n".encode())
    assert CloneScreen(["one"], live=True).ask(record("old")) is answer
