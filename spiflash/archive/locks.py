"""Locks, and folders that one process at a time works in.

The system releases a lock when its process ends, however it ends, so a lock never outlives its
process. Where the file system has no locks (some network mounts), a folder of another process is
never taken over: that is the safe side. The library knows the locks of Linux, macOS and Windows.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import tempfile
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import TYPE_CHECKING

from spiflash.files import FILE_MODE, make_folders

if TYPE_CHECKING:
    from filelock import BaseFileLock

LOCK_FILE = "in-use"

BESIDE = os.name == "nt"
"""Whether the lock file of a folder is beside it, not in it: Windows neither renames nor removes a
folder in which a file is open."""

_NO_LOCKS = (errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOLCK, errno.EINVAL)
"""What file systems without locks answer (flock(2), Linux)."""

_NEW = ".new-"
_TRIES = 100


@dataclass(frozen=True, slots=True)
class Held:
    """A lock of this process, until it is released; `lock` is None where there are no locks."""

    lock: BaseFileLock | FileIO | None

    def release(self) -> None:
        """Let others have it."""
        if self.lock is not None:
            _held.discard(self.lock)
            with contextlib.suppress(OSError):
                if isinstance(self.lock, FileIO):
                    self.lock.close()
                else:
                    self.lock.release()


_held: set[BaseFileLock | FileIO] = set()
"""A lock that nothing refers to any more is released: these are kept until `release`."""


def lock_path(folder: Path) -> Path:
    """The file whose lock says that a process works in `folder`."""
    return folder.with_name(f".{folder.name}.{LOCK_FILE}") if BESIDE else folder / LOCK_FILE


def try_lock(path: Path) -> Held | None:
    """Lock a file, which is made where it is missing, without waiting; None when another process,
    or another part of this one, has it. Raises `OSError`."""
    from filelock import FileLock, Timeout

    lock = FileLock(path, timeout=0, mode=FILE_MODE, thread_local=False, fallback_to_soft=False)
    try:
        lock.acquire()
    except Timeout:
        return None
    except OSError as error:
        if error.errno in _NO_LOCKS:
            return Held(None)
        raise
    _held.add(lock)
    return Held(lock)


def lock_work(folder: Path, state: str) -> Held | None:
    """Lock the folder of work, which is there as long as its file `state` is; None when another
    process has it, or the work has ended. Raises `OSError`."""
    if not os.path.lexists(folder / state):
        return None
    held = try_lock(lock_path(folder))
    # The work may have ended before the lock was ours; then only the new lock file is there.
    if held is not None and not os.path.lexists(folder / state):
        held.release()
        with contextlib.suppress(OSError):
            lock_path(folder).unlink()
            folder.rmdir()
        return None
    return held


@dataclass(frozen=True, slots=True)
class LockedFolder:
    """A folder of this process until `release` or `remove`, or until the process ends."""

    path: Path
    held: Held

    def release(self) -> None:
        """Let others have the folder; what is in it stays."""
        self.held.release()

    def remove(self) -> None:
        """Remove the folder, also the one above it when that is empty now, and release it;
        what cannot be removed stays."""
        with contextlib.suppress(OSError):
            shutil.rmtree(self.path)
            if BESIDE:
                self.release()
                lock_path(self.path).unlink(missing_ok=True)
            self.path.parent.rmdir()
        self.release()


def new_folder(parent: Path, prefix: str) -> LockedFolder:
    """Make a private folder below `parent` (made too, if need be) that is locked from the first
    moment at which others can see it. Raises `OSError`.
    """
    for left in reversed(range(_TRIES)):
        try:
            make_folders(parent)
            hidden = Path(tempfile.mkdtemp(prefix=_NEW, dir=parent))
            break
        except (FileNotFoundError, FileExistsError):
            # The parent was removed, or made and removed, by another process in this very moment.
            if not left:
                raise
    path = parent / f"{prefix}{hidden.name.removeprefix(_NEW)}"
    held = try_lock(lock_path(path) if BESIDE else hidden / LOCK_FILE)
    assert held is not None, "nobody else knows this name yet"
    os.rename(hidden, path)
    return LockedFolder(path, held)


def folders(parent: Path, prefix: str) -> list[Path]:
    """The folders below `parent` that `new_folder` made with this prefix, in order of name; none
    where there is no such parent, or not any longer."""
    try:
        names = os.listdir(parent)
    except OSError:
        return []
    return [parent / name for name in sorted(names) if name.startswith(prefix)]


def lock_folder(path: Path) -> LockedFolder | None:
    """Lock a folder that `new_folder` made; None when another process has it, or it is gone, or
    there are no locks."""
    if not os.path.isdir(path) or not (BESIDE or os.path.lexists(path / LOCK_FILE)):
        return None
    try:
        held = try_lock(lock_path(path)) if BESIDE else _lock_existing(lock_path(path))
    except OSError:
        return None
    if held is None:
        return None
    if held.lock is None or not os.path.isdir(path):
        held.release()
        return None
    return LockedFolder(path, held)


def _lock_existing(path: Path) -> Held | None:
    """Lock a file as the library does, but never make it, nor the folder that it is in: another
    process may remove both in this very moment. None when another has it. Raises `OSError`."""
    import fcntl

    file = FileIO(path, "r+")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        file.close()
        if isinstance(error, BlockingIOError):
            return None
        raise
    _held.add(file)
    return Held(file)
