"""Audit a file or a backup set; read and write layout files."""

from __future__ import annotations

import codecs
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.backupset import open_set
from spiflash.archive.record import AgreementRecord
from spiflash.dump.audit import Audit, examine
from spiflash.dump.layout import Layout, layout_text, read_layout
from spiflash.errors import LayoutError, OutputError
from spiflash.jobs.image import load_image

_LAYOUT_LIMIT = 1 << 20
"""Bytes: the greatest size of a layout file."""

_PAGE_BEGINS = b"<!doctype html>"


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
    try:
        # A named pipe would be waited for, and a device read without end.
        if not stat.S_ISREG(path.stat().st_mode):
            raise _unusable(path, "is a folder, a device or a pipe, not a file")
        with path.open("rb") as file:
            raw = file.read(_LAYOUT_LIMIT + 1)
        # Some editors begin a file with a byte order mark, which TOML does not allow.
        text = raw.removeprefix(codecs.BOM_UTF8).decode("utf-8")
    except OSError as exc:
        raise _unusable(path, f"cannot be read ({exc.strerror or exc})") from exc
    except UnicodeDecodeError as exc:
        line = raw[: exc.start].count(b"\n") + 1
        raise _unusable(path, f"is not UTF-8 text (line {line})") from exc
    if len(raw) > _LAYOUT_LIMIT:
        raise _unusable(path, "is too long for a layout file")
    return read_layout(text, str(path))


def save_layout(layout: Layout, path: Path) -> None:
    """Write a new layout file. Raises `OutputError`, also when the file exists already."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(layout_text(layout))
    except FileExistsError as exc:
        raise OutputError(
            f"{path} exists already.",
            state="It was not overwritten.",
            remedy="Choose another name, or remove it first.",
        ) from exc
    except OSError as exc:
        raise _unwritable(path, exc) from exc


def save_page(html: str, path: Path) -> None:
    """Write the page, readable only for its owner: it can show secrets of a board.

    Only an older page is overwritten, so that a typing mistake does not cost a dump. Raises
    `OutputError` when it cannot be written.
    """
    try:
        if path.exists() and not _is_page(path):
            raise OutputError(
                f"{path} exists already and is not a page.",
                state="It was not overwritten.",
                remedy="Choose another name, or remove it first.",
            )
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with open(descriptor, "w", encoding="utf-8") as file:
            file.write(html)
    except OSError as exc:
        raise _unwritable(path, exc) from exc


def _is_page(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(_PAGE_BEGINS)).lower() == _PAGE_BEGINS


def _unusable(path: Path, problem: str) -> LayoutError:
    return LayoutError(
        f"{path} {problem}.",
        state="Nothing was changed.",
        remedy="Check the path and the permissions.",
    )


def _unwritable(path: Path, exc: OSError) -> OutputError:
    return OutputError(
        f"{path} cannot be written ({exc.strerror or exc}).",
        state="The dump was only read.",
        remedy="Check the path and the permissions.",
    )
