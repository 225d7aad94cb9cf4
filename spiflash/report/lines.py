"""What reports are made of: a headline, and lines of at most 80 characters without escapes."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from spiflash.text import clean

WIDTH = 80


@dataclass(frozen=True, slots=True)
class Headline:
    """`tone` is "good", "mixed" or "bad"; `title` and `sentence` say it in words."""

    tone: str
    title: str
    sentence: str


def wrapped(text: str, first: str = "  ", rest: str = "  ", limit: int = 2000) -> list[str]:
    """`text`, cleaned and cut to `limit` characters, in as many lines as it takes; `first` and
    `rest` stand in front of the first line and of the others."""
    return textwrap.wrap(
        clean(text, limit), WIDTH, initial_indent=first, subsequent_indent=rest
    ) or [first]


def listed(items: Iterable[str]) -> list[str]:
    """Each item behind a dash."""
    return [line for item in items for line in wrapped(item, "  - ", "    ")]


def facts(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """(label, value) pairs, the values one below the other."""
    pairs = tuple(pairs)
    margin = max(len(label) for label, _ in pairs) + 4
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
