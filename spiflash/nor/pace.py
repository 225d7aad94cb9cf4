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
from statistics import median

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

GAIN = 0.012
"""By how much one page that came too early lengthens the rest."""

LEAP = 0.03
"""The most by which one batch lengthens it: from half of all pages too early to one in a hundred
it is about two and a half times the usual variation, in a few batches."""

QUIET = 8
"""Batches without such a page after which the rest shrinks twice as fast, then three times, up to
`HURRY`: it is too long then."""

HURRY = 3

MARGIN = 1.065
"""The first rest, as a multiple of the usual time seen: twice the usual variation."""

LEAST = 8
"""Pages in a batch from which its share of busy ones means anything."""

HEADLONG = 0.4
"""Share of status bytes that say busy above which the rest is not a little too short but far
too short: the times are measured again, and trusted less."""

DOUBT = 1.06
"""By how much the margin grows then: what an adapter needs for each command is in no data sheet
and blurs the measuring on slow ones."""


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
    _quiet: int = 0
    _margin: float = MARGIN

    def __post_init__(self) -> None:
        self.seconds = self.span.typical

    def sound(self, times: Sequence[float]) -> None:
        """Begin with the times that some pages took."""
        self._set(self._margin * median(times))
        self.known = True
        self._quiet = 0

    def learn(self, used: float, late: int, busy: Sequence[bool]) -> None:
        """What the status after each rest of `used` seconds said.

        `late` counts a row of busy ones as one: a single slow page makes those behind it late.
        """
        if sum(busy) > HEADLONG * len(busy) and len(busy) >= LEAST:
            self.known = False
            self._margin = min(self._margin * DOUBT, 2 * MARGIN)
            return
        if late:
            self._quiet = 0
            # The batch may be an old one, from before the rest was lengthened last.
            grown = used * (1 + min(LEAP, GAIN * late))
            self._set(max(self.seconds, grown))
        else:
            self._quiet += 1
            hurry = min(HURRY, 1 + self._quiet // QUIET)
            self._set(self.seconds * (1 - hurry * GAIN * LATE_SHARE * len(busy)))

    def _set(self, seconds: float) -> None:
        self.seconds = min(max(seconds, self.span.typical / 16), self.span.maximum)
