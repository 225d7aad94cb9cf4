"""The SPI clock of an MPSSE engine (AN_108, from memory)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from hwmocks.ftdi import opcodes as op
from hwmocks.ftdi.profile import AdapterProfile


@dataclass(frozen=True)
class SpiClock:
    """Divisor and clocking modes; `base` is the undivided clock in hertz.

    In `three_phase` mode a bit takes three half periods, not two. In `adaptive` mode every
    clock waits for an answer on a pin of its own.
    """

    base: float
    divide_by_5: bool
    divisor: int = 0
    three_phase: bool = False
    adaptive: bool = False

    @classmethod
    def after_reset(cls, profile: AdapterProfile) -> SpiClock:
        """The high speed types start with the division by 5, to act like the older ones."""
        return cls(profile.base_clock, divide_by_5=profile.high_speed)

    def after(self, opcode: int, given: bytes) -> SpiClock:
        """The clock after a command that concerns it."""
        if opcode == op.SET_DIVISOR:
            return replace(self, divisor=int.from_bytes(given, "little"))
        if opcode in (op.DIV5_ON, op.DIV5_OFF):
            return replace(self, divide_by_5=opcode == op.DIV5_ON)
        if opcode in (op.THREE_PHASE_ON, op.THREE_PHASE_OFF):
            return replace(self, three_phase=opcode == op.THREE_PHASE_ON)
        if opcode in (op.ADAPTIVE_ON, op.ADAPTIVE_OFF):
            return replace(self, adaptive=opcode == op.ADAPTIVE_ON)
        raise ValueError(f"opcode {opcode:#04x} has nothing to do with the clock")

    @cached_property
    def hertz(self) -> float:
        """Bits a second: base / ((1 + divisor) * 2), two thirds of it in 3-phase mode."""
        base = self.base / (5 if self.divide_by_5 else 1)
        bits = base / ((1 + self.divisor) * 2)
        return bits * 2 / 3 if self.three_phase else bits

    @cached_property
    def byte_time(self) -> float:
        """Seconds for eight bits."""
        return 8 / self.hertz
