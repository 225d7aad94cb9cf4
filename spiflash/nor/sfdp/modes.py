"""Fast reads, quad and octal modes, suspend and deep power-down: DWORDs 1, 3 to 7, 12 to 15 and 17
to 20 of the basic table (JESD216F section 6.4).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from spiflash.nor.sfdp.headers import bits, flag


@dataclass(frozen=True, slots=True)
class FastRead:
    """One way to read with several data lines.

    `lines` are the wires for opcode, address and data; `mode` and `dummy` are clocks after the
    address (mode bits first).
    """

    lines: tuple[int, int, int]
    opcode: int
    mode: int
    dummy: int


@dataclass(frozen=True, slots=True)
class ModeSwitch:
    """15th and 19th DWORD: how the 4-4-4 and 0-4-4 modes, or the octal ones, are entered and left,
    as the standard's bit fields."""

    disable: int
    enable: int
    continuous: bool
    """0-4-4, or 0-8-8 (a read without an opcode), is supported."""
    continuous_exit: int
    continuous_entry: int


class CommandExtension(enum.Enum):
    """18th DWORD, bits 30:29: the second opcode byte in 8D-8D-8D mode."""

    REPEATED = 0
    INVERTED = 1
    RESERVED = 2
    INDEPENDENT = 3


@dataclass(frozen=True, slots=True)
class OctalMode:
    """18th and 19th DWORD: what octal parts need to know; sequences as the bit fields."""

    drive_strengths: int
    """18th DWORD, bits 22:18, one bit per driver strength type."""
    protocol_reset: bool
    """The JEDEC reset by chip select and data line is implemented."""
    strobe_waveform: int
    strobe_in_quad: bool
    strobe_in_quad_dtr: bool
    command_extension: CommandExtension
    byte_pairs_swapped: bool
    """In 8D-8D-8D mode the bytes of a pair come in the opposite order from 1-1-1 mode."""
    switch: ModeSwitch | None = None
    octal_enable: int | None = None
    """19th DWORD, bits 22:20: 0 no octal enable bit, 1 bit 3 of status register 2."""


# 20th DWORD: codes for the top clock, in hertz; the others are reserved or say nothing.
_SPEEDS = {
    0x1: 33e6,
    0x2: 50e6,
    0x3: 66e6,
    0x4: 80e6,
    0x5: 100e6,
    0x6: 133e6,
    0x7: 166e6,
    0x8: 200e6,
    0x9: 250e6,
    0xA: 266e6,
    0xB: 333e6,
    0xC: 400e6,
}


@dataclass(frozen=True, slots=True)
class TopSpeeds:
    """20th DWORD: top clocks in hertz, (without, with) data strobe; None: not supported or
    not characterised."""

    quad: tuple[float | None, float | None]
    quad_dtr: tuple[float | None, float | None]
    octal: tuple[float | None, float | None]
    octal_dtr: tuple[float | None, float | None]


def fast_reads(table: tuple[int, ...]) -> tuple[FastRead, ...]:
    """The fast reads that the table says exist, fewest data lines first.

    The support bits are in the 1st and 5th DWORD; the octal ones (17th) exist when their opcode
    is there.
    """
    first = table[0]
    fifth = table[4] if len(table) > 4 else 0
    places = (
        ((1, 1, 2), 4, 0, flag(first, 16)),
        ((1, 2, 2), 4, 16, flag(first, 20)),
        ((2, 2, 2), 6, 16, flag(fifth, 0)),
        ((1, 1, 4), 3, 16, flag(first, 22)),
        ((1, 4, 4), 3, 0, flag(first, 21)),
        ((4, 4, 4), 7, 16, flag(fifth, 4)),
        ((1, 1, 8), 17, 16, True),
        ((1, 8, 8), 17, 0, True),
    )
    found = []
    for lines, number, low, supported in places:
        if not supported or number > len(table):
            continue
        half = table[number - 1] >> low
        opcode = bits(half, 15, 8)
        if opcode in (0x00, 0xFF):
            continue
        found.append(FastRead(lines, opcode, mode=bits(half, 7, 5), dummy=bits(half, 4, 0)))
    return tuple(found)


def mode_switch(dword: int | None) -> ModeSwitch | None:
    """Decode the 15th DWORD but for its quad enable and HOLD# fields, or the 19th but for its octal
    enable field."""
    if dword is None:
        return None
    return ModeSwitch(
        disable=bits(dword, 3, 0),
        enable=bits(dword, 8, 4),
        continuous=flag(dword, 9),
        continuous_exit=bits(dword, 15, 10),
        continuous_entry=bits(dword, 19, 16),
    )


def octal_mode(d18: int | None, d19: int | None) -> OctalMode | None:
    """Decode the 18th and, where there is one, the 19th DWORD."""
    if d18 is None:
        return None
    return OctalMode(
        drive_strengths=bits(d18, 22, 18),
        protocol_reset=flag(d18, 23),
        strobe_waveform=bits(d18, 25, 24),
        strobe_in_quad=flag(d18, 26),
        strobe_in_quad_dtr=flag(d18, 27),
        command_extension=CommandExtension(bits(d18, 30, 29)),
        byte_pairs_swapped=flag(d18, 31),
        switch=mode_switch(d19),
        octal_enable=None if d19 is None else bits(d19, 22, 20),
    )


def top_speeds(dword: int | None) -> TopSpeeds | None:
    """Decode the 20th DWORD."""
    if dword is None:
        return None

    def pair(low: int) -> tuple[float | None, float | None]:
        return (
            _SPEEDS.get(bits(dword, low + 3, low)),
            _SPEEDS.get(bits(dword, low + 7, low + 4)),
        )

    return TopSpeeds(quad=pair(0), quad_dtr=pair(8), octal=pair(16), octal_dtr=pair(24))


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
