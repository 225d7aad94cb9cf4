"""Winbond W25Q."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from hwmocks.nor.catalog import common, tables
from hwmocks.nor.catalog.common import BP3, BP4, MIB, milliseconds
from hwmocks.nor.description import (
    Bit,
    ChipDescription,
    Op,
    Protection,
    Register,
    RegisterWrite,
    SecurityArea,
    Time,
)
from hwmocks.nor.sfdp import (
    Basic,
    Coded,
    EraseTypeEntry,
    Extended,
    FastRead,
    assemble,
    basic_table,
)

LOCKS = (Bit("SR2", 3), Bit("SR2", 4), Bit("SR2", 5))
SECURITY = SecurityArea((0x1000, 0x2000, 0x3000), 256, LOCKS)
SUS = (Bit("SR2", 7), Bit("SR2", 7))
WRITES: Mapping[int, RegisterWrite] = MappingProxyType(
    {
        0x01: RegisterWrite(("SR1", "SR2")),
        0x31: RegisterWrite(("SR2",)),
        0x11: RegisterWrite(("SR3",)),
    }
)
OLD_WRITES: Mapping[int, RegisterWrite] = MappingProxyType(
    {0x01: RegisterWrite(("SR1", "SR2"), clears_missing=True)}
)
OPCODES = common.opcodes(
    common.BASIC,
    common.BLOCK_32K,
    common.IDS,
    common.POWER_DOWN,
    common.SFDP,
    common.RESET,
    common.SUSPEND,
    common.UNIQUE_ID,
    common.SECURITY,
    common.VOLATILE,
    common.registers_at((0x35,)),
)
OPCODES_JV = common.opcodes(OPCODES, common.BLOCK_LOCKS, common.registers_at((0x15,), (0x31, 0x11)))
ERASES = common.erases(milliseconds(45, 400), milliseconds(120, 1600), milliseconds(150, 2000))

W25Q64JV = ChipDescription(
    name="W25Q64JV",
    source="W25Q64JV data sheet (order code IQ: QE set at the factory)",
    id=bytes.fromhex("EF4017"),
    legacy_id=0x16,
    rems=bytes.fromhex("EF16"),
    size=8 * MIB,
    opcodes=OPCODES_JV,
    erases=ERASES,
    program=milliseconds(0.4, 3),
    chip_erase=Time(20, 100),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("SR2", 0x35, writable=0x7B, otp=0x38, default=0x02),
        Register("SR3", 0x15, writable=0xE4, default=0x60),
    ),
    register_writes=WRITES,
    protection=Protection.FRACTION,
    bp=BP3,
    tb=Bit("SR1", 5),
    sec=Bit("SR1", 6),
    cmp=Bit("SR2", 6),
    srp0=Bit("SR1", 7),
    srp1=Bit("SR2", 0),
    wps=Bit("SR3", 2),
    qe=Bit("SR2", 1),
    sus=SUS,
    unique_id_length=8,
    security=SECURITY,
    sfdp=tables.jesd216b(
        8 * MIB,
        (45e-3, 0.12, 0.15),
        page_program=0.4e-3,
        chip_erase=20.0,
        quad_enable=4,
    ),
)

# Read from a real part and posted to the linux-mtd list; rebuilt here field by field.
_W25Q128_SFDP = assemble(
    (1, 5),
    [
        basic_table(
            Basic(
                16 * MIB,
                (
                    EraseTypeEntry(4096, 0x20, Coded(4, 1)),
                    EraseTypeEntry(32768, 0x52, Coded(1, 2)),
                    EraseTypeEntry(65536, 0xD8, Coded(10, 1)),
                ),
                dtr=True,
                read_144=FastRead(0xEB, 4, 2),
                read_114=FastRead(0x6B, 8),
                read_112=FastRead(0x3B, 8),
                read_122=FastRead(0xBB, 2, 2),
                read_444=FastRead(0xEB, 0, 2),
                mode_flags=0xFFFFFFFE,
                unused_222=0,
                unused_erase=0,
            ),
            Extended(Coded(11, 1), Coded(10, 2), quad_enable=4),
            offset=0x80,
            revision=(1, 5),
        )
    ],
)

W25Q128JV = replace(
    W25Q64JV,
    name="W25Q128JV",
    source="W25Q128JV data sheet (order code IQ); SFDP as posted to linux-mtd",
    id=bytes.fromhex("EF4018"),
    legacy_id=0x17,
    rems=bytes.fromhex("EF17"),
    size=16 * MIB,
    program=milliseconds(0.7, 3),
    chip_erase=Time(40, 200),
    sfdp=_W25Q128_SFDP,
)

W25Q256JV = replace(
    W25Q64JV,
    name="W25Q256JV",
    source="W25Q256JV data sheet (order code IQ)",
    id=bytes.fromhex("EF4019"),
    legacy_id=0x18,
    rems=bytes.fromhex("EF18"),
    size=32 * MIB,
    opcodes=common.opcodes(
        OPCODES_JV, common.ENTER_EXIT_4, common.EXTENDED_ADDRESS, common.FOUR_BYTE
    ),
    erases=common.erases(
        milliseconds(50, 400),
        milliseconds(120, 1600),
        milliseconds(150, 2000),
        four_byte=(0x21, 0xDC),
    ),
    program=milliseconds(0.7, 3),
    chip_erase=Time(80, 400),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("SR2", 0x35, writable=0x7B, otp=0x38, default=0x02),
        Register("SR3", 0x15, writable=0xE6, default=0x60),
        Register("EAR", 0xC8, writable=0x01, volatile=0xFF),
    ),
    register_writes=MappingProxyType({**WRITES, 0xC5: RegisterWrite(("EAR",), volatile=True)}),
    protection=Protection.DOUBLING,
    bp=BP4,
    tb=Bit("SR1", 6),
    sec=None,
    ads=Bit("SR3", 0),
    adp=Bit("SR3", 1),
    bank=("EAR", 0x01),
    sfdp=tables.jesd216b(
        32 * MIB,
        (50e-3, 0.12, 0.15),
        page_program=0.7e-3,
        chip_erase=80.0,
        quad_enable=4,
        four_byte=1,
        enter_4=0x85,
        exit_4=0x3E5,
        four_byte_erases=(0x21, 0xFF, 0xDC),
        four_byte_supported=0xFFF00AFF,
    ),
)

W25Q64FV = replace(
    W25Q64JV,
    name="W25Q64FV",
    source="W25Q64FV data sheet: a one-byte 01h clears status register 2",
    opcodes=common.opcodes(OPCODES, common.registers_at((0x15,), (0x31, 0x11))),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("SR2", 0x35, writable=0x7B, otp=0x38),
        Register("SR3", 0x15, writable=0xE4, default=0x60),
    ),
    register_writes=MappingProxyType({**WRITES, **OLD_WRITES}),
    program=milliseconds(0.7, 3),
    wps=None,
    srp_otp=True,
    sfdp=tables.jesd216(8 * MIB),
)

W25Q64DW = replace(
    W25Q64FV,
    name="W25Q64DW",
    source="W25Q64DW data sheet (1.8 V)",
    id=bytes.fromhex("EF6017"),
    opcodes=OPCODES,
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("SR2", 0x35, writable=0x7B, otp=0x38),
    ),
    register_writes=OLD_WRITES,
    supply=(1.65, 1.95),
)

W25Q256FV = replace(
    W25Q256JV,
    name="W25Q256FV",
    source="W25Q256FV data sheet; E9h as the Linux kernel has it (winbond.c 6.12, "
    "winbond_nor_set_4byte_addr_mode: leaving 4-byte mode sets the extended address register to 1)",
    # No opcodes with four address bytes but the reads (winbond.c, w25q256_post_bfpt_fixups).
    opcodes=common.opcodes(
        OPCODES_JV,
        common.ENTER_EXIT_4,
        common.EXTENDED_ADDRESS,
        MappingProxyType({0x13: Op.READ_4, 0x0C: Op.FAST_READ_4}),
    ),
    erases=common.erases(milliseconds(45, 400), milliseconds(120, 1600), milliseconds(150, 2000)),
    exit_4_sets_bank=1,
    sfdp=tables.jesd216(32 * MIB, four_byte=1),
)

ALL = (W25Q64JV, W25Q128JV, W25Q256JV, W25Q256FV, W25Q64FV, W25Q64DW)
