"""Chips that follow no common layout: ISSI, Micron and SST."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

from hwmocks.nor.catalog import common, tables
from hwmocks.nor.catalog.common import BP3, BP4, KIB, MIB, milliseconds
from hwmocks.nor.description import (
    Bit,
    ChipDescription,
    Erase,
    Op,
    Protection,
    Register,
    RegisterWrite,
    SecurityArea,
    Time,
)

IS25LP128 = ChipDescription(
    name="IS25LP128",
    source="ISSI IS25LP128 data sheet",
    id=bytes.fromhex("9D6018"),
    legacy_id=0x17,
    rems=bytes.fromhex("9D17"),
    size=16 * MIB,
    opcodes=common.opcodes(
        common.BASIC,
        common.BLOCK_32K,
        common.IDS,
        common.POWER_DOWN,
        common.SFDP,
        common.RESET,
        common.SUSPEND,
        common.UNIQUE_ID,
        # 48h and 42h, security register opcodes elsewhere, are the function register here.
        common.registers_at((0x48,), (0x42,)),
        MappingProxyType(
            {
                0xD7: Op.ERASE,
                0xB0: Op.SUSPEND,
                0x30: Op.RESUME,
                0x68: Op.READ_SECURITY,
                0x62: Op.PROGRAM_SECURITY,
                0x64: Op.ERASE_SECURITY,
            }
        ),
    ),
    erases=MappingProxyType(
        {
            **common.erases(milliseconds(70, 300), milliseconds(130, 500), milliseconds(200, 1000)),
            0xD7: Erase(4 * KIB, milliseconds(70, 300)),
        }
    ),
    program=milliseconds(0.2, 0.8),
    chip_erase=Time(30, 90),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("FR", 0x48, writable=0xF2, otp=0xF2),
    ),
    register_writes=MappingProxyType({0x01: RegisterWrite(("SR1",)), 0x42: RegisterWrite(("FR",))}),
    register_time=milliseconds(2, 15),
    protection=Protection.DOUBLING,
    bp=BP4,
    tb=Bit("FR", 1),
    srp0=Bit("SR1", 7),
    qe=Bit("SR1", 6),
    sus=(Bit("FR", 3), Bit("FR", 2)),
    unique_id_length=16,
    security=SecurityArea(
        (0x0000, 0x1000, 0x2000, 0x3000),
        256,
        (Bit("FR", 4), Bit("FR", 5), Bit("FR", 6), Bit("FR", 7)),
    ),
    sfdp=tables.jesd216b(
        16 * MIB,
        (70e-3, 0.13, 0.2),
        page_program=0.2e-3,
        chip_erase=30.0,
        quad_enable=2,
        offset=0x30,
    ),
)

N25Q128A = ChipDescription(
    name="N25Q128A",
    source="Micron N25Q128A (3 V) data sheet",
    # Fourteen bytes of factory data follow 10h; this bench gives them fixed values.
    id=bytes.fromhex("20BA18 100000") + bytes(range(0x40, 0x4E)),
    size=16 * MIB,
    opcodes=common.opcodes(
        common.BASIC,
        common.SFDP,
        common.RESET,
        common.SUSPEND,
        common.registers_at((0x70, 0x85, 0x65), (0x81, 0x61)),
        MappingProxyType(
            {
                0x9E: Op.READ_ID,
                # 50h, volatile write enable elsewhere, clears the flag status register.
                0x50: Op.CLEAR_FLAGS,
                # 4Bh, unique ID elsewhere, reads the one-time-programmable area.
                0x4B: Op.READ_SECURITY,
                0x42: Op.PROGRAM_SECURITY,
            }
        ),
        without=(0x60,),
    ),
    erases=common.erases(milliseconds(250, 800), None, milliseconds(700, 3000)),
    program=milliseconds(0.5, 5),
    chip_erase=Time(170, 250),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("FSR", 0x70),
        Register("VCR", 0x85, writable=0xFB, volatile=0xFF, default=0xFB),
        Register("EVCR", 0x65, writable=0xDF, volatile=0xFF, default=0xDF),
    ),
    register_writes=MappingProxyType(
        {
            0x01: RegisterWrite(("SR1",)),
            0x81: RegisterWrite(("VCR",), volatile=True),
            0x61: RegisterWrite(("EVCR",), volatile=True),
        }
    ),
    register_time=milliseconds(1.3, 8),
    protection=Protection.DOUBLING,
    bp=(*BP3, Bit("SR1", 6)),
    tb=Bit("SR1", 5),
    srp0=Bit("SR1", 7),
    sus=(Bit("FSR", 6), Bit("FSR", 2)),
    flag_register="FSR",
    error_bits=(Bit("FSR", 5), Bit("FSR", 4)),
    security=SecurityArea((0,), 64, one_time=True),
    # 20h and D8h only: 52h erases 32 KiB on the N25Q064A and the MT25Q, not here.
    sfdp=tables.jesd216(16 * MIB, types=(tables.SECTOR, tables.BLOCK)),
)

N25Q064A11 = replace(
    N25Q128A,
    name="N25Q064A11",
    source="Micron N25Q064A (1.8 V) data sheet; BP3 in bit 6 as the Linux kernel has "
    "it (micron-st.c 6.12, n25q064a)",
    id=bytes.fromhex("20BB17 100000") + bytes(range(0x40, 0x4E)),
    size=8 * MIB,
    chip_erase=Time(60, 120),
    sfdp=tables.jesd216(8 * MIB, types=(tables.SECTOR, tables.BLOCK)),
    supply=(1.7, 2.0),
)

SST25VF032B = ChipDescription(
    name="SST25VF032B",
    source="SST25VF032B data sheet",
    id=bytes.fromhex("BF254A"),
    rems=bytes.fromhex("BF4A"),
    size=4 * MIB,
    opcodes=common.opcodes(
        common.BASIC,
        common.BLOCK_32K,
        MappingProxyType(
            {
                0xAD: Op.PROGRAM_AAI,
                0x50: Op.VOLATILE_WRITE_ENABLE,  # EWSR; all writable bits are volatile
                0x90: Op.READ_REMS,
                0xAB: Op.READ_REMS,
            }
        ),
    ),
    erases=common.erases(milliseconds(18, 25), milliseconds(18, 25), milliseconds(18, 25)),
    program=Time(7e-6, 10e-6),
    chip_erase=milliseconds(35, 50),
    program_bytes=1,
    # Power-up sets BP2–BP0: everything is locked until 01h clears them.
    registers=(Register("SR1", 0x05, writable=0xBC, volatile=0xFF, default=0x1C),),
    register_writes=common.SR1_ALONE,
    register_time=Time(7e-6, 10e-6),
    protection=Protection.FRACTION,
    bp=BP3,
    srp0=Bit("SR1", 7),
    power_up_delay=100e-6,
)

IS25LP256D = replace(
    IS25LP128,
    name="IS25LP256D",
    source="ISSI IS25LP256D data sheet: B7h enters, 29h leaves 4-byte mode, bit 7 of "
    "the bank register shows it; its SFDP lists the bank register as the only exit, as the table "
    "of an IS25WP256 posted to the linux-mtd list does",
    id=bytes.fromhex("9D6019"),
    legacy_id=0x18,
    rems=bytes.fromhex("9D18"),
    size=32 * MIB,
    opcodes=common.opcodes(
        IS25LP128.opcodes,
        common.FOUR_BYTE,
        common.FOUR_BYTE_32K,
        common.registers_at((0x16,), (0x17,)),
        MappingProxyType({0xB7: Op.ENTER_4, 0x29: Op.EXIT_4}),
    ),
    erases=MappingProxyType(
        {
            **common.erases(
                milliseconds(112, 300),
                milliseconds(144, 500),
                milliseconds(176, 1000),
                four_byte=(0x21, 0x5C, 0xDC),
            ),
            0xD7: Erase(4 * KIB, milliseconds(112, 300)),
        }
    ),
    registers=(*IS25LP128.registers, Register("BAR", 0x16, writable=0x80, volatile=0xFF)),
    register_writes=MappingProxyType(
        {**IS25LP128.register_writes, 0x17: RegisterWrite(("BAR",), volatile=True)}
    ),
    ads=Bit("BAR", 7),
    bank_extadd=Bit("BAR", 7),
    chip_erase=Time(70, 180),
    sfdp=tables.jesd216b(
        32 * MIB,
        (112e-3, 0.144, 0.176),
        page_program=0.2e-3,
        chip_erase=70.0,
        quad_enable=2,
        offset=0x30,
        enter_4=0x29,
        exit_4=0x3A0 | 0x08,
        four_byte_erases=(0x21, 0x5C, 0xDC),
        four_byte_supported=0xFFF00EFF,
    ),
)

ALL = (IS25LP128, IS25LP256D, N25Q128A, N25Q064A11, SST25VF032B)
