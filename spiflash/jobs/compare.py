"""Compare two dumps, or a dump with a chip."""

from __future__ import annotations

from pathlib import Path

from spiflash.dump.compare import compare
from spiflash.dump.differences import Comparison
from spiflash.dump.layout import Layout
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import load_image
from spiflash.jobs.reading import read_chip


def compare_files(
    before: Path, after: Path, *, layout: Layout | None = None, show_secrets: bool = False
) -> Comparison:
    """Compare image files or backup sets. Raises what `load_image` raises."""
    return compare(
        load_image(before).contents,
        load_image(after).contents,
        layout,
        show_secrets=show_secrets,
    )


def compare_chip(
    before: Path,
    connection: Connection,
    watcher: Watcher,
    *,
    passes: int = 2,
    layout: Layout | None = None,
    show_secrets: bool = False,
) -> Comparison:
    """Compare a file or set with the chip, read in passes; what they do not agree on is unsure.

    Raises what `load_image` raises, and `InterruptedWorkError` after Ctrl-C.
    """
    contents = load_image(before).contents
    reading = read_chip(connection, passes, watcher)
    return compare(
        contents, reading.contents, layout, unsure=reading.unstable, show_secrets=show_secrets
    )
