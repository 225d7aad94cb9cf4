"""How long a chip stays busy: one draw per operation, seedable.

Each chip has its own speed (0.7–1.3 of the data sheet's typical time), each operation jitters
by a few per cent around it, and one in a thousand takes up to the data sheet's maximum. Common
practice, no source.
"""

from __future__ import annotations

import random

from hwmocks.nor.description import Time

_JITTER = 0.03
_SLOW_ONE_IN = 1000


class BusyTimes:
    """Draws busy times and keeps their sum per kind of operation, in seconds."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self.factor = rng.uniform(0.7, 1.3)
        self.drawn: dict[str, float] = {}

    def draw(self, kind: str, time: Time) -> float:
        """How long this operation takes, in seconds; never above the data sheet's maximum."""
        if self._rng.randrange(_SLOW_ONE_IN) == 0:
            seconds = self._rng.uniform(time.typical, time.maximum)
        else:
            jitter = max(1 - 3 * _JITTER, min(1 + 3 * _JITTER, self._rng.gauss(1.0, _JITTER)))
            seconds = min(time.maximum, time.typical * self.factor * jitter)
        self.drawn[kind] = self.drawn.get(kind, 0.0) + seconds
        return seconds
