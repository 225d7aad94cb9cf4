"""The chip table in use: the one that comes along, and a person's own files on top."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from chipdb.errors import TableError
from chipdb.loader import load_builtin, load_file
from chipdb.table import ChipTable
from spiflash.errors import ChipTableError

__all__ = ["ChipTable", "chip_table"]


def chip_table(files: Sequence[Path] = ()) -> ChipTable:
    """The built-in table with the parts of `files` added; theirs win over ours.

    Raises `ChipTableError` naming file and line.
    """
    table = load_builtin()
    for file in files:
        try:
            table = table.merged(load_file(file))
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
    return table
