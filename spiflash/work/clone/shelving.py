"""Filing a reading as a backup set.

The loop reads a board before it knows whether it is a new one, so that reading and filing are
two steps here.
"""

from __future__ import annotations

from spiflash.archive.backupset import BackupSet
from spiflash.archive.shelf import Shelf
from spiflash.dump.coverage import coverage
from spiflash.dump.survey import survey
from spiflash.report.page import backup_page
from spiflash.work.backup import _record as backup_record
from spiflash.work.backup import now
from spiflash.work.connection import Connection
from spiflash.work.reading import Reading


def file_backup(connection: Connection, reading: Reading, shelf: Shelf, board: str) -> BackupSet:
    """Put a reading that is believed on the shelf. Raises `ShelfError`."""
    otp = b"".join(connection.security()) or None
    found = survey(reading.contents)
    record = backup_record(connection, reading, board, now())
    page = backup_page(record, reading.contents, found, coverage(reading.contents, found))
    return shelf.place(record, reading.contents, otp, page)
