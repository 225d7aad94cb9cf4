"""SFDP tables laid out from the field definitions of JESD216B (headers, basic table of 9 or 16
DWORDs, 4-byte address instruction table). Written for the simulated chips alone.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass

BASIC_ID = 0xFF00
FOUR_BYTE_ID = 0xFF84


@dataclass(frozen=True, slots=True)
class Table:
    """One parameter table: where it lies, who defined it, which revision it follows."""

    id: int
    revision: tuple[int, int]
    """(major, minor)"""
    offset: int
    body: bytes


@dataclass(frozen=True, slots=True)
class FastRead:
    """A fast read mode: its opcode and its wait and mode clocks."""

    opcode: int
    wait: int
    mode: int = 0

    def field(self) -> int:
        """16 bits: wait clocks 4:0, mode clocks 7:5, opcode 15:8."""
        return self.wait | self.mode << 5 | self.opcode << 8


ERASE_UNITS = (1e-3, 16e-3, 128e-3, 1.0)
PAGE_UNITS = (8e-6, 64e-6)
CHIP_UNITS = (16e-3, 256e-3, 4.0, 64.0)


@dataclass(frozen=True, slots=True)
class Coded:
    """A time as SFDP encodes it: a 5-bit count, less one, and the number of a unit."""

    count: int
    unit: int

    def field(self) -> int:
        """The count in bits 4:0, the unit above it."""
        return self.count - 1 | self.unit << 5


def coded(seconds: float, units: Sequence[float]) -> Coded:
    """`seconds` rounded up in the finest unit that reaches; ValueError when none does."""
    for number, unit in enumerate(units):
        count = math.ceil(round(seconds / unit, 6))
        if count <= 32:
            return Coded(max(count, 1), number)
    raise ValueError(f"{seconds} s does not fit {units}")


@dataclass(frozen=True, slots=True)
class EraseTypeEntry:
    """One erase type: bytes, opcode, typical time (only used in 16-DWORD tables)."""

    size: int
    opcode: int
    typical: Coded = Coded(1, 0)


@dataclass(frozen=True, slots=True)
class Basic:
    """What the first nine DWORDs of the basic table say.

    `four_byte` is DWORD 1 bits 18:17 (0: 3-byte addresses only, 1: 3 or 4). `unused` is what
    a vendor leaves in the 16 bits of a mode that the chip has not.
    """

    size: int
    erase_types: Sequence[EraseTypeEntry]
    four_byte: int = 0
    dtr: bool = False
    volatile_protection: int = 0
    read_144: FastRead | None = None
    read_114: FastRead | None = None
    read_112: FastRead | None = None
    read_122: FastRead | None = None
    read_444: FastRead | None = None
    unused: int = 0xFF00
    unused_222: int = 0xFFFF
    unused_444: int = 0xFFFF
    mode_flags: int = 0xFFFFFFEE
    unused_erase: int = 0xFF00

    def dwords(self) -> list[int]:
        """DWORDs 1 to 9."""
        sectors = any(entry.size == 4096 for entry in self.erase_types)
        first = 0xFF8000E0 | (0b01 if sectors else 0b11) | 1 << 2 | self.volatile_protection << 3
        opcode = next((e.opcode for e in self.erase_types if e.size == 4096), 0xFF)
        first |= opcode << 8 | self.four_byte << 17 | int(self.dtr) << 19
        modes = (self.read_112, 16), (self.read_122, 20), (self.read_144, 21), (self.read_114, 22)
        for mode, place in modes:
            first |= int(mode is not None) << place

        def pair(low: FastRead | None, high: FastRead | None) -> int:
            fields = [self.unused if mode is None else mode.field() for mode in (low, high)]
            return fields[0] | fields[1] << 16

        types = [(e.size.bit_length() - 1) | e.opcode << 8 for e in self.erase_types]
        types += [self.unused_erase] * (4 - len(types))
        field_444 = self.unused_444 if self.read_444 is None else self.read_444.field()
        return [
            first,
            self.size * 8 - 1,
            pair(self.read_144, self.read_114),
            pair(self.read_112, self.read_122),
            self.mode_flags,
            0xFFFF | self.unused_222 << 16,
            0xFFFF | field_444 << 16,
            types[0] | types[1] << 16,
            types[2] | types[3] << 16,
        ]


@dataclass(frozen=True, slots=True)
class Extended:
    """What DWORDs 10 to 16 add.

    Multipliers are the encoded 4 bits (maximum is typical times
    2 × (n + 1)). Suspend timing and deep power-down fields are given as the standard encodes
    them, since the simulated chip does not act upon them.
    """

    page_program: Coded
    chip_erase: Coded
    quad_enable: int
    """DWORD 15 bits 22:20."""
    erase_multiplier: int = 6
    program_multiplier: int = 2
    page: int = 256
    byte_first: tuple[int, int] = (3, 1)
    """(count − 1 in 4 bits, unit 0: 1 µs, 1: 8 µs)"""
    byte_next: tuple[int, int] = (2, 0)
    top_bit_11: int = 1
    suspend_timing: int = 0x337663E9
    suspend_opcodes: int = 0x757A757A
    """Program resume, program suspend, erase resume, erase suspend, lowest byte first."""
    deep_power_down: int = 0x5CD5A2F7
    quad_mode: int = 0xFF0DF719
    """DWORD 15 with bits 22:20 clear."""
    volatile_status: int = 0x69
    """DWORD 16 bits 6:0."""
    reserved_16: int = 1
    soft_reset: int = 0x30
    exit_4: int = 0x3E0
    enter_4: int = 0x80

    def dwords(self, erase_types: Sequence[EraseTypeEntry]) -> list[int]:
        """DWORDs 10 to 16."""
        tenth = self.erase_multiplier
        for place, entry in zip((4, 11, 18, 25), erase_types, strict=False):
            tenth |= entry.typical.field() << place
        eleventh = self.program_multiplier | (self.page.bit_length() - 1) << 4
        eleventh |= self.page_program.field() << 8
        eleventh |= (self.byte_first[0] | self.byte_first[1] << 4) << 14
        eleventh |= (self.byte_next[0] | self.byte_next[1] << 4) << 19
        eleventh |= self.chip_erase.field() << 24
        eleventh |= self.top_bit_11 << 31
        sixteenth = self.volatile_status | self.reserved_16 << 7 | self.soft_reset << 8
        sixteenth |= self.exit_4 << 14 | self.enter_4 << 24
        return [
            tenth,
            eleventh,
            self.suspend_timing,
            self.suspend_opcodes,
            self.deep_power_down,
            self.quad_mode | self.quad_enable << 20,
            sixteenth,
        ]


def pack(dwords: Sequence[int]) -> bytes:
    """DWORDs as SFDP stores them, lowest byte first."""
    return struct.pack(f"<{len(dwords)}I", *dwords)


def basic_table(
    basic: Basic, extended: Extended | None, *, offset: int, revision: tuple[int, int]
) -> Table:
    """The basic flash parameter table, of 9 or 16 DWORDs."""
    dwords = basic.dwords()
    if extended is not None:
        dwords += extended.dwords(basic.erase_types)
    return Table(BASIC_ID, revision, offset, pack(dwords))


def four_byte_table(supported: int, erase_opcodes: Sequence[int], *, offset: int) -> Table:
    """The 4-byte address instruction table: supported instructions (DWORD 1), erase opcodes
    of types 1 to 4 (FFh: none)."""
    padded = bytes(erase_opcodes) + b"\xff" * (4 - len(erase_opcodes))
    body = pack([supported]) + padded
    return Table(FOUR_BYTE_ID, (1, 0), offset, body)


def assemble(revision: tuple[int, int], tables: Sequence[Table]) -> bytes:
    """Header, parameter headers and tables, gaps filled with FFh."""
    major, minor = revision
    image = bytearray(b"SFDP" + bytes([minor, major, len(tables) - 1, 0xFF]))
    for table in tables:
        image += bytes([table.id & 0xFF, table.revision[1], table.revision[0]])
        image += bytes([len(table.body) // 4]) + table.offset.to_bytes(3, "little")
        image.append(table.id >> 8)
    end = max(table.offset + len(table.body) for table in tables)
    image += b"\xff" * (end - len(image))
    for table in tables:
        image[table.offset : table.offset + len(table.body)] = table.body
    return bytes(image)
