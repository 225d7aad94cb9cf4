"""How long one chip really takes, learnt while it works. Pure.

Data sheets give a typical and a maximum time; a chip keeps to a time of its own between the two
and varies by a few per cent around it (common practice, no source). Waiting for the maximum wastes
most of the time, looking all the time wastes the USB. The rules that live here:

* `Pace`: when to look after an erase, and how often;
* `Rest`: how long to leave a chip alone after a page, so that hardly any page comes too early.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from spiflash.nor.geometry import Span

EARLY = 0.9
"""Share of the expected time after which looking begins: three times the usual variation."""

LOOKS = 400
"""Parts of the expected time between two looks: seeing the end late costs an eighth of a per
cent on average. What an exchange with the adapter takes is the lower bound by itself."""

TRUST = 0.3
"""Weight of the newest time in the average."""


@dataclass(slots=True)
class Pace:
    """Times of operations as seen; one operation may show how fast others will be."""

    _seen: dict[Span, float] = field(default_factory=dict)

    def first_look(self, span: Span) -> float:
        """Seconds after the command at which to look for the first time."""
        known = self._seen.get(span)
        if known is None:
            # Chips down to half the typical time are about.
            return span.typical / 2
        return known * EARLY

    def step(self, span: Span) -> float:
        """Seconds from one look to the next."""
        return self._seen.get(span, span.typical) / LOOKS

    def learn(self, span: Span, seconds: float) -> None:
        """An operation took `seconds`, as far as could be seen."""
        known = self._seen.get(span)
        self._seen[span] = seconds if known is None else known + TRUST * (seconds - known)


LATE_SHARE = 0.01
"""Share of pages allowed to come too early. One that does costs its whole turn, a longer rest
costs every turn: with a variation of 3 % the sum is least near one in a hundred."""

GAIN = 0.02
"""By how much one page that came too early lengthens the rest."""

AHEAD = 1.06
"""The first rest, as a multiple of the times seen: twice the usual variation."""

HEADLONG = 0.4
"""Share of status bytes that say busy above which the rest is not a little too short but far
too short: it grows at once by `SLOWER`."""

SLOWER = 1.3


@dataclass(slots=True)
class Rest:
    """Seconds to leave the chip alone after each page, in the limits of its data sheet.

    A stochastic approximation of a quantile (H. Robbins and S. Monro, Ann. Math. Statist. 22
    (1951) 400–407): each page in time shortens the rest a little, each one too early lengthens it
    by 1/LATE_SHARE as much, so that it settles where that share comes too early.
    """

    span: Span
    seconds: float = 0.0
    known: bool = False

    def __post_init__(self) -> None:
        self.seconds = self.span.typical

    def sound(self, times: Sequence[float]) -> None:
        """Begin with the times that some pages took."""
        self._set(AHEAD * sum(times) / len(times))
        self.known = True

    def learn(self, late: int, busy: Sequence[bool]) -> None:
        """What the status after each rest said; `late` counts a row of busy ones as one."""
        if sum(busy) > HEADLONG * len(busy):
            self._set(self.seconds * SLOWER)
            return
        self._set(self.seconds * (1 + GAIN * (late - LATE_SHARE * len(busy))))

    def _set(self, seconds: float) -> None:
        self.seconds = min(max(seconds, self.span.typical / 16), self.span.maximum)
