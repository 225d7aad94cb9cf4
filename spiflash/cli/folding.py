"""Long lines on a terminal: folded at a blank, instead of broken in the middle of a word."""

from __future__ import annotations

import re
import textwrap

_COMMAND = re.compile(r"\s*(> |spiflash |sha256sum )")
_HANGING = re.compile(r"(\s*(?:[*-] |\d+\. )?)(?:\S+(?: \S+)?(?: {2,}|: +))?")
_STEP = 4
_DEEPEST = 3
"""A continuation line is indented by at most one third of the width."""

_NARROWEST = 20
"""Columns left for text, however narrow the terminal."""


def folded(text: str, width: int) -> str:
    """`text` with no line longer than `width` columns where a blank allows it.

    What continues a line stands under its text: behind a bullet, or behind the label that two
    blanks or a colon end. Commands stay in one line, so that they can be copied.
    """
    return "\n".join(_line(line, width) for line in text.split("\n"))


def _line(line: str, width: int) -> str:
    if len(line) <= width or _COMMAND.match(line):
        return line
    found = _HANGING.match(line)
    assert found is not None  # every part of the pattern may be empty
    hang = found.end()
    if hang > width // _DEEPEST:
        hang = len(found[1]) + _STEP
    start = len(line) - len(line.lstrip())
    return "\n".join(
        textwrap.wrap(
            line[start:],
            max(width, hang + _NARROWEST),
            initial_indent=line[:start],
            subsequent_indent=" " * hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
    )
