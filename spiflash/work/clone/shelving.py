"""Filing a reading as a backup set.

The loop reads a board before it knows whether it is a new one, so that reading and filing are
two steps here.
"""

from __future__ import annotations

from spiflash.archive.backupset import BackupSet
from spiflash.archive.shelf import Shelf
from spiflash.work.backup import now, put_on_shelf, security_registers
from spiflash.work.connection import Connection
from spiflash.work.reading import Reading


def file_backup(connection: Connection, reading: Reading, shelf: Shelf, board: str) -> BackupSet:
    """Put a reading that is believed on the shelf. Raises `ShelfError`."""
    otp = security_registers(connection)
    return put_on_shelf(connection, reading, otp, shelf, board, now()).set
