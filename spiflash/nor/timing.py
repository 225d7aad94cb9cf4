"""How long one chip really takes, learnt while it works, and waiting for it.

Data sheets give a typical and a maximum time; a chip keeps to a time of its own between the two and
varies by a few per cent around it (common practice, no source). Waiting for the maximum wastes most
of the time, and asking without pause wastes the USB. So the usual time, a median of times seen,
says when to look. It is only ever a guess at when: a chip counts as ready when its status says so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import median

from spiflash.bus.transaction import Bus, Transaction
from spiflash.errors import ChipAbsentError, ChipTimeoutError
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import WIP
from spiflash.nor.geometry import Duration
from spiflash.nor.scheme import scheme

# -- pages: how long to leave the chip alone -------------------------------------------------------

MARGIN = 1.06
"""The first rest, as a multiple of the usual time. A page that comes too early costs its whole
turn, a longer rest costs every turn: with a variation of 3 % the sum is least where between one and
two pages in a hundred come too early."""

COUNTED = 200
"""Pages after which the rest is judged, at the latest."""

TOO_MANY = 6
"""Pages among them that may come too early before the rest gets longer; when none does, it gets
shorter."""

STEP = 1.015
"""By how much."""


class PageRest:
    """Seconds to leave the chip alone after each page, within the limits of its data sheet: the
    usual time of some pages that were measured and a margin, then a step longer when too many
    pages come too early, a step shorter when none does."""

    def __init__(self, time: Duration) -> None:
        self._time = time
        self.seconds = time.typical
        self.measured = False
        self._pages = self._late = 0

    def measure(self, times: Sequence[float]) -> None:
        """Set the rest by the seconds that some pages took."""
        self._set(MARGIN * median(times))
        self.measured = True

    def count(self, pages: int, late: int) -> None:
        """Of `pages` that the chip carried out, `late` were not ready after their rest."""
        self._pages += pages
        self._late += late
        if self._late > TOO_MANY:
            self._set(self.seconds * STEP)
        elif self._pages < COUNTED:
            return
        elif not self._late:
            self._set(self.seconds / STEP)
        self._pages = self._late = 0

    def _set(self, seconds: float) -> None:
        self.seconds = min(max(seconds, self._time.typical / 16), self._time.maximum)


# -- everything else: when to look -----------------------------------------------------------------

EARLY = 0.9
"""Share of the usual time after which looking begins: three times the usual variation."""

LOOKS = 400
"""Parts of the usual time between two looks: seeing the end late costs an eighth of a per cent on
average. What an exchange with the adapter takes is the lower bound by itself."""

REMEMBERED = 5
"""Times of which the median is taken: one operation in a thousand takes far longer than usual."""

PATIENCE = 1.5
"""How much longer than the data sheet's maximum a chip may take before it counts as dead: the
maximum holds for a chip within its rated erase cycles, and boards on benches are old."""

LEAST_PATIENCE = 2.0
"""Seconds beyond the maximum that every operation is given at least: a page of a worn or
mislabelled chip may take many times its few milliseconds; giving up leaves a board half done."""

ABSENT = 0xFF
"""The status byte that is read when no chip answers."""

FAILED = 0x60
"""P_ERR and E_ERR in the status of a Spansion part: while one is set the chip says busy, and
ignores everything but the opcode that clears it, which the entry of its scheme names (S25FL128S
data sheet, "status register 1")."""


def read_ready(chip: Chip) -> tuple[Transaction, ...]:
    """What reads the status; the first answer is status register 1.

    Micron parts of several dies want their flag status read after each operation, or they
    ignore the next one (N25Q512A data sheet, "flag status register").
    """
    if chip.part is not None and chip.part.flag_status:
        return commands.read_status(), commands.read_register(commands.READ_FLAG_STATUS)
    return (commands.read_status(),)


class Waiting:
    """Waits on one bus for one chip, no longer than its data sheet allows and not much longer
    than it takes."""

    def __init__(self, bus: Bus, chip: Chip) -> None:
        self._bus = bus
        self._read_ready = read_ready(chip)
        self._clear_errors = _clear_errors(chip)
        self._seen: dict[Duration, deque[float]] = {}

    def until_ready(self, time: Duration, what: str, *, begun: float | None = None) -> float:
        """Wait for the end of an operation that takes `time`; the seconds since `begun` (now
        when left out).

        Raises `ChipTimeoutError` some time after the data sheet's maximum, `ChipAbsentError`
        when the status reads FFh at two looks in a row: the clip is off, and what answers next
        may be another board. Whether the operation did what it should is not
        looked at: contents are always read back.
        """
        clock = self._bus.clock
        start = clock.now() if begun is None else begun
        limit = max(time.maximum * PATIENCE, time.maximum + LEAST_PATIENCE)
        seen = self._seen.setdefault(time, deque(maxlen=REMEMBERED))
        usual = median(seen) if seen else time.typical
        looks = 1
        status = self._status()
        if status & WIP:
            # Nothing is to be seen before most of the time is over. Chips take half of the typical
            # time at least; of this one more is known once it was waited for.
            first = start + usual * (EARLY if seen else 0.5)
            clock.sleep(max(0.0, first - clock.now()))
        while status & WIP:
            asked, last = clock.now(), status
            status = self._status()
            looks += 1
            if not status & WIP:
                break
            if last == status == ABSENT or asked - start > limit:
                raise _hung(status, what, limit, time)
            clock.sleep(max(0.0, asked + usual / LOOKS - clock.now()))
        took = clock.now() - start
        if looks > 1:
            # Ready at the first look after the sleep says only that it took less.
            seen.append(took if looks > 2 else took * EARLY)
        return took

    def _status(self) -> int:
        status = self._bus.run(self._read_ready)[0][0]
        if self._clear_errors and status & WIP and status & FAILED and status != ABSENT:
            self._bus.run([Transaction(bytes((code,))) for code in self._clear_errors])
            self._bus.run([commands.write_disable()])
            status = self._bus.run(self._read_ready)[0][0]
        return status


def _clear_errors(chip: Chip) -> tuple[int, ...]:
    """The opcode that clears error bits; () unless every part that the chip may be has it."""
    codes = {scheme(name).clear_errors for name in chip.protection_schemes}
    return tuple(code for code in codes if code is not None) if len(codes) == 1 else ()


def _hung(
    status: int, what: str, limit: float, time: Duration
) -> ChipAbsentError | ChipTimeoutError:
    state = "The block that was being changed may be half done; the others are unchanged."
    if status == ABSENT:
        return ChipAbsentError(
            f"The chip stopped answering while {what}.",
            state=state,
            remedy="Seat the clip again and repeat the command.",
        )
    return ChipTimeoutError(
        f"The chip is still busy after {limit:.1f} s ({what}); its data sheet allows "
        f"{time.maximum:.1f} s.",
        state=state,
        remedy="Check the supply voltage at the chip, then repeat. If this happens again, the "
        "chip is worn out.",
    )
