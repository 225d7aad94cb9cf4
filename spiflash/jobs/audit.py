"""Audit a file or a backup set, compare two of them or one with the chip; layout files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.backupset import open_set
from spiflash.archive.record import AgreementRecord
from spiflash.dump.audit import Audit, examine
from spiflash.dump.compare import compare
from spiflash.dump.differences import Comparison
from spiflash.dump.layout import Layout, layout_text, read_layout
from spiflash.errors import LayoutError
from spiflash.files import read_named_text, write_new
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import load_image
from spiflash.jobs.reading import read_chip

_LAYOUT_LIMIT = 1 << 20
"""Bytes: the greatest size of a layout file."""


@dataclass(frozen=True, slots=True)
class Audited:
    """An audit, and how the passes of a set agreed; None for a plain file, whose reading is not
    known."""

    audit: Audit
    agreement: AgreementRecord | None


def audit(
    source: Path,
    *,
    layout: Path | None = None,
    sizes: Sequence[int] = (),
    show_secrets: bool = False,
) -> Audited:
    """Audit an image file or a backup set; `sizes` are chips, in bytes, to try it against.

    Raises what `load_image` and `load_layout` raise.
    """
    given = load_layout(layout) if layout is not None else None
    image = load_image(source)
    found = examine(
        image.contents, image.name, layout=given, sizes=sizes, show_secrets=show_secrets
    )
    return Audited(found, open_set(source).record.agreement if source.is_dir() else None)


def load_layout(path: Path) -> Layout:
    """Read a layout file. Raises `LayoutError`."""
    text = read_named_text(path, LayoutError, limit=_LAYOUT_LIMIT)
    return read_layout(text, str(path))


def save_layout(layout: Layout, path: Path) -> None:
    """Write a new layout file. Raises `OutputError`, also when the file exists already."""
    write_new(path, layout_text(layout).encode(), state="The dump was only read.")


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
