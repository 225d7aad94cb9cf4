"""Suspend and deep power-down: DWORDs 12 to 14 of the basic table.

Bit positions from memory of JESD216F section 6.4.
"""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.nor.sfdp.fields import bits, flag

_LATENCY_UNITS = (128e-9, 1e-6, 8e-6, 64e-6)


@dataclass(frozen=True, slots=True)
class Suspend:
    """12th and 13th DWORD: suspending an erase or a program. Times in seconds.

    The two `prohibited` fields are the standard's bit fields: what may not be done meanwhile.
    """

    prohibited_in_program: int
    prohibited_in_erase: int
    program_resume_to_suspend: float
    program_latency: float
    erase_resume_to_suspend: float
    erase_latency: float
    program_resume: int | None = None
    program_suspend: int | None = None
    resume: int | None = None
    suspend: int | None = None


@dataclass(frozen=True, slots=True)
class DeepPowerDown:
    """14th DWORD: into deep power-down and out of it; `wake` in seconds."""

    enter: int
    leave: int
    wake: float


def suspend(d12: int | None, d13: int | None) -> Suspend | None:
    """Decode the two DWORDs; None when there is no suspend (bit 31 set) or no 12th DWORD."""
    if d12 is None or flag(d12, 31):
        return None
    return Suspend(
        prohibited_in_program=bits(d12, 3, 0),
        prohibited_in_erase=bits(d12, 7, 4),
        program_resume_to_suspend=_time(bits(d12, 12, 9), 64e-6),
        program_latency=_time(bits(d12, 17, 13), _LATENCY_UNITS[bits(d12, 19, 18)]),
        erase_resume_to_suspend=_time(bits(d12, 23, 20), 64e-6),
        erase_latency=_time(bits(d12, 28, 24), _LATENCY_UNITS[bits(d12, 30, 29)]),
        program_resume=None if d13 is None else bits(d13, 7, 0),
        program_suspend=None if d13 is None else bits(d13, 15, 8),
        resume=None if d13 is None else bits(d13, 23, 16),
        suspend=None if d13 is None else bits(d13, 31, 24),
    )


def deep_power_down(d14: int | None) -> DeepPowerDown | None:
    """Decode the 14th DWORD; None when deep power-down does not exist (bit 31 set)."""
    if d14 is None or flag(d14, 31):
        return None
    return DeepPowerDown(
        enter=bits(d14, 30, 23),
        leave=bits(d14, 22, 15),
        wake=_time(bits(d14, 12, 8), _LATENCY_UNITS[bits(d14, 14, 13)]),
    )


def _time(count: int, unit: float) -> float:
    return round((count + 1) * unit, 12)
