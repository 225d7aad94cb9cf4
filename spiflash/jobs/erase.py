"""Blank a chip or part of it, with the same safety as a restore."""

from __future__ import annotations

from collections.abc import Callable

from spiflash.archive.shelf import Shelf
from spiflash.errors import UsageError
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image
from spiflash.jobs.progress import Watcher
from spiflash.jobs.restore import SAFE, Leave, restore
from spiflash.jobs.rewrite import Rewritten, Work
from spiflash.jobs.rewrite_proof import Verify


def erase(
    connection: Connection,
    shelf: Shelf,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    leave: Leave | None = None,
    at: int = 0,
    length: int | None = None,
    passes: int = 2,
    verify: Verify = Verify.CHANGED,
) -> Rewritten:
    """Make `length` bytes from `at` on (to the end when None) FFh; neighbours that share an
    erase block are kept. Raises as `restore` does, `UsageError` for a range off the chip."""
    size = connection.chip.size
    end = size if length is None else at + length
    if not 0 <= at < end <= size:
        raise UsageError(
            f"The range {at:#x}–{end:#x} does not lie on a chip of {size} bytes.",
            state=SAFE,
            remedy="Give --at and --length within the chip.",
        )
    blank = Image(f"blank {at:#x}–{end - 1:#x}", b"\xff" * (end - at))
    return restore(
        connection,
        shelf,
        blank,
        watcher,
        agree=agree,
        leave=leave,
        at=at,
        passes=passes,
        verify=verify,
    )
