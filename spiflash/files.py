"""Reading and writing files: those that a person names, and those that the program keeps.

A file that a person names is read whole and once: never a pipe, which would be waited for, nor a
device, which might never end, nor more than `limit` bytes, nor while something else writes it. A
file is written new, or it replaces the old one in one step; nothing is overwritten by accident.

Files the program keeps survive a power cut. Dumps hold Wi-Fi passphrases and private keys: files
are mode 0600 and folders 0700, whatever the umask says. The small functions raise plain `OSError`;
`shelf_error` turns one into words.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import stat
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from spiflash.errors import OutputError, ShelfError, SpiflashError

UNCHANGED = "Nothing was changed."
FILE_MODE = 0o600
FOLDER_MODE = 0o700
PARTIAL = ".partial-"  # in the hidden name of a folder that is still being written
JOURNALS = "journals"  # the folder on the shelf for work that has not ended
_PIECE = 1 << 20
_PAGE_BEGINS = b"<!doctype html>"

# What file systems that cannot sync a folder answer (fsync(2), Linux).
_CANNOT_SYNC_FOLDERS = (errno.EINVAL, errno.ENOTSUP)


class NameTakenError(ShelfError):
    """The name is taken."""


def data_folder() -> Path:
    """Where the program keeps its files. Raises RuntimeError for a user without a home folder."""
    import platformdirs

    return Path(platformdirs.user_data_dir("spiflash", appauthor=False))


def default_root() -> Path:
    """Where the shelf is unless another folder is named. Raises as `data_folder` does."""
    return data_folder() / "shelf"


# -- files that a person names ---------------------------------------------------------------


def read_named(
    path: Path,
    error: type[SpiflashError],
    *,
    limit: int,
    state: str = UNCHANGED,
    too_long: str = "",
    missing: str = "",
) -> bytes:
    """The contents of a file that a person named.

    Raises `error`, whose `state` says what is safe, when the file is missing, unreadable, a folder,
    a device or a pipe, longer than `limit` bytes (`too_long` says what that is), or changes while
    it is read. `missing` is the next step when there is no such file.
    """

    def refused(cause: str, remedy: str) -> SpiflashError:
        return error(f"{path} {cause}.", state=state, remedy=remedy)

    try:
        with open(path, "rb", opener=_without_waiting) as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise refused(
                    "is a device or a pipe, not a file",
                    "Save what comes from it to a file first, and name that.",
                )
            size = status.st_size
            if size > limit:
                raise refused(
                    f"has {size:,} bytes, more than {too_long or f'the {limit:,} allowed here'}",
                    "Check that this is the right file.",
                )
            contents = file.read(limit + 1)
            after = os.fstat(file.fileno()).st_size
    except FileNotFoundError as exc:
        raise refused(
            "cannot be read: there is no such file or folder",
            missing or "Check the path and the permissions.",
        ) from exc
    except IsADirectoryError as exc:
        raise refused("is a folder, not a file", "Check the path.") from exc
    except OSError as exc:
        raise refused(
            f"cannot be read ({exc.strerror or exc})", "Check the path and the permissions."
        ) from exc
    if len(contents) != size or after != size:
        raise refused(
            f"changed while it was read: {size} bytes at first, {after} then, {len(contents)} came",
            "Wait until whatever writes it has finished.",
        )
    return contents


def read_named_text(
    path: Path, error: type[SpiflashError], *, limit: int, state: str = UNCHANGED
) -> str:
    """The same as text; raises as `read_named` and `decoded`."""
    return decoded(read_named(path, error, limit=limit, state=state), path, error, state=state)


def decoded(raw: bytes, path: Path, error: type[SpiflashError], *, state: str = UNCHANGED) -> str:
    """UTF-8 text, without the byte order mark that some editors put in front.

    Raises `error`, with the number of the line, for what is not UTF-8.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw[: exc.start].count(b"\n") + 1
        raise error(
            f"{path} is not UTF-8 text (line {line}).",
            state=state,
            remedy="Save it as UTF-8 in the editor.",
        ) from exc


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def write_new(path: Path, contents: bytes, *, state: str = "The chip was only read.") -> None:
    """Write a new file that a person named, for its owner alone: it may hold what is a board's own.

    Raises `OutputError`, also when something is there already.
    """
    try:
        write_file(path, (contents,))
    except FileExistsError as exc:
        raise _taken_by(path) from exc
    except OSError as exc:
        raise _unwritable(path, exc, state) from exc


def refuse_existing(path: Path) -> None:
    """Raise `OutputError` when there is something at `path`: better before the work than after."""
    if os.path.lexists(path):
        raise _taken_by(path)


def write_page(path: Path, html: str) -> None:
    """Write a page that a person asked for, for its owner alone: it may show secrets.

    Only an older page is replaced: a typing mistake must not cost a dump. Raises `OutputError`.
    """
    try:
        target = path.resolve()  # a link stays a link
        if target.exists() and not _is_page(target):
            raise OutputError(
                f"{path} exists already and is not a page.",
                state="It was not overwritten.",
                remedy="Choose another name, or remove it first.",
            )
        replace_file(target, html.encode())
    except OSError as exc:
        raise _unwritable(path, exc, "The page is missing; the work itself is done.") from exc


def _is_page(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(_PAGE_BEGINS)).lower() == _PAGE_BEGINS


def _taken_by(path: Path) -> OutputError:
    return OutputError(
        f"{path} exists already.",
        state="It was not overwritten.",
        remedy="Choose another name, or remove it first.",
    )


def _unwritable(path: Path, exc: OSError, state: str) -> OutputError:
    return OutputError(
        f"{path} cannot be written ({exc.strerror or exc}).",
        state=state,
        remedy="Check the path and the permissions.",
    )


# -- files that the program keeps ------------------------------------------------------------


def make_folder(path: Path) -> None:
    """Make one private folder, in a folder that exists."""
    os.mkdir(path, FOLDER_MODE)
    os.chmod(path, FOLDER_MODE)


def make_folders(path: Path) -> None:
    """Make a private folder and what is missing above it; folders that exist are not changed."""
    missing = []
    while not path.is_dir():
        missing.append(path)
        path = path.parent
    for folder in reversed(missing):
        try:
            make_folder(folder)
        except FileExistsError:
            if not folder.is_dir():  # else another program has just made it
                raise
        sync_folder(folder.parent)


def write_file(
    path: Path, pieces: Iterable[bytes], mode: int | None = FILE_MODE
) -> tuple[int, str]:
    """Write a new file and sync it; returns its size in bytes and its SHA-256.

    The file must not exist yet. It is private unless `mode` says otherwise; None leaves it to the
    umask, for file systems that have no such modes. What cannot be written completely is removed.
    """
    digest = hashlib.sha256()
    size = 0
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
    descriptor = os.open(path, flags, 0o666 if mode is None else mode)
    try:
        try:
            if mode is not None:
                os.chmod(path, mode)
            for piece in pieces:
                digest.update(piece)
                size += len(piece)
                rest = memoryview(piece)
                while rest:
                    rest = rest[os.write(descriptor, rest) :]
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(path)
        raise
    return size, digest.hexdigest()


def replace_file(path: Path, data: bytes, mode: int | None = FILE_MODE) -> None:
    """Put a file in the place of what is there: after a power cut it is the old or the new one,
    complete. `mode` as of `write_file`."""
    new = path.with_name(f".{path.name}.new")
    new.unlink(missing_ok=True)
    write_file(new, (data,), mode)
    try:
        os.replace(new, path)
    except OSError:
        with contextlib.suppress(OSError):
            new.unlink()
        raise
    sync_folder(path.parent)


def pieces_of(path: Path) -> Iterator[bytes]:
    """The contents of a file in pieces of at most 1 MiB."""
    with open(path, "rb") as file:
        while piece := file.read(_PIECE):
            yield piece


def read_plain(path: Path, limit: int) -> bytes:
    """The contents of a plain file of at most `limit` bytes.

    Raises `ValueError` with what is wrong in words when it is a link, a special file (opening
    a pipe would wait forever) or longer than that.
    """
    status = os.lstat(path)
    if not stat.S_ISREG(status.st_mode):
        raise ValueError("is a link or a special file")
    if status.st_size > limit:
        raise ValueError(f"has {status.st_size} bytes, more than the {limit} it may have")
    with open(path, "rb") as file:
        return file.read(limit)


def sync_folder(path: Path) -> None:
    """Make the entries of a folder survive a power cut, where the system can do that."""
    if os.name == "nt":  # Windows does not open folders
        return
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
        remedy = "Free some space, or choose another folder for the shelf."
    elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        what = f"The folder cannot be used ({error.strerror or error})"
        remedy = "Correct its permissions, or choose another folder for the shelf."
    elif error.errno in (errno.EEXIST, errno.ENOTDIR):
        what = "There is a file where a folder is needed"
        remedy = "Move that file away, or choose another folder for the shelf."
    else:
        what = f"The file system reports an error ({error.strerror or error})"
        remedy = "Check the disk, or choose another folder for the shelf."
    return ShelfError(f"{what} while {doing}.", state=state, remedy=remedy)


@contextlib.contextmanager
def shelf_errors(doing: str, state: str) -> Iterator[None]:
    """Turn an `OSError` of the block into the `ShelfError` of `shelf_error`."""
    try:
        yield
    except OSError as error:
        raise shelf_error(error, doing, state=state) from error


@contextlib.contextmanager
def whole_folder(destination: Path) -> Iterator[Path]:
    """A folder that appears under its name when the block succeeds, and not at all otherwise.

    Yields the hidden folder beside `destination` to be filled; what is put below it has to be
    synced by the block. Raises `NameTakenError` when `destination` exists, and `ShelfError`
    for any `OSError` of the block or of its own.
    """
    folder: Path | None = None
    try:
        if os.path.lexists(destination):
            raise _taken(destination)
        folder = Path(
            tempfile.mkdtemp(prefix=f".{destination.name}{PARTIAL}", dir=destination.parent)
        )
        os.chmod(folder, FOLDER_MODE)
        yield folder
        sync_folder(folder)
        # rename(2) replaces an empty folder, but never one with something in it.
        os.rename(folder, destination)
        folder = None
    except OSError as error:
        if os.path.lexists(destination):
            raise _taken(destination) from error
        raise shelf_error(
            error,
            f"writing “{destination}”",
            state="No incomplete folder was left, and nothing else was changed.",
        ) from error
    finally:
        if folder is not None:
            with contextlib.suppress(OSError):
                shutil.rmtree(folder)
    try:
        sync_folder(destination.parent)
    except OSError as error:
        raise shelf_error(
            error,
            f"making the name “{destination}” permanent",
            state="The folder is complete, but its name may be lost in a power cut.",
        ) from error


def _taken(destination: Path) -> NameTakenError:
    return NameTakenError(
        f"“{destination}” exists already.",
        state="It was not changed.",
        remedy="Choose another name, or move the old one away.",
    )


def remove_folder(path: Path) -> None:
    """Remove a folder so that a power cut leaves it whole or gone, never half."""
    hidden = path.with_name(f".{path.name}{PARTIAL}removed")
    if os.path.lexists(hidden):
        shutil.rmtree(hidden)
    os.rename(path, hidden)
    sync_folder(path.parent)
    shutil.rmtree(hidden)
