"""How long one chip really takes, learnt while it works, and waiting for it.

Data sheets give a typical and a maximum time; a chip keeps to a time of its own between the two
and varies by a few per cent around it (common practice, no source). Waiting for the maximum wastes
most of the time, and asking without pause wastes the USB.

* `Pace`: when to look after an erase, and how often;
* `Rest`: how long to leave a chip alone after a page, so that hardly any page comes too early;
* `Waiting`: waits for a busy chip, no longer than its data sheet allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from spiflash.bus.transaction import Bus, Transaction
from spiflash.errors import ChipAbsentError, ChipTimeoutError
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import WIP
from spiflash.nor.geometry import Duration
from spiflash.nor.scheme import scheme

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

    _seen: dict[Duration, float] = field(default_factory=dict)

    def first_look(self, span: Duration) -> float:
        """Seconds after the command at which to look for the first time."""
        known = self._seen.get(span)
        if known is None:
            # Chips down to half the typical time are about.
            return span.typical / 2
        return known * EARLY

    def step(self, span: Duration) -> float:
        """Seconds from one look to the next."""
        return self._seen.get(span, span.typical) / LOOKS

    def learn(self, span: Duration, seconds: float) -> None:
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

    span: Duration
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


PATIENCE = 1.5
"""How much longer than the data sheet's maximum a chip may take before it counts as dead: the
maximum holds for a chip within its rated erase cycles, and boards on benches are old."""

LEAST_PATIENCE = 2.0
"""Seconds beyond the maximum that every operation is given at least: a page of a worn or
mislabelled chip may take many times its few milliseconds; giving up leaves a board half done."""

ABSENT = 0xFF
"""The status that a line without a chip reads as."""

FAILED = 0x60
"""P_ERR and E_ERR in the status of a Spansion part: while one is set the chip says busy, and
ignores everything but the opcode that clears it, which the entry of its scheme names (S25FL128S
data sheet, "status register 1", from memory)."""


def look(chip: Chip) -> tuple[Transaction, ...]:
    """What reads the status; the first answer is status register 1.

    Micron parts of several dies want their flag status read after each operation, or they
    ignore the next one (N25Q512A data sheet, "flag status register", from memory).
    """
    if chip.part is not None and chip.part.flag_status:
        return commands.read_status(), commands.read_register(commands.READ_FLAG_STATUS)
    return (commands.read_status(),)


def _clears(chip: Chip) -> tuple[int, ...]:
    """The opcode that clears error bits; () unless every part that the chip may be has it."""
    codes = {scheme(name).clear_errors for name in chip.protection_schemes}
    return tuple(code for code in codes if code is not None) if len(codes) == 1 else ()


class Waiting:
    """Waits on one bus for one chip."""

    def __init__(self, bus: Bus, chip: Chip) -> None:
        self._bus = bus
        self._look = look(chip)
        self._clears = _clears(chip)
        self._pace = Pace()

    def until_ready(self, span: Duration, what: str, *, begun: float | None = None) -> float:
        """Wait for the end of an operation that takes `span`; the seconds since `begun` (now
        when left out).

        Raises `ChipTimeoutError` some time after the data sheet's maximum, `ChipAbsentError`
        when the status reads FFh at two looks in a row: the clip is off, and what answers next
        may be another board. Whether the operation did what it should is not
        looked at: contents are always read back.
        """
        clock = self._bus.clock
        start = clock.now() if begun is None else begun
        limit = max(span.maximum * PATIENCE, span.maximum + LEAST_PATIENCE)
        looks = 1
        status = self._status()
        if status & WIP:
            # Something is under way: nothing is to be seen before most of its time is over.
            clock.sleep(max(0.0, start + self._pace.first_look(span) - clock.now()))
        while status & WIP:
            asked, last = clock.now(), status
            status = self._status()
            looks += 1
            if not status & WIP:
                break
            if last == status == ABSENT:
                raise _hung(status, what, limit, span)
            if asked - start > limit:
                raise _hung(status, what, limit, span)
            clock.sleep(max(0.0, asked + self._pace.step(span) - clock.now()))
        took = clock.now() - start
        if looks > 2:
            # Ready at the first look says only that it took less.
            self._pace.learn(span, took)
        elif looks == 2:
            self._pace.learn(span, took * 0.9)
        return took

    def _status(self) -> int:
        status = self._bus.run(self._look)[0][0]
        if self._clears and status & commands.WIP and status & FAILED and status != ABSENT:
            self._bus.run([Transaction(bytes((code,))) for code in self._clears])
            self._bus.run([commands.write_disable()])
            status = self._bus.run(self._look)[0][0]
        return status


def _hung(
    status: int, what: str, limit: float, span: Duration
) -> ChipAbsentError | ChipTimeoutError:
    state = "The block that was being changed may be half done; the rest is as it was."
    if status == ABSENT:
        return ChipAbsentError(
            f"The chip stopped answering while {what}.",
            state=state,
            remedy="Seat the clip again and repeat the command.",
        )
    return ChipTimeoutError(
        f"The chip is still busy after {limit:.1f} s of {what}; its data sheet "
        f"allows {span.maximum:.1f} s.",
        state=state,
        remedy="Check the supply voltage at the chip, then repeat; a chip that keeps "
        "doing this is worn out.",
    )
