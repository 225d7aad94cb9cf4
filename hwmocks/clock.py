"""Time on the simulated bench."""

from __future__ import annotations


class VirtualClock:
    """A clock that moves only when somebody moves it.

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
        """Let time pass until `moment`; nothing happens when it is over already."""
        self._now = max(self._now, moment)

    def sleep(self, seconds: float) -> None:
        """What a program that waits calls: `seconds` pass, and no real time does."""
        self.advance(seconds)
