"""The chip table in use: the built-in one, and a person's own files on top."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from chipdb.errors import TableError
from chipdb.loader import load_builtin, parse_file
from chipdb.part import Part
from chipdb.table import ChipTable
from spiflash.errors import ChipTableError
from spiflash.files import UNCHANGED, read_named

__all__ = ["ChipTable", "Part", "chip_table", "parts_of_file", "select"]

_LIMIT = 16 << 20  # bytes


def chip_table(files: Sequence[Path] = ()) -> ChipTable:
    """The built-in table with the parts of `files` added; theirs take precedence.

    Raises `ChipTableError` naming file and line.
    """
    table = load_builtin()
    for file in files:
        table = table.merged(_loaded(file))
    return table


def parts_of_file(files: Sequence[Path]) -> tuple[Part, ...]:
    """The parts in these files; raises as `chip_table` does."""
    return tuple(part for file in files for part in _loaded(file))


def select(
    table: ChipTable, text: str = "", *, size: int | None = None, volts: float | None = None
) -> tuple[Part, ...]:
    """The parts in which all words of `text` are found (name, maker or ID; no words: all), of
    `size` bytes, for a supply of `volts`."""
    return tuple(
        part
        for part in (table.search(text) if text.strip() else table.parts)
        if (size is None or part.size == size)
        and (volts is None or part.supply[0] <= volts <= part.supply[1])
    )


def _loaded(file: Path) -> tuple[Part, ...]:
    raw = read_named(file, ChipTableError, limit=_LIMIT)
    try:
        return parse_file(raw, str(file))
    except TableError as exc:
        raise ChipTableError(
            str(exc),
            state=UNCHANGED,
            remedy="Correct that line; DEVELOPERS.md describes the format.",
        ) from exc
