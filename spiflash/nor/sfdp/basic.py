"""The basic flash parameter table, DWORDs 1 to 20 (JESD216F section 6.4).

A table of JESD216 1.0 (2011) ends with the 9th DWORD, JESD216A and B (1.5, 1.6) with the 16th,
JESD216C (1.7) with the 20th, D to F (1.8 to 1.10) with the 23rd. What a short table does not say is
None here, never a default.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import TypeVar

from spiflash.nor.geometry import Duration
from spiflash.nor.sfdp.headers import SfdpError, bits, flag, hexcode, span
from spiflash.nor.sfdp.modes import (
    DeepPowerDown,
    FastRead,
    ModeSwitch,
    OctalMode,
    Suspend,
    TopSpeeds,
    deep_power_down,
    fast_reads,
    mode_switch,
    octal_mode,
    suspend,
    top_speeds,
)

_Flag = TypeVar("_Flag", bound=enum.Flag)

_LARGEST = 35
"""The most that four address bytes reach is 2^35 bits (4 GiB)."""


class AddressBytes(enum.Enum):
    """1st DWORD, bits 18:17: how many address bytes read, program and erase take."""

    THREE = 0
    THREE_OR_FOUR = 1
    FOUR = 2
    RESERVED = 3


class QuadEnable(enum.Enum):
    """15th DWORD, bits 22:20: where the quad enable bit is and how it is written."""

    NONE = 0
    SR2_BIT1_SHORT_WRITE_CLEARS = 1  # 01h with two bytes; one byte alone clears the second
    SR1_BIT6 = 2
    SR2_BIT7 = 3  # read by 3Fh, written by 3Eh
    SR2_BIT1 = 4  # 01h with two bytes; one byte alone leaves the second as it is
    SR2_BIT1_READABLE = 5  # as before, and 35h reads the second register
    SR2_BIT1_OWN_WRITE = 6  # 35h reads, 31h writes the second register
    RESERVED = 7


class EnterFourByte(enum.Flag):
    """16th DWORD, bits 31:24: ways into 4-byte addressing."""

    B7H = 1
    WREN_B7H = 2
    EXTENDED_REGISTER = 4  # C5h writes, C8h reads address bits 31:24
    BANK_REGISTER = 8  # 17h writes, 16h reads; bit 7 is the 4-byte mode
    CONFIGURATION = 16  # 16-bit non-volatile register, B1h writes, B5h reads
    OPCODES = 32  # the opcodes of the 4-byte address instruction table
    ALWAYS = 64


class ExitFourByte(enum.Flag):
    """16th DWORD, bits 23:14: ways back to 3-byte addressing."""

    E9H = 1
    WREN_E9H = 2
    EXTENDED_REGISTER = 4
    BANK_REGISTER = 8
    CONFIGURATION = 16
    HARDWARE_RESET = 32
    SOFTWARE_RESET = 64
    POWER_CYCLE = 128


class SoftReset(enum.Flag):
    """16th DWORD, bits 13:8: ways to bring the chip back to its power-up state."""

    ALL_HIGH_8_CLOCKS = 1
    ALL_HIGH_10_CLOCKS = 2
    ALL_HIGH_16_CLOCKS = 4
    F0H = 8
    SIXTY_SIX_NINETY_NINE = 16  # 66h, then 99h
    LEAVE_0_4_4_FIRST = 32


class StatusVolatility(enum.Flag):
    """16th DWORD, bits 4:0: what survives a power cycle in status register 1, and which
    write enable it takes."""

    NON_VOLATILE_06H = 1
    VOLATILE_06H = 2
    VOLATILE_50H = 4
    BOTH_06H_AND_50H = 8  # 06h for the non-volatile bits, 50h overrides them until power-down
    MIXED_06H = 16


@dataclass(frozen=True, slots=True)
class BasicErase:
    """One of erase types 1 to 4 (8th to 10th DWORD)."""

    number: int
    size: int
    opcode: int
    time: Duration | None


@dataclass(frozen=True, slots=True)
class BasicFlash:
    """What the basic table says. Sizes in bytes, times in seconds; None: it does not say.

    `dwords` holds the table as read, so that nothing is lost (the 21st to 23rd DWORD too).
    """

    dwords: tuple[int, ...]
    size: int
    uniform_4k: bool
    """4 KiB erase works everywhere on the chip."""
    opcode_4k: int | None
    buffered: bool
    """At least 64 bytes can be programmed at once; otherwise one byte at a time."""
    volatile_protection: bool
    """The block protection bits are volatile only."""
    volatile_write_enable: int
    """Opcode that lets the next status write change volatile bits: 50h or 06h."""
    address: AddressBytes
    dtr: bool
    """Double transfer rate reads exist."""
    fast_reads: tuple[FastRead, ...]
    erases: tuple[BasicErase, ...]
    """Those of types 1 to 4 that exist, in the table's order."""
    page: int | None = None
    page_program: Duration | None = None
    byte_program_first: Duration | None = None
    byte_program_next: Duration | None = None
    chip_erase: Duration | None = None
    suspend: Suspend | None = None
    """12th and 13th DWORD; None also if the table says that there is no suspend."""
    poll_status_register: bool | None = None
    """05h, bit 0 set while busy."""
    poll_flag_register: bool | None = None
    """70h, bit 7 clear while busy."""
    deep_power_down: DeepPowerDown | None = None
    quad: ModeSwitch | None = None
    quad_enable: QuadEnable | None = None
    hold_can_be_disabled: bool | None = None
    """HOLD# or RESET# is switched off by bit 4 of the extended configuration register."""
    status_volatility: StatusVolatility | None = None
    soft_reset: SoftReset | None = None
    enter_four_byte: EnterFourByte | None = None
    exit_four_byte: ExitFourByte | None = None
    octal: OctalMode | None = None
    speeds: TopSpeeds | None = None


def basic_flash(table: tuple[int, ...]) -> BasicFlash:
    """Decode as many DWORDs as there are.

    Raises `SfdpError` if the table is too short to hold a density, is blank, or gives a density
    that no chip has.
    """
    if len(table) < 2:
        raise SfdpError(f"the basic table has {len(table)} DWORDs, too few to hold a density")
    if set(table) in ({0xFFFFFFFF}, {0}):
        raise SfdpError("the basic table is blank")
    first = table[0]
    size = _size(table[1])
    d10, d11, d14, d15, d16 = (_dword(table, number) for number in (10, 11, 14, 15, 16))
    return BasicFlash(
        dwords=table,
        size=size,
        uniform_4k=bits(first, 1, 0) == 1,
        opcode_4k=hexcode(bits(first, 15, 8)),
        buffered=flag(first, 2),
        volatile_protection=flag(first, 3),
        volatile_write_enable=0x06 if flag(first, 4) else 0x50,
        address=AddressBytes(bits(first, 18, 17)),
        dtr=flag(first, 19),
        fast_reads=fast_reads(table),
        erases=_erases(table, d10),
        page=None if d11 is None else 1 << bits(d11, 7, 4),
        page_program=_time(d11, (12, 8), (8e-6, 64e-6), d11),
        byte_program_first=_time(d11, (17, 14), (1e-6, 8e-6), d11),
        byte_program_next=_time(d11, (22, 19), (1e-6, 8e-6), d11),
        # The maximum of a chip erase follows from the erase multiplier of the 10th DWORD.
        chip_erase=_time(d11, (28, 24), (16e-3, 256e-3, 4.0, 64.0), d10),
        suspend=suspend(_dword(table, 12), _dword(table, 13)),
        poll_status_register=None if d14 is None else flag(d14, 2),
        poll_flag_register=None if d14 is None else flag(d14, 3),
        deep_power_down=deep_power_down(d14),
        quad=mode_switch(d15),
        quad_enable=None if d15 is None else QuadEnable(bits(d15, 22, 20)),
        hold_can_be_disabled=None if d15 is None else flag(d15, 23),
        status_volatility=None if d16 is None else StatusVolatility(bits(d16, 4, 0)),
        soft_reset=None if d16 is None else SoftReset(bits(d16, 13, 8)),
        enter_four_byte=_methods(d16, 31, 24, EnterFourByte),
        exit_four_byte=_methods(d16, 23, 14, ExitFourByte),
        octal=octal_mode(_dword(table, 18), _dword(table, 19)),
        speeds=top_speeds(_dword(table, 20)),
    )


def _dword(table: tuple[int, ...], number: int) -> int | None:
    """DWORD `number`, counted from 1; None after the end and if it was left blank.

    Every DWORD from the 10th on has reserved bits or codes that make all ones meaningless. The
    10th and 11th hold times, and all zeros there would be a page of one byte and the shortest
    times that can be written.
    """
    if number > len(table):
        return None
    dword = table[number - 1]
    blank = dword == 0xFFFFFFFF or (dword == 0 and number in (10, 11))
    return None if blank else dword


def _methods(dword: int | None, high: int, low: int, kind: type[_Flag]) -> _Flag | None:
    """A field of methods to enter or leave a mode, without its reserved bits (often written as
    ones); None if the whole field was left blank (seen on MX25L12833F)."""
    if dword is None:
        return None
    value = bits(dword, high, low)
    if value == (1 << (high - low + 1)) - 1:
        return None
    known = 0
    for member in kind:
        known |= member.value
    return kind(value & known)


def _size(density: int) -> int:
    """Bytes on the chip (2nd DWORD): bits minus one, or with bit 31 set a power of two."""
    if flag(density, 31):
        exponent = bits(density, 30, 0)
        if not 32 <= exponent <= _LARGEST:
            raise SfdpError(f"a density of 2^{exponent} bits is not one that a chip can have")
        return 1 << (exponent - 3)
    if (density + 1) % 8:
        raise SfdpError(f"a density of {density + 1} bits is not a number of bytes")
    return (density + 1) // 8


def _erases(table: tuple[int, ...], times: int | None) -> tuple[BasicErase, ...]:
    """Erase types 1 to 4 from the 8th and 9th DWORD; one with size exponent 0 does not exist."""
    found = []
    for number in range(1, 5):
        place = 8 + (number - 1) // 2
        if place > len(table):
            break
        pair = table[place - 1] >> (16 * ((number - 1) % 2))
        exponent, opcode = bits(pair, 7, 0), bits(pair, 15, 8)
        if exponent == 0 or exponent > _LARGEST or hexcode(opcode) is None:
            continue
        # The 10th DWORD: five bits of count and two of unit for each type, from bit 4 on.
        low = 4 + 7 * (number - 1)
        time = _time(times, (low + 4, low), (1e-3, 16e-3, 128e-3, 1.0), times)
        found.append(BasicErase(number, 1 << exponent, opcode, time))
    return tuple(found)


def _time(
    dword: int | None, count: tuple[int, int], units: tuple[float, ...], limit: int | None
) -> Duration | None:
    """A time: the bits `count` of `dword`, in the unit that the bits above them select; `limit` is
    the DWORD whose lowest bits hold the multiplier of the maximum."""
    if dword is None or limit is None:
        return None
    high, low = count
    unit = units[bits(dword, high + len(units) // 2, high + 1)]
    return span(bits(dword, high, low), unit, bits(limit, 3, 0))
