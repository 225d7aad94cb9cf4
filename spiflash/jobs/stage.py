"""Put the files for an update on an SD card: checked, written through, read back.

What a card has to be is common practice, no source: boot loaders of such boards read FAT, and
cards below 256 MB are so old that some of them do not speak the SD commands that are used.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.triage import reference
from spiflash.dump.triage.card import CardFile, files_for_card
from spiflash.errors import CardError, ImageError
from spiflash.files import replace_file
from spiflash.jobs.image import load_image, load_layout
from spiflash.text import address, span

SMALLEST_CARD = 256_000_000
"""Bytes: 256 MB as cards count them."""

FAT = frozenset({"vfat", "msdos", "fat"})
"""Names that Linux gives FAT in its table of mounts."""

_OF_THE_BOARD = frozenset({Role.ENVIRONMENT, Role.OWN, Role.SETTINGS, Role.DATA})
"""Roles of regions that hold other contents on every board."""

_MOUNTS = Path("/proc/self/mounts")
_SPARE = 64 << 10
"""Bytes that a file takes on a card at most beyond its length: one cluster."""


@dataclass(frozen=True, slots=True)
class Staged:
    """`written` are the files that were written, `kept` those that were there already; `files`
    is all of them. `overwrites` has, by file, the regions of a board's own that the boot loader
    will overwrite with it. `remarks` say what to look after."""

    folder: Path
    files: tuple[CardFile, ...]
    written: tuple[str, ...]
    kept: tuple[str, ...]
    overwrites: dict[str, tuple[Region, ...]]
    remarks: tuple[str, ...]


def stage(
    folder: Path,
    image: Path,
    *,
    layout: Path | None = None,
    names: Sequence[str] = (),
    chip_size: int | None = None,
    replace: bool = False,
) -> Staged:
    """Put the files that the boot loader in `image` asks for into `folder`.

    `names` are taken instead of those that the image's boot loader states. `chip_size` is that
    of the board's flash in bytes; without it, the image is taken to be of that size.
    Files of the same name with other contents are replaced only with `replace`.

    Raises `ImageError` when the image does not suit the chip or states no names, and
    `CardError` when the folder cannot take the files.
    """
    loaded = load_image(image)
    given = load_layout(layout) if layout is not None else None
    known = reference(loaded.contents, given)
    made = files_for_card(known, tuple(names))
    files = made.files
    if not files:
        why = "; ".join(f"{name}: {reason}" for name, reason in made.left[:6])
        nothing = f"Nothing in {image} says which files its boot loader looks for on a card."
        raise ImageError(
            f"None of the files can be made. {why}." if why else nothing,
            state="Nothing was written.",
            remedy="Name them: --name heronfw.img. The board's documentation has the names.",
        )
    # Without a size, the chip is taken to be as large as the image says, or is.
    _check_sizes(files, chip_size or max(known.layout.size, len(loaded.contents)))
    left = tuple(f"{name} is not made: {reason}." for name, reason in made.left)
    overwrites = {each.name: _of_the_board(each, known.layout) for each in files}
    remarks = (*left, *_cautions(files, overwrites), *_check_card(folder))
    kept = [each.name for each in files if _holds(folder, each)]
    missing = [each for each in files if each.name not in kept]
    for each in missing:
        _check_name(folder, each, replace)
    _check_room(folder, missing)
    for each in missing:
        _write(folder, each)
    for each in files:
        if not _holds(folder, each, fresh=True):
            raise CardError(
                f"{each.name} does not read back as it was written.",
                state="The image itself is unharmed.",
                remedy="The card is worn out or was removed: use another one.",
            )
    written = tuple(each.name for each in missing)
    return Staged(folder, files, written, tuple(kept), overwrites, remarks)


def _of_the_board(file: CardFile, layout: Layout) -> tuple[Region, ...]:
    """The regions in which such boards have what is their own, as far as a file covers them."""
    end = file.start + len(file.contents)
    return tuple(
        each
        for each in layout.regions
        if (each.keep or each.role in _OF_THE_BOARD) and each.start < end and file.start < each.end
    )


def _cautions(
    files: Sequence[CardFile], overwrites: Mapping[str, Sequence[Region]]
) -> Iterator[str]:
    """What the boot loader will do to a board's own data with these files."""
    for each in files:
        if regions := overwrites[each.name]:
            names = ", ".join(f"{e.name} {span(e.start, e.end)}" for e in regions)
            yield (
                f"{each.name} overwrites what is each board's own: {names}. Back the board up "
                "first ('spiflash backup'); 'spiflash convert' writes the image and keeps them."
            )
        elif each.whole:
            yield (
                f"{each.name} overwrites the whole flash, and nothing in the image says where a "
                "board has its own data. Back the board up first ('spiflash backup')."
            )


def _check_sizes(files: Sequence[CardFile], chip_size: int) -> None:
    for each in files:
        if each.start + len(each.contents) > chip_size:
            raise ImageError(
                f"{each.name} has {len(each.contents):,} bytes and goes to {address(each.start)}; "
                f"the chip has {chip_size:,} bytes.",
                state="Nothing was written.",
                remedy="Use an image made for a chip of this size: the boot loader would write it "
                "anyway, and the board would not start.",
            )


def _check_card(folder: Path) -> tuple[str, ...]:
    """Remarks about the folder as a card."""
    if not folder.is_dir():
        raise CardError(
            f"{folder} is not a folder.",
            state="Nothing was written.",
            remedy="Name the folder where the card is mounted, or make a folder first.",
        )
    if not os.path.ismount(folder):
        return (
            f"{folder} is a plain folder: copy the files to the top of a card with one FAT "
            "partition, of 256 MB at least.",
        )
    kind = file_system(folder)
    if kind and kind not in FAT:
        raise CardError(
            f"The card at {folder} has {kind}, but boot loaders read FAT.",
            state="Nothing was written.",
            remedy="Format it as FAT (that erases it), or use another one.",
        )
    total = _usage(folder).total
    if total < SMALLEST_CARD:
        return (f"The card has {total:,} bytes; some boards need 256 MB at least.",)
    return ()


def file_system(folder: Path, mounts: Path = _MOUNTS) -> str:
    """The type of the file system that is mounted at `folder`, by Linux's table of mounts;
    empty where there is no such table."""
    wanted = os.path.realpath(folder)
    found = ""
    with contextlib.suppress(OSError):
        for line in mounts.read_text("utf-8", "surrogateescape").splitlines():
            fields = line.split(" ")
            # Blanks in names are written as octal escapes: proc(5).
            if len(fields) > 2 and fields[1].replace("\\040", " ") == wanted:
                found = fields[2]
    return found


def _usage(folder: Path) -> shutil._ntuple_diskusage:
    try:
        return shutil.disk_usage(folder)
    except OSError as exc:
        raise _unusable(folder, exc) from exc


def _check_room(folder: Path, files: Sequence[CardFile]) -> None:
    needed = sum(len(each.contents) + _SPARE for each in files)
    free = _usage(folder).free
    if needed > free:
        raise CardError(
            f"{needed:,} bytes are needed in {folder}, and {free:,} are free.",
            state="Nothing was written.",
            remedy="Make room, or use another card.",
        )


def _place(folder: Path, file: CardFile) -> Path:
    """Where a file goes; never outside the folder, whatever the boot script says."""
    parts = [part for part in PurePosixPath(file.name).parts if part not in ("/", ".")]
    if not parts or ".." in parts or any("\0" in part for part in parts):
        raise CardError(
            f"“{file.name}” cannot be the name of a file on a card.",
            state="Nothing was written.",
            remedy="Give the right names with --name.",
        )
    return folder.joinpath(*parts)


def _check_name(folder: Path, file: CardFile, replace: bool) -> None:
    path = _place(folder, file)
    if os.path.lexists(path) and not (replace and path.is_file() and not path.is_symlink()):
        raise CardError(
            f"{path} already exists, with other contents.",
            state="It was not overwritten; nothing was written.",
            remedy="Move it away, or give --yes to replace it.",
        )


def _holds(folder: Path, file: CardFile, *, fresh: bool = False) -> bool:
    """Whether the file is there with its contents; `fresh` reads past the page cache."""
    path = _place(folder, file)
    if not path.is_file() or path.is_symlink():
        return False
    try:
        with path.open("rb") as opened:
            if fresh and hasattr(os, "posix_fadvise"):
                os.posix_fadvise(opened.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            return opened.read(len(file.contents) + 1) == file.contents
    except OSError as exc:
        raise _unusable(folder, exc) from exc


def _write(folder: Path, file: CardFile) -> None:
    """Write it so that a card that is pulled out holds the old file or the new one."""
    path = _place(folder, file)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_file(path, file.contents, mode=None)  # FAT has no modes
    except OSError as exc:
        raise _unusable(folder, exc) from exc


def _unusable(folder: Path, exc: OSError) -> CardError:
    return CardError(
        f"{folder} cannot be used ({exc.strerror or exc}).",
        state="Files that were there before are unharmed.",
        remedy="Check that the card is not write-protected, and its permissions.",
    )
