"""What a step costs, in whole picoseconds: sums are exact, so equal plans compare as equal."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.nor.geometry import EraseType, Geometry, ProgramMethod, Span

TICKS = 10**12
"""Ticks in a second."""


@dataclass(frozen=True, slots=True)
class TransferCost:
    """Time on the bus, in seconds, beside the chip's own busy time.

    `byte`: one data byte of a program. `erase` and `program`: everything else that one erase or
    one program takes (write enable, opcode, address, waiting for the ready status). `unit`: what
    each word of an auto-increment run takes beside its two bytes.
    """

    byte: float
    erase: float
    program: float
    unit: float

    @classmethod
    def at_clock(
        cls, hertz: float, *, address_bytes: int = 3, turnaround: float = 0.0
    ) -> TransferCost:
        """Eight clocks a byte, and `turnaround` seconds of the adapter for each command.

        A command is 06h, then opcode and address, then 05h with one byte of status; a word of an
        auto-increment run is its opcode and a status reading.
        """
        byte = 8 / hertz
        command = (1 + 1 + address_bytes + 2) * byte + turnaround
        return cls(byte=byte, erase=command, program=command, unit=3 * byte + turnaround)


def ticks(seconds: float) -> int:
    """Seconds as a whole number of ticks."""
    return round(seconds * TICKS)


@dataclass(frozen=True, slots=True)
class StepCost:
    """Ticks for the steps of one chip.

    A program of n bytes costs `start` + n x `byte`, and for each unit of `unit_size` bytes
    `unit` more (0 bytes: the method programs a page at a time).
    """

    start: int
    byte: int
    unit_size: int
    unit: int
    erase: int

    def program(self, length: int) -> int:
        """Ticks to program `length` bytes with one step."""
        units = length // self.unit_size if self.unit_size else 0
        return self.start + length * self.byte + units * self.unit

    def erase_of(self, kind: EraseType, *, worst: bool = False) -> int:
        """Ticks to erase one block."""
        return self.erase + ticks(kind.time.maximum if worst else kind.time.typical)

    @property
    def joinable_gap(self) -> int:
        """Units that a run may program needlessly because that is cheaper than a new run."""
        if not self.unit_size or not self.start:
            return 0
        return (self.start - 1) // (self.unit + self.unit_size * self.byte)


def step_cost(geometry: Geometry, transfer: TransferCost, *, worst: bool = False) -> StepCost:
    """Costs by the part's typical times, or by its maximum times."""
    busy = _busy(geometry.program, worst)
    start, byte, erase = (ticks(t) for t in (transfer.program, transfer.byte, transfer.erase))
    match geometry.method:
        case ProgramMethod.BYTE:
            # Every byte is a command of its own.
            return StepCost(0, byte, 1, start + busy, erase)
        case ProgramMethod.AAI_WORD:
            return StepCost(start, byte, 2, ticks(transfer.unit) + busy, erase)
        case ProgramMethod.PAGE | ProgramMethod.PAGE_528:
            return StepCost(start + busy, byte, 0, 0, erase)


def _busy(span: Span, worst: bool) -> int:
    return ticks(span.maximum if worst else span.typical)
