"""Opcode sets that many chips share; a chip adds opcodes or removes some."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from hwmocks.nor.description import Bit, Erase, Op, RegisterWrite, Time

KIB = 1024
MIB = 1024 * KIB

BP3 = (Bit("SR1", 2), Bit("SR1", 3), Bit("SR1", 4))
BP4 = (*BP3, Bit("SR1", 5))
SR1_ALONE: Mapping[int, RegisterWrite] = MappingProxyType({0x01: RegisterWrite(("SR1",))})
"""01h writes status register 1 and nothing else."""

BASIC: Mapping[int, Op] = MappingProxyType(
    {
        0x9F: Op.READ_ID,
        0x03: Op.READ,
        0x0B: Op.FAST_READ,
        0x02: Op.PROGRAM,
        0x20: Op.ERASE,
        0xD8: Op.ERASE,
        0xC7: Op.ERASE_CHIP,
        0x60: Op.ERASE_CHIP,
        0x06: Op.WRITE_ENABLE,
        0x04: Op.WRITE_DISABLE,
        0x05: Op.READ_REGISTER,
        0x01: Op.WRITE_REGISTER,
    }
)
BLOCK_32K: Mapping[int, Op] = MappingProxyType({0x52: Op.ERASE})
IDS: Mapping[int, Op] = MappingProxyType({0xAB: Op.READ_LEGACY_ID, 0x90: Op.READ_REMS})
POWER_DOWN: Mapping[int, Op] = MappingProxyType({0xB9: Op.POWER_DOWN})
SFDP: Mapping[int, Op] = MappingProxyType({0x5A: Op.READ_SFDP})
RESET: Mapping[int, Op] = MappingProxyType({0x66: Op.RESET_ENABLE, 0x99: Op.RESET})
SUSPEND: Mapping[int, Op] = MappingProxyType({0x75: Op.SUSPEND, 0x7A: Op.RESUME})
UNIQUE_ID: Mapping[int, Op] = MappingProxyType({0x4B: Op.READ_UNIQUE_ID})
SECURITY: Mapping[int, Op] = MappingProxyType(
    {0x48: Op.READ_SECURITY, 0x42: Op.PROGRAM_SECURITY, 0x44: Op.ERASE_SECURITY}
)
SECURED: Mapping[int, Op] = MappingProxyType(
    {
        0xB1: Op.ENTER_SECURED,
        0xC1: Op.EXIT_SECURED,
        0x2B: Op.READ_REGISTER,
        0x2F: Op.LOCK_SECURED,
    }
)
VOLATILE: Mapping[int, Op] = MappingProxyType({0x50: Op.VOLATILE_WRITE_ENABLE})
BLOCK_LOCKS: Mapping[int, Op] = MappingProxyType(
    {
        0x36: Op.LOCK_BLOCK,
        0x39: Op.UNLOCK_BLOCK,
        0x3D: Op.READ_BLOCK_LOCK,
        0x7E: Op.LOCK_ALL,
        0x98: Op.UNLOCK_ALL,
    }
)
ENTER_EXIT_4: Mapping[int, Op] = MappingProxyType({0xB7: Op.ENTER_4, 0xE9: Op.EXIT_4})
EXTENDED_ADDRESS: Mapping[int, Op] = MappingProxyType(
    {0xC8: Op.READ_REGISTER, 0xC5: Op.WRITE_REGISTER}
)
FOUR_BYTE: Mapping[int, Op] = MappingProxyType(
    {
        0x13: Op.READ_4,
        0x0C: Op.FAST_READ_4,
        0x12: Op.PROGRAM_4,
        0x21: Op.ERASE_4,
        0xDC: Op.ERASE_4,
    }
)
FOUR_BYTE_32K: Mapping[int, Op] = MappingProxyType({0x5C: Op.ERASE_4})


def opcodes(*sets: Mapping[int, Op], without: Iterable[int] = ()) -> Mapping[int, Op]:
    """The sets together, minus `without`."""
    merged: dict[int, Op] = {}
    for one in sets:
        merged.update(one)
    for opcode in without:
        del merged[opcode]
    return MappingProxyType(merged)


def registers_at(reads: Iterable[int], writes: Iterable[int] = ()) -> Mapping[int, Op]:
    """Further opcodes that read and write registers."""
    merged = dict.fromkeys(reads, Op.READ_REGISTER)
    merged.update(dict.fromkeys(writes, Op.WRITE_REGISTER))
    return MappingProxyType(merged)


def erases(
    sector: Time, block_32k: Time | None, block: Time, *, four_byte: Iterable[int] = ()
) -> Mapping[int, Erase]:
    """20h, 52h (unless None) and D8h, and those of 21h, 5Ch and DCh that are in `four_byte`."""
    table = {0x20: Erase(4 * KIB, sector), 0xD8: Erase(64 * KIB, block)}
    if block_32k is not None:
        table[0x52] = Erase(32 * KIB, block_32k)
    again = {0x21: 0x20, 0x5C: 0x52, 0xDC: 0xD8}
    table.update({opcode: table[again[opcode]] for opcode in four_byte})
    return MappingProxyType(table)


def milliseconds(typical: float, maximum: float) -> Time:
    """A time given in milliseconds."""
    return Time(typical * 1e-3, maximum * 1e-3)
