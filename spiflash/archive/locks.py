"""Advisory locks (flock(2)), and folders that one process at a time works in.

The kernel releases a lock when its process ends, however it ends, so no stale lock is ever left.
Where the file system has no such locks (some network mounts), a folder of another process is never
taken over: that is the safe side.
"""

from __future__ import annotations

import contextlib
import enum
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from spiflash.files import FILE_MODE, make_folders

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None

LOCK_FILE = "in-use"
_NEW = ".new-"
_TRIES = 100


class Lock(enum.Enum):
    """What became of it."""

    OURS = enum.auto()
    TAKEN = enum.auto()
    NONE_HERE = enum.auto()
    """The system, or this file system (some network mounts), has no such locks."""


def try_lock(descriptor: int) -> Lock:
    """Lock an open file, without waiting."""
    if fcntl is None:
        return Lock.NONE_HERE
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return Lock.TAKEN
    except OSError:
        return Lock.NONE_HERE
    return Lock.OURS


@dataclass(frozen=True, slots=True)
class LockedFolder:
    """A folder of ours until `release` or `remove`, or until the process ends."""

    path: Path
    _descriptor: int

    def release(self) -> None:
        """Let go of the folder; what is in it stays."""
        with contextlib.suppress(OSError):
            os.close(self._descriptor)

    def remove(self) -> None:
        """Remove the folder, also the one above it when that is empty now, and let go of it;
        what cannot be removed stays."""
        with contextlib.suppress(OSError):
            shutil.rmtree(self.path)
            self.path.parent.rmdir()
        self.release()


def new_folder(parent: Path, prefix: str) -> LockedFolder:
    """Make a private folder below `parent` (made too, if need be) that is ours from the first
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
    descriptor = os.open(hidden / LOCK_FILE, os.O_RDWR | os.O_CREAT | os.O_EXCL, FILE_MODE)
    try_lock(descriptor)
    path = parent / f"{prefix}{hidden.name.removeprefix(_NEW)}"
    os.rename(hidden, path)
    return LockedFolder(path, descriptor)


def folders(parent: Path, prefix: str) -> list[Path]:
    """The folders below `parent` that `new_folder` made with this prefix, in order of name; none
    where there is no such parent, or not any longer."""
    try:
        names = os.listdir(parent)
    except OSError:
        return []
    return [parent / name for name in sorted(names) if name.startswith(prefix)]


def lock_folder(path: Path) -> LockedFolder | None:
    """Lock a folder that `new_folder` made; None when another process has it, or it is gone."""
    try:
        descriptor = os.open(path / LOCK_FILE, os.O_RDWR)
    except OSError:
        return None
    # The folder may have been removed, or another put in its place, before the lock was ours.
    if try_lock(descriptor) is Lock.OURS and _still_there(path / LOCK_FILE, descriptor):
        return LockedFolder(path, descriptor)
    os.close(descriptor)
    return None


def _still_there(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.stat(path), os.fstat(descriptor))
    except OSError:
        return False
