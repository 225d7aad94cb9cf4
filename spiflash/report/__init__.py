"""Results as text, JSON or pages. Here: a headline, and lines of at most 80 characters."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from spiflash.text import clean

WIDTH = 80

_LONGEST_PATH = 240
"""Characters of a word that is not broken."""


@dataclass(frozen=True, slots=True)
class Headline:
    """`tone` is "good", "mixed" or "bad"; `title` and `sentence` say it in words."""

    tone: str
    title: str
    sentence: str

    @property
    def line(self) -> str:
        """The verdict and its reason, as the first line of a screen."""
        return f"{self.title.upper()}: {self.sentence}"


def next_steps(steps: Iterable[tuple[str, str]]) -> list[str]:
    """What to do next, as (what for, command); a command is never broken, so that it can be
    copied. The end of a screen."""
    lines = ["", "Next steps"]
    for what, command in steps:
        lines += [*wrapped(f"{what}:"), f"    {command}"] if command else wrapped(what)
    return lines


def wrapped(text: str, first: str = "  ", rest: str = "  ", limit: int = 2000) -> list[str]:
    """`text`, cleaned and cut to `limit` characters, in as many lines as it takes; `first` and
    `rest` stand in front of the first line and of the others."""
    return textwrap.wrap(
        clean(text, limit),
        WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_on_hyphens=False,
        # A path stays in one piece, so that it can be copied; hostile text need not.
        break_long_words=max(map(len, text.split()), default=0) > _LONGEST_PATH,
    ) or [first]


def listed(items: Iterable[str]) -> list[str]:
    """Each item behind a dash."""
    return [line for item in items for line in wrapped(item, "  - ", "    ")]


def facts(pairs: Iterable[tuple[str, str]], margin: int = 0) -> list[str]:
    """(label, value) pairs, the values one below the other, at least `margin` columns in."""
    pairs = tuple(pairs)
    margin = max(margin, max((len(label) for label, _ in pairs), default=0) + 4)
    lines = []
    for label, value in pairs:
        lines += wrapped(value, f"  {label}".ljust(margin), " " * margin)
    return lines


def table(rows: Sequence[Sequence[str]], gap: int = 2) -> list[str]:
    """Rows of cells that are clean already, in columns; lines as long as they must be."""
    if not rows:
        return ["  nothing"]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  "
        + (" " * gap)
        .join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        .rstrip()
        for row in rows
    ]
