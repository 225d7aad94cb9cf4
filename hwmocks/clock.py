"""Time on the simulated bench."""

from __future__ import annotations

import threading
import time


class VirtualClock:
    """A clock that moves only when it is moved.

    Everything on one bench (host, adapter, chip) shares one clock. All times are seconds; the
    zero point is the moment the clock was made.
    """

    def __init__(self) -> None:
        self._now = 0.0

    def now(self) -> float:
        """Seconds since the clock was made; never goes back."""
        return self._now

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass. Raises ValueError for a negative amount."""
        if seconds < 0:
            raise ValueError(f"time cannot go back by {-seconds} s")
        self._now += seconds

    def advance_to(self, moment: float) -> None:
        """Let time pass until `moment`; nothing happens if that has passed."""
        self._now = max(self._now, moment)

    def sleep(self, seconds: float) -> None:
        """Called by a program that waits: `seconds` of virtual time pass, but no real time."""
        self.advance(seconds)


class ThreadClock(VirtualClock):
    """A clock of its own for every thread, all starting at zero.

    For two channels of one adapter that work at once: each host thread, its channel and the chip
    on it share a time, and the channels meet nowhere but on the USB cable. What they take from
    each other there is not simulated; two channels at 30 MHz fill a fifth of a high-speed cable.
    """

    def __init__(self) -> None:
        super().__init__()
        self._local = threading.local()

    def now(self) -> float:
        """Seconds of this thread's time."""
        return float(getattr(self._local, "now", 0.0))

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass in this thread. Raises ValueError for a negative amount."""
        if seconds < 0:
            raise ValueError(f"time cannot go back by {-seconds} s")
        self._local.now = self.now() + seconds

    def advance_to(self, moment: float) -> None:
        """Let time pass in this thread until `moment`."""
        self._local.now = max(self.now(), moment)


class RealTime(VirtualClock):
    """Time of the real world, for a bench that programs outside of this process work at: it goes by
    itself, and waiting takes real time."""

    def __init__(self) -> None:
        super().__init__()
        self._start = time.monotonic()

    def now(self) -> float:
        """Seconds since the clock was made."""
        return time.monotonic() - self._start

    def advance(self, seconds: float) -> None:
        """Nothing: this time cannot be moved. Raises ValueError for a negative amount."""
        if seconds < 0:
            raise ValueError(f"time cannot go back by {-seconds} s")

    def advance_to(self, moment: float) -> None:
        """Nothing: this time cannot be moved."""
