"""Waiting for a chip that is busy: no longer than its data sheet allows, and not much longer
than it takes."""

from __future__ import annotations

from spiflash.bus.transaction import Bus, Transaction
from spiflash.errors import ChipAbsentError, ChipTimeoutError
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import WIP
from spiflash.nor.geometry import Span
from spiflash.nor.pace import Pace
from spiflash.nor.scheme import scheme

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

    def until_ready(self, span: Span, what: str, *, begun: float | None = None) -> float:
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


def _hung(status: int, what: str, limit: float, span: Span) -> ChipAbsentError | ChipTimeoutError:
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
