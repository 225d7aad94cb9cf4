"""One attempt at an advisory lock (flock(2)), which the kernel ends with the process."""

from __future__ import annotations

import enum
from types import ModuleType

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None


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
