"""An image, from a file or a backup set, read once and whole: to be written, it or regions of it,
to be audited, or to be compared with another one or with the chip. Layout files."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from spiflash.archive.backupset import is_set, open_set
from spiflash.archive.record import AgreementRecord
from spiflash.dump.audit import Audit, examine, survey
from spiflash.dump.compare import Comparison, compare
from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.layout import Layout, layout_text, read_layout
from spiflash.dump.layout.find import find_layouts
from spiflash.errors import SAFE, ImageError, LayoutError, UsageError
from spiflash.files import read_named, read_named_text, write_new
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import read_chip
from spiflash.nor.chip import ChipIdentity
from spiflash.spans import merged
from spiflash.text import address, amount, counted, span_of

LIMIT = 256 << 20
"""Bytes of the largest chip that is served; a larger file is not read at all."""


@dataclass(frozen=True, slots=True)
class Image:
    """Bytes and where they come from.

    Of a backup set, `verified` is what its record says and `agreement` how its passes agreed;
    `identity`, `registers` (hexadecimal, by name) and `board` are those of the chip and board it
    was taken from; a plain file has none of them. `parts` are the (start, end) offsets in it that
    are to be written, ascending; None for all. `regions` are their names.
    """

    name: str
    contents: bytes
    verified: bool | None = None
    identity: ChipIdentity | None = None
    registers: Mapping[str, str] = field(default_factory=dict)
    board: str = ""
    parts: tuple[tuple[int, int], ...] | None = None
    regions: tuple[str, ...] = ()
    agreement: AgreementRecord | None = None

    @property
    def ranges(self) -> tuple[tuple[int, int], ...]:
        """The (start, end) offsets that are written."""
        return self.parts or ((0, len(self.contents)),)

    @property
    def sha256(self) -> str:
        """Of the contents, in hexadecimal."""
        return hashlib.sha256(self.contents).hexdigest()


def load_image(source: Path) -> Image:
    """Read an image file, or the contents of the backup set that a folder holds.

    Raises `ImageError` for a file that is missing, empty, unreadable, too big, no plain file,
    or changes while it is read; `BackupSetError` for a set that was changed.
    """
    if os.path.isdir(source):
        return _from_set(source)
    contents = read_named(
        source,
        ImageError,
        limit=LIMIT,
        state=SAFE,
        too_long="any chip served here holds",
        missing="Check the path. Is it a board's label? 'spiflash shelf' lists those of all sets.",
    )
    if not contents:
        raise ImageError(
            f"{source} is empty.", state=SAFE, remedy="Check that the download or copy is complete."
        )
    return Image(_name(source), contents)


def _name(path: Path) -> str:
    """`path` as text, so that a journal can hold it: bytes that are none become U+FFFD."""
    return os.fsencode(path).decode(errors="replace")


def _from_set(folder: Path) -> Image:
    """The contents of the backup set in `folder`."""
    try:
        held = is_set(folder)
    except OSError as exc:
        raise ImageError(
            f"{folder} cannot be read ({exc.strerror or exc}).",
            state=SAFE,
            remedy="Check the path and the permissions.",
        ) from exc
    if not held:
        raise ImageError(
            f"{folder} is a folder but not a backup set.",
            state=SAFE,
            remedy="Name an image file, or the folder of one backup set.",
        )
    found = open_set(folder)
    record = found.record
    return Image(
        _name(folder),
        found.contents(),
        record.verified,
        record.identity,
        record.chip.registers,
        record.board,
        agreement=record.agreement,
    )


def overlay(base: bytes, image: Image, at: int) -> bytes:
    """`base`, the whole chip, with the image put in at address `at`.

    Raises `ImageError` when the image is empty or does not fit there, `UsageError` for a bad
    address.
    """
    if not image.contents:
        # Whatever a chip holds, it holds no bytes of: nothing would be written and all verified.
        raise ImageError(
            f"{image.name} is empty.", state=SAFE, remedy="Check where its bytes come from."
        )
    if not 0 <= at < len(base):
        raise UsageError(
            f"The address {address(at)} is not on this chip: it has {amount(len(base))}.",
            state=SAFE,
            remedy="Give --at an address on the chip, such as 040000h.",
        )
    over = at + len(image.contents) - len(base)
    if over > 0:
        tail = image.contents[-over:]
        blank = set(tail) <= {0xFF}
        raise ImageError(
            f"{image.name} has {len(image.contents):,} bytes; from {address(at)} the chip has room "
            f"for {len(base) - at:,}. It is {counted(over, 'byte')} too long.",
            state=SAFE,
            remedy="The part that does not fit is blank: cut the file at "
            f"{len(image.contents) - over:,} bytes and write that."
            if blank
            else "Use an image made for a chip of this size.",
        )
    if image.parts is None:
        return base[:at] + image.contents + base[at + len(image.contents) :]
    result = bytearray(base)
    for start, end in image.parts:
        result[at + start : at + end] = image.contents[start:end]
    return bytes(result)


def only_regions(
    image: Image, names: Sequence[str], layout: Layout | None = None, size: int | None = None
) -> Image:
    """`image`, of which only the regions `names` are to be written.

    A name is a region's or a group's, or a range such as 40000h+64K (start, length).
    Regions are those of `layout`, or of the layout that the image states. `size` is
    that of the chip, whose layout it has to be.

    Raises `LayoutError` for names that do not exist, `UsageError` for ranges that make no
    sense, `ImageError` for regions that the image does not reach.
    """
    spans = []
    known = layout
    for name in names:
        typed = span_of(name)
        if typed is not None:
            start, length = typed[0], typed[1] - typed[0]
        else:
            known = known or _stated(image)
            region = known.region(name)
            start, length = region.start, region.length
        end = start + length
        if length < 1 or (size is not None and end > size):
            raise UsageError(
                f"The region {name} is not on this chip.",
                state=SAFE,
                remedy="Give a region of the layout, or a range such as 40000h+64K.",
            )
        if end > len(image.contents):
            raise ImageError(
                f"{image.name} has {len(image.contents):,} bytes and does not reach the end of "
                f"{name}, {address(end - 1)}.",
                state=SAFE,
                remedy="Use an image of the whole chip, or leave that region out.",
            )
        spans.append((start, end))
    return replace(image, parts=tuple(merged(spans)), regions=tuple(names))


def _stated(image: Image) -> Layout:
    """The layout that an image states, or suggests."""
    contents = image.contents
    # What can state one is found quickly; to suggest one, everything has to be looked at.
    found = (*find_environments(contents), *find_device_trees(contents))
    known = find_layouts(contents, found)[0]
    if known.at is None:
        known = find_layouts(contents, survey(contents))[0]
    return known.layout


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
    return Audited(found, image.agreement)


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
        load_image(before).contents, load_image(after).contents, layout, show_secrets=show_secrets
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
