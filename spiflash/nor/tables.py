"""The chip table in use: the one that comes along, and a person's own files on top."""

from __future__ import annotations

import errno
from collections.abc import Sequence
from pathlib import Path

from chipdb.errors import TableError
from chipdb.loader import load_builtin, load_file
from chipdb.part import Part
from chipdb.table import ChipTable
from spiflash.errors import ChipTableError

__all__ = ["ChipTable", "Part", "chip_table", "parts_of_file", "select"]


def chip_table(files: Sequence[Path] = ()) -> ChipTable:
    """The built-in table with the parts of `files` added; theirs win over ours.

    Raises `ChipTableError` naming file and line.
    """
    table = load_builtin()
    for file in files:
        table = table.merged(_loaded(file))
    return table


def parts_of_file(files: Sequence[Path]) -> tuple[Part, ...]:
    """The parts that these files bring; raises as `chip_table` does."""
    return tuple(part for file in files for part in _loaded(file))


def select(
    table: ChipTable, text: str = "", *, size: int | None = None, volts: float | None = None
) -> tuple[Part, ...]:
    """The parts in which all words of `text` are found (name, maker or ID; no words: all),
    which hold `size` bytes and which run at `volts`."""
    return tuple(
        part
        for part in (table.search(text) if text.strip() else table.parts)
        if (size is None or part.size == size)
        and (volts is None or part.supply[0] <= volts <= part.supply[1])
    )


def _loaded(file: Path) -> tuple[Part, ...]:
    try:
        # A named pipe would be waited for, and a device read without end.
        if file.exists() and not (file.is_file() or file.is_dir()):
            raise OSError(errno.EINVAL, "it is a device or a pipe")
        return load_file(file)
    except TableError as exc:
        raise ChipTableError(
            str(exc),
            state="Nothing has been touched.",
            remedy="Correct that line; DEVELOPERS.md describes the format.",
        ) from exc
    except OSError as exc:
        raise ChipTableError(
            f"The chip table {file} cannot be read ({exc.strerror or exc}).",
            state="Nothing has been touched.",
            remedy="Check the path given with --chips.",
        ) from exc
