"""A folder that one process works in, and that others can see is being worked in.

The claim is an advisory lock on a file in the folder (flock(2)): the kernel lets go of it when
the process ends, however it ends, so that no stale claim is ever left. Where the file system
has no such locks (some network mounts) nothing can be claimed from somebody else, which is the
safe side.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.files import FILE_MODE, make_folders
from spiflash.archive.lock import Lock, try_lock

LOCK = "in-use"
_NEW = ".new-"
_TRIES = 100


@dataclass(frozen=True, slots=True)
class ClaimedFolder:
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


def new_folder(parent: Path, prefix: str) -> ClaimedFolder:
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
    descriptor = os.open(hidden / LOCK, os.O_RDWR | os.O_CREAT | os.O_EXCL, FILE_MODE)
    try_lock(descriptor)
    path = parent / f"{prefix}{hidden.name.removeprefix(_NEW)}"
    os.rename(hidden, path)
    return ClaimedFolder(path, descriptor)


def folders(parent: Path, prefix: str) -> list[Path]:
    """The folders below `parent` that `new_folder` made with this prefix, in order of name; none
    where there is no such parent, or not any longer."""
    try:
        names = os.listdir(parent)
    except OSError:
        return []
    return [parent / name for name in sorted(names) if name.startswith(prefix)]


def claim(path: Path) -> ClaimedFolder | None:
    """Claim a folder that `new_folder` made; None when it is somebody's, or not there."""
    try:
        descriptor = os.open(path / LOCK, os.O_RDWR)
    except OSError:
        return None
    # The folder may have been removed, or another put in its place, before the lock was ours.
    if try_lock(descriptor) is Lock.OURS and _still_there(path / LOCK, descriptor):
        return ClaimedFolder(path, descriptor)
    os.close(descriptor)
    return None


def _still_there(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.stat(path), os.fstat(descriptor))
    except OSError:
        return False
