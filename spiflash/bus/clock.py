"""The clock of the real world."""

from __future__ import annotations

import time


class WallClock:
    """Monotonic time of this computer, in seconds."""

    def now(self) -> float:
        """Seconds since some fixed moment."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Let at least `seconds` pass; nothing happens for zero or less."""
        if seconds > 0:
            time.sleep(seconds)
