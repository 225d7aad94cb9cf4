"""Filing a reading as a backup set.

The loop reads a board before it knows whether it is a new one, so that reading and filing are
two steps here.
"""

from __future__ import annotations

from spiflash.archive.backupset import BackupSet
from spiflash.archive.shelf import Shelf
from spiflash.work.backup import now, put_on_shelf, read_for_set
from spiflash.work.connection import Connection
from spiflash.work.reading import Reading


def file_backup(connection: Connection, reading: Reading, shelf: Shelf, board: str) -> BackupSet:
    """Put a reading that is believed on the shelf. Raises `ShelfError`; `ChipMismatchError`
    when another board is on the clip by now."""
    one_time = read_for_set(connection, reading)
    return put_on_shelf(connection, reading, one_time, shelf, board, now()).set
