"""Writing files that survive a power cut and that nobody else can read.

Dumps hold Wi-Fi passphrases and private keys: files are mode 0600, folders 0700, whatever
the umask says. The functions raise plain `OSError`; `shelf_error` turns one into words.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from spiflash.errors import ShelfError

FILE_MODE = 0o600
FOLDER_MODE = 0o700
_PIECE = 1 << 20

# File systems that cannot sync a folder say so with one of these (fsync(2), Linux).
_CANNOT_SYNC_FOLDERS = (errno.EINVAL, errno.ENOTSUP)


def make_folder(path: Path) -> None:
    """Make one private folder; its parent must exist."""
    os.mkdir(path, FOLDER_MODE)
    os.chmod(path, FOLDER_MODE)


def make_folders(path: Path) -> None:
    """Make a private folder and what is missing above it; existing ones are left as they are."""
    missing = []
    while not path.is_dir():
        missing.append(path)
        path = path.parent
    for folder in reversed(missing):
        try:
            make_folder(folder)
        except FileExistsError:
            if not folder.is_dir():  # else somebody else made it in this very moment
                raise
        sync_folder(folder.parent)


def write_file(path: Path, pieces: Iterable[bytes]) -> tuple[int, str]:
    """Write a new private file and sync it; returns its size in bytes and its SHA-256.

    The file must not exist yet.
    """
    digest = hashlib.sha256()
    size = 0
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
    descriptor = os.open(path, flags, FILE_MODE)
    try:
        os.chmod(path, FILE_MODE)
        for piece in pieces:
            digest.update(piece)
            size += len(piece)
            rest = memoryview(piece)
            while rest:
                rest = rest[os.write(descriptor, rest) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    return size, digest.hexdigest()


def pieces_of(path: Path) -> Iterator[bytes]:
    """The contents of a file in pieces of at most 1 MiB."""
    with open(path, "rb") as file:
        while piece := file.read(_PIECE):
            yield piece


def sync_folder(path: Path) -> None:
    """Make the entries of a folder survive a power cut, where the file system can do that."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _CANNOT_SYNC_FOLDERS:
            raise
    finally:
        os.close(descriptor)


def shelf_error(error: OSError, doing: str, *, state: str) -> ShelfError:
    """The `ShelfError` for a failed file operation: `doing` completes “… while”."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        what = "The disk is full"
        remedy = "Make room, or choose another folder for the shelf."
    elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        what = f"The folder may not be used ({error.strerror or error})"
        remedy = "Correct its permissions, or choose another folder for the shelf."
    else:
        what = f"The file system reports an error ({error.strerror or error})"
        remedy = "Check the disk, or choose another folder for the shelf."
    return ShelfError(f"{what} while {doing}.", state=state, remedy=remedy)
