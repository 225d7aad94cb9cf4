"""Lines are folded for a terminal at a blank, under the text that they continue."""

from __future__ import annotations

import io

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.cli.screen import coloured, fitted, folded


@pytest.mark.parametrize(
    ("line", "width", "expected"),
    [
        ("short", 10, "short"),
        ("", 10, ""),
        ("one two three and four five", 20, "one two three and\nfour five"),
        ("  * one two three four five six", 26, "  * one two three four\n    five six"),
        ("Kind  one two three four five six", 26, "Kind  one two three four\n      five six"),
        ("Kind: one two three four five six", 26, "Kind: one two three four\n      five six"),
        ("label          one two three four", 30, "label          one two three\n    four"),
        ("see " + "x" * 30 + " there", 24, "see\n" + "x" * 30 + "\nthere"),
        ("  Page  " + "x" * 30, 24, "  Page  " + "x" * 30),
        ("  Page  " + "x" * 30 + " there", 24, "  Page  " + "x" * 30 + "\n        there"),
        ("    spiflash verify a b c", 20, "    spiflash verify a b c"),
        ("  > spiflash verify a b c", 20, "  > spiflash verify a b c"),
    ],
)
def test_where_a_line_goes_on(line: str, width: int, expected: str) -> None:
    assert folded(line, width) == expected


@given(st.text(st.sampled_from("ab:*- \n>"), max_size=200), st.integers(0, 60))
def test_nothing_is_lost_or_added_but_blanks(text: str, width: int) -> None:
    shown = folded(text, width)
    assert shown.split() == text.split()
    for line in shown.split("\n"):
        fits = len(line) <= max(width, width // 3 + 24)
        assert fits or " " not in line.strip() or line.lstrip().startswith("> ")


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_only_a_terminal_gets_folded_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    text = "word " * 20
    assert fitted(text, io.StringIO()) == text
    assert fitted(text, None) == text
    assert max(map(len, fitted(text, _Terminal()).split("\n"))) <= 30


class Terminal(io.StringIO):
    """A stream that is a terminal."""

    def isatty(self) -> bool:
        return True


def test_the_verdict_and_faults_are_coloured_on_a_terminal_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    text = "VERIFIED: 2 passes.\n  kernel  DAMAGED: at 070000h\n"
    shown = coloured(text, Terminal(), "good")
    assert shown.startswith("\x1b[32m\x1b[1mVERIFIED:\x1b[0m 2 passes.")
    assert "\x1b[31m\x1b[1mDAMAGED\x1b[0m" in shown
    assert click.unstyle(shown) == text
    assert coloured(text, io.StringIO(), "good") == text
    for name, value in (("NO_COLOR", "1"), ("TERM", "dumb")):
        with monkeypatch.context() as patch:
            patch.setenv(name, value)
            assert coloured(text, Terminal(), "good") == text
