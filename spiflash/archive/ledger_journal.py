"""Journals whose values went back to the list.

A board that fails while it is cloned gives its values back, and another board may get them. The
journal of the failed work still holds them: from then on it may be undone, not finished. That
is noted in the journal's own folder before the ledger gives the values to anybody, so that
whoever finds the journal knows, without the ledger:

    journals/<chip>/withdrawn.txt    the name of the job
"""

from __future__ import annotations

import os

from spiflash.archive.files import read_plain, shelf_error, sync_folder, write_file
from spiflash.archive.journal import Journal

NOTE = "withdrawn.txt"
_LIMIT = 4096


def withdraw(journal: Journal, job: str) -> None:
    """Note that the values in this journal belong to its board no more. On the disk when this
    returns. Raises `ShelfError`."""
    note = journal.path / NOTE
    if os.path.lexists(note):
        return
    try:
        write_file(note, (job.encode()[:_LIMIT],))
        sync_folder(journal.path)
    except OSError as error:
        raise shelf_error(
            error, f"writing “{note}”", state="The board keeps its values."
        ) from error


def withdrawn(journal: Journal) -> str | None:
    """The name of the job that took the values back; None when the journal may be finished.

    Raises `ShelfError` when that cannot be found out.
    """
    note = journal.path / NOTE
    try:
        return read_plain(note, _LIMIT).decode(errors="replace")
    except FileNotFoundError:
        return None
    except ValueError:
        # Whatever stands there, somebody put it there to say so.
        return ""
    except OSError as error:
        raise shelf_error(
            error, f"reading “{note}”", state="The journal was not changed."
        ) from error
