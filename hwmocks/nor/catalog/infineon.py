"""Spansion's FL-S and FS-S and Infineon's T generation; 65h reads the registers of the latter two
by address. What comes from the Linux kernel's spansion.c (6.12) is marked. The command lists in the
sector maps follow JESD216F 6.5 and use the registers of the data sheets; whether the real tables
are laid out like this is not known.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType

from hwmocks.nor.catalog import common
from hwmocks.nor.catalog.common import BP3, KIB, MIB, milliseconds
from hwmocks.nor.description import (
    Bit,
    ChipDescription,
    Erase,
    Op,
    Overlay,
    Protection,
    Register,
    RegisterWrite,
    Time,
)
from hwmocks.nor.sfdp import (
    CHIP_UNITS,
    ERASE_UNITS,
    PAGE_UNITS,
    Basic,
    EraseTypeEntry,
    Extended,
    Table,
    assemble,
    basic_table,
    coded,
    four_byte_table,
)

CURRENT = 3
"""Address length "as the chip is set up" in a configuration detection command."""


def detect(address: int, mask: int, *, length: int = CURRENT, last: bool = False) -> list[int]:
    """Read `address` with 65h at the latency that is set up, and keep the bits of `mask`."""
    return [mask << 24 | length << 22 | 0xF << 16 | 0x65 << 8 | int(last), address]


def layout(number: int, regions: Sequence[tuple[int, int]], *, last: bool = False) -> list[int]:
    """The map of one configuration: (bytes, bits of the erase types that work there)."""
    head = (len(regions) - 1) << 16 | number << 8 | 2 | int(last)
    return [head, *((length // 256 - 1) << 8 | erases for length, erases in regions)]


def overlaid(size: int, block: int, small: int) -> list[int]:
    """The four configurations of a chip whose small sectors lie at the bottom or the top, or are
    switched off: bit 1 of the number is "off", bit 0 is "top"."""
    rest = block - small
    bottom = [(small, 1), (rest, 2), (size - block, 2)]
    return [
        *layout(0, bottom),
        *layout(1, bottom[::-1]),
        *layout(2, [(size, 2)]),
        *layout(3, [(size, 2)], last=True),
    ]


def sfdp(size: int, block: int, small: int, maps: list[int], four_byte: Sequence[int]) -> bytes:
    """A basic table of 16 DWORDs, the 4-byte opcodes, and a sector map."""
    time = coded(0.24, ERASE_UNITS)
    types = (EraseTypeEntry(4 * KIB, 0x20, time), EraseTypeEntry(block, 0xD8, time))
    extended = Extended(
        coded(0.36e-3, PAGE_UNITS), coded(60.0, CHIP_UNITS), 4, page=512, exit_4=0x380, enter_4=0xA1
    )
    body = struct.pack(f"<{len(maps)}I", *maps)
    return assemble(
        (1, 6),
        [
            basic_table(Basic(size, types, four_byte=1), extended, offset=0x80, revision=(1, 6)),
            four_byte_table(0xFFFFFEFF, four_byte, offset=0xD0),
            Table(0xFF81, (1, 0), 0xE0, body),
        ],
    )


S25FL128S = ChipDescription(
    name="S25FL128S",
    source="Spansion S25FL128S data sheet (64 KiB sectors, 4 KiB at the bottom)",
    # 4Dh: length of the table after the ID; 01h: 64 KiB sectors; 80h: the FL-S family.
    id=bytes.fromhex("012018 4D0180"),
    legacy_id=0x17,
    rems=bytes.fromhex("0117"),
    size=16 * MIB,
    opcodes=common.opcodes(
        common.BASIC,
        common.IDS,
        common.SUSPEND,
        common.FOUR_BYTE,
        common.registers_at((0x35, 0x07, 0x16), (0x17,)),
        MappingProxyType(
            {
                0x30: Op.CLEAR_FLAGS,
                0xF0: Op.RESET_AT_ONCE,
                0x85: Op.SUSPEND,
                0x8A: Op.RESUME,
            }
        ),
    ),
    erases=MappingProxyType(
        {
            opcode: Erase(4 * KIB, milliseconds(130, 650), only_below=128 * KIB)
            for opcode in (0x20, 0x21)
        }
        | {opcode: Erase(64 * KIB, milliseconds(130, 650)) for opcode in (0xD8, 0xDC)}
    ),
    program=milliseconds(0.25, 0.75),
    chip_erase=Time(33, 165),
    registers=(
        Register("SR1", 0x05, writable=0x9C),
        Register("SR2", 0x07),
        Register("CR1", 0x35, writable=0x2E, otp=0x2C),
        Register("BAR", 0x16, writable=0x80, volatile=0xFF),
    ),
    register_writes=MappingProxyType(
        {
            0x01: RegisterWrite(("SR1", "CR1")),
            0x17: RegisterWrite(("BAR",), volatile=True, needs_wel=False),
        }
    ),
    register_time=milliseconds(140, 500),
    protection=Protection.FRACTION,
    bp=BP3,
    tb=Bit("CR1", 5),
    srp0=Bit("SR1", 7),
    qe=Bit("CR1", 1),
    sus=(Bit("SR2", 1), Bit("SR2", 0)),
    bank_extadd=Bit("BAR", 7),
    parameters_top=Bit("CR1", 2),
    error_bits=(Bit("SR1", 5), Bit("SR1", 6)),
    errors_hold_busy=True,
)

S25FS128S = replace(
    S25FL128S,
    name="S25FS128S",
    source="Spansion S25FS128S data sheet (64 KiB sectors): CR3NV bit 3 set switches "
    "the eight 4 KiB sectors off, CR1NV bit 2 (TBPARM) puts them at the top; 4-byte mode ends "
    "with a reset only. Pages of 256 bytes although SFDP says 512 (spansion.c)",
    id=bytes.fromhex("012018 4D0181"),
    legacy_id=None,
    rems=b"",
    opcodes=common.opcodes(
        common.BASIC,
        common.SFDP,
        common.RESET,
        common.SUSPEND,
        common.FOUR_BYTE,
        common.registers_at((0x35, 0x07)),
        MappingProxyType({0x65: Op.READ_ANY, 0x30: Op.CLEAR_FLAGS, 0xB7: Op.ENTER_4}),
    ),
    erases=MappingProxyType(
        {opcode: Erase(4 * KIB, milliseconds(240, 725)) for opcode in (0x20, 0x21)}
        | {opcode: Erase(64 * KIB, milliseconds(240, 725)) for opcode in (0xD8, 0xDC)}
    ),
    program=milliseconds(0.36, 2),
    chip_erase=Time(60, 180),
    # Besides those of the FL-S; only 65h reads these two. There is no bank register.
    registers=(
        *S25FL128S.registers[:3],
        Register("CR2", -1, writable=0xFF, default=0x08),
        Register("CR3", -1, writable=0xFF),
    ),
    register_writes=MappingProxyType({0x01: RegisterWrite(("SR1", "CR1"))}),
    register_time=milliseconds(240, 750),
    bank_extadd=None,
    ads=Bit("CR2", 7),
    parameters_top=None,
    any_registers=MappingProxyType(
        {
            0x000000: "SR1",
            0x000002: "CR1",
            0x000003: "CR2",
            0x000004: "CR3",
            0x800000: "SR1",
            0x800001: "SR2",
            0x800002: "CR1",
            0x800003: "CR2",
            0x800004: "CR3",
        }
    ),
    any_dummy=(1, 1),
    overlay=Overlay(32 * KIB, top=Bit("CR1", 2), off=Bit("CR3", 3)),
    sfdp=sfdp(
        16 * MIB,
        64 * KIB,
        32 * KIB,
        [
            *detect(0x000004, 0x08),
            *detect(0x000002, 0x04, last=True),
            *overlaid(16 * MIB, 64 * KIB, 32 * KIB),
        ],
        (0x21, 0xDC),
    ),
    supply=(1.7, 2.0),
)

S25HL512T = replace(
    S25FS128S,
    name="S25HL512T",
    source="Infineon S25HL512T data sheet; B8h leaves 4-byte mode, 82h clears error "
    "bits, 0Ch wants 8 mode clocks besides its 8 dummy clocks (spansion.c, s25hx_t_late_init)",
    id=bytes.fromhex("342A1A 0F0390"),
    size=64 * MIB,
    opcodes=common.opcodes(
        S25FS128S.opcodes,
        # 30h resumes a suspended erase here.
        MappingProxyType(
            {0x82: Op.CLEAR_FLAGS, 0x30: Op.RESUME, 0xB8: Op.EXIT_4, 0x4C: Op.READ_UNIQUE_ID}
        ),
    ),
    erases=MappingProxyType(
        {opcode: Erase(4 * KIB, milliseconds(42, 335)) for opcode in (0x20, 0x21)}
        | {opcode: Erase(256 * KIB, milliseconds(773, 2677)) for opcode in (0xD8, 0xDC)}
    ),
    program=milliseconds(0.48, 1.7),
    chip_erase=Time(201, 696),
    # Without small sectors, as the order code "uniform" comes.
    registers=(*S25FS128S.registers[:4], Register("CR3", -1, writable=0xFF, default=0x08)),
    any_dummy=(0, 1),
    ecc_unit=16,
    unique_id_length=8,
    fast_read_4_dummy=2,
    overlay=Overlay(128 * KIB, top=Bit("CR1", 2), off=Bit("CR3", 3)),
    sfdp=sfdp(
        64 * MIB,
        256 * KIB,
        128 * KIB,
        [
            *detect(0x000004, 0x08),
            *detect(0x000002, 0x04, last=True),
            *overlaid(64 * MIB, 256 * KIB, 128 * KIB),
        ],
        # The 3-byte opcodes, as some parts list them (spansion.c, s25hx_t_post_sfdp_fixup).
        (0x20, 0xD8),
    ),
    supply=(2.7, 3.6),
)

S25FS256T = replace(
    S25HL512T,
    name="S25FS256T",
    source="Infineon S25FS256T data sheet: 128 KiB sectors, wakes in 4-byte mode",
    id=bytes.fromhex("342B19 0F0890"),
    size=32 * MIB,
    erases=MappingProxyType(
        {opcode: Erase(128 * KIB, milliseconds(387, 1340)) for opcode in (0xD8, 0xDC)}
    ),
    opcodes=common.opcodes(S25HL512T.opcodes, without=(0x20, 0x21)),
    registers=(
        *S25FL128S.registers[:3],
        Register("CR2", -1, writable=0xFF, default=0x88),
        S25FS128S.registers[4],
    ),
    adp=Bit("CR2", 7),
    fast_read_4_dummy=None,
    overlay=None,
    sfdp=assemble(
        (1, 6),
        [
            basic_table(
                Basic(
                    32 * MIB,
                    (EraseTypeEntry(128 * KIB, 0xD8, coded(0.387, ERASE_UNITS)),),
                    four_byte=1,
                ),
                Extended(
                    coded(0.48e-3, PAGE_UNITS),
                    coded(100.0, CHIP_UNITS),
                    4,
                    exit_4=0x380,
                    enter_4=0xA1,
                ),
                offset=0x80,
                revision=(1, 6),
            ),
            four_byte_table(0xFFFFFEFF, (0xDC,), offset=0xD0),
        ],
    ),
    supply=(1.7, 2.0),
)

ALL = (S25FL128S, S25FS128S, S25HL512T, S25FS256T)
