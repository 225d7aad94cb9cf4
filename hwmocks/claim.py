"""Only one program at a time uses a board that is kept in a folder.

A real board is on one clip at a time; two programs that each load the folder and write it back
would undo each other's work without a word. The claim is an advisory lock on the folder itself
(flock(2)), so that it leaves no file, and the kernel releases it when the process ends,
however it ends.
"""

from __future__ import annotations

import os
from pathlib import Path
from types import ModuleType

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None


class BoardBusyError(ValueError):
    """Another program is using the board."""


class Claim:
    """The folder is claimed until `release` is called, this object is deleted, or the process
    ends."""

    def __init__(self, folder: Path) -> None:
        """Claim an existing folder, which need not be writable.

        Raises `BoardBusyError` if another program has it, and `OSError` when it cannot be
        opened. Where folders cannot be locked (some network mounts) there is no claim to make.
        """
        self._descriptor: int | None = None
        if fcntl is None:
            return
        self._descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as exc:
            self.release()
            raise BoardBusyError(f"another program is using the board in {folder}") from exc
        except OSError:
            self.release()

    def release(self) -> None:
        """End the claim. May be called twice."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)

    def __del__(self) -> None:
        self.release()
