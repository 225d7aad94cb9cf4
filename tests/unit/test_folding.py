"""Lines are folded for a terminal at a blank, under the text that they continue."""

from __future__ import annotations

import io

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.cli.screen import AMBER, GREEN, RED, coloured, fitted, folded


@pytest.mark.parametrize(
    ("line", "width", "expected"),
    [
        ("short", 10, "short"),
        ("", 10, ""),
        ("one two three and four five", 20, "one two three and\nfour five"),
        ("  * one two three four five six", 26, "  * one two three four\n    five six"),
        ("Kind  one two three four five six", 26, "Kind  one two three four\n      five six"),
        ("Kind: one two three four five six", 26, "Kind: one two three four\n      five six"),
        ("NOT VERIFIED: one two three four", 26, "NOT VERIFIED: one two\n  three four"),
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
    assert shown.startswith("\x1b[38;5;28m\x1b[1mVERIFIED:\x1b[0m 2 passes.")
    assert "\x1b[38;5;160m\x1b[1mDAMAGED\x1b[0m" in shown
    assert click.unstyle(shown) == text
    assert coloured(text, io.StringIO(), "good") == text
    for name, value in (("NO_COLOR", "1"), ("TERM", "dumb")):
        with monkeypatch.context() as patch:
            patch.setenv(name, value)
            assert coloured(text, Terminal(), "good") == text


def luminance(red: int, green: int, blue: int) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, section 1.4.3 and its definitions)."""
    shares = [each / 255 for each in (red, green, blue)]
    light = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in shares]
    return 0.2126 * light[0] + 0.7152 * light[1] + 0.0722 * light[2]


@pytest.mark.parametrize("colour", [GREEN, AMBER, RED])
@pytest.mark.parametrize("ground", [(255, 255, 255), (0, 0, 0), (0xFD, 0xF6, 0xE3)])
def test_a_colour_can_be_read_on_light_and_dark_terminals(
    colour: int, ground: tuple[int, int, int]
) -> None:
    """Colours 16 to 231 are a cube of six levels (xterm's table); WCAG asks for a contrast of 3 to
    1 for bold text."""
    levels = (0, 95, 135, 175, 215, 255)
    assert 16 <= colour <= 231, "the first sixteen are what each terminal makes of them"
    place = colour - 16
    one = luminance(levels[place // 36], levels[place // 6 % 6], levels[place % 6])
    other = luminance(*ground)
    assert (max(one, other) + 0.05) / (min(one, other) + 0.05) >= 3
