"""Macronix MX25L."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

from hwmocks.nor.catalog import common, tables
from hwmocks.nor.catalog.common import BP4, MIB, milliseconds
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
    Table,
    assemble,
    basic_table,
    four_byte_table,
)

SCUR = Register("SCUR", 0x2B, writable=0x02, otp=0x02)
SCUR_LOCK = (Bit("SCUR", 1),)
SUSPEND = MappingProxyType({0xB0: Op.SUSPEND, 0x30: Op.RESUME})
OPCODES = common.opcodes(common.BASIC, common.IDS, common.POWER_DOWN, common.SFDP, common.SECURED)

MX25L6406E = ChipDescription(
    name="MX25L6406E",
    source="MX25L6406E data sheet; shape of the SFDP table as posted for MX25L1606E",
    id=bytes.fromhex("C22017"),
    legacy_id=0x16,
    rems=bytes.fromhex("C216"),
    size=8 * MIB,
    opcodes=OPCODES,
    erases=common.erases(milliseconds(60, 300), None, milliseconds(700, 2000)),
    program=milliseconds(1.4, 5),
    chip_erase=Time(50, 80),
    registers=(Register("SR1", 0x05, writable=0xBC), SCUR),
    register_writes=common.SR1_ALONE,
    register_time=milliseconds(40, 100),
    protection=Protection.MIRRORED,
    bp=BP4,
    srp0=Bit("SR1", 7),
    security=SecurityArea((0,), 64, SCUR_LOCK, entered=True, one_time=True),
    sfdp=tables.jesd216_dual(8 * MIB, vendor_id=0xC2),
)

MX25L12835F = replace(
    MX25L6406E,
    name="MX25L12835F",
    source="MX25L12835F data sheet",
    id=bytes.fromhex("C22018"),
    legacy_id=0x17,
    rems=bytes.fromhex("C217"),
    size=16 * MIB,
    opcodes=common.opcodes(
        OPCODES, common.BLOCK_32K, common.RESET, SUSPEND, common.registers_at((0x15,))
    ),
    erases=common.erases(milliseconds(30, 200), milliseconds(150, 1000), milliseconds(280, 2000)),
    program=milliseconds(0.5, 1.5),
    chip_erase=Time(75, 200),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("CR", 0x15, writable=0xCF, otp=0x08, default=0x07),
        SCUR,
    ),
    register_writes=MappingProxyType({0x01: RegisterWrite(("SR1", "CR"))}),
    protection=Protection.DOUBLING,
    tb=Bit("CR", 3),
    qe=Bit("SR1", 6),
    sus=(Bit("SCUR", 3), Bit("SCUR", 2)),
    error_bits=(Bit("SCUR", 6), Bit("SCUR", 5)),
    has_hold=False,
    has_reset=True,
    security=SecurityArea((0,), 512, SCUR_LOCK, entered=True, one_time=True),
    sfdp=tables.jesd216(16 * MIB, vendor_id=0xC2),
)

MX25L25635E = replace(
    MX25L6406E,
    name="MX25L25635E",
    source="MX25L25635E data sheet: no opcodes with 4-byte addresses of their own",
    id=bytes.fromhex("C22019"),
    legacy_id=0x18,
    rems=bytes.fromhex("C218"),
    size=32 * MIB,
    opcodes=common.opcodes(OPCODES, common.BLOCK_32K, common.ENTER_EXIT_4),
    erases=common.erases(milliseconds(60, 300), milliseconds(500, 2000), milliseconds(700, 2000)),
    chip_erase=Time(160, 400),
    registers=(Register("SR1", 0x05, writable=0xFC), SCUR),
    protection=Protection.DOUBLING,
    qe=Bit("SR1", 6),
    ads=Bit("SCUR", 2),
    has_hold=False,
    security=SecurityArea((0,), 512, SCUR_LOCK, entered=True, one_time=True),
    sfdp=tables.jesd216(32 * MIB, vendor_id=0xC2, four_byte=1),
)

# Read from a real part and posted to the linux-mtd list; rebuilt here field by field.
_MX25L25645G_SFDP = assemble(
    (1, 6),
    [
        basic_table(
            Basic(
                32 * MIB,
                (
                    EraseTypeEntry(4096, 0x20, Coded(30, 0)),
                    EraseTypeEntry(32768, 0x52, Coded(12, 1)),
                    EraseTypeEntry(65536, 0xD8, Coded(24, 1)),
                ),
                four_byte=1,
                dtr=True,
                read_144=FastRead(0xEB, 4, 2),
                read_114=FastRead(0x6B, 8),
                read_112=FastRead(0x3B, 8),
                read_122=FastRead(0xBB, 4),
                read_444=FastRead(0xEB, 4, 2),
                mode_flags=0xFFFFFFFE,
                unused_222=0xFF00,
            ),
            Extended(
                Coded(32, 0),
                Coded(28, 2),
                quad_enable=2,
                byte_first=(14, 0),
                byte_next=(0, 0),
                suspend_timing=0x38670344,
                suspend_opcodes=0xB030B030,
                deep_power_down=0x5CD5BDF7,
                quad_mode=0xFF099E4A,
                volatile_status=0x70,
                soft_reset=0x10,
                exit_4=0x3E5,
                enter_4=0x85,
            ),
            offset=0x30,
            revision=(1, 6),
        ),
        Table(0xFFC2, (1, 0), 0x110, bytes.fromhex("003600279df9c06485cbffffffffffff")),
        four_byte_table(0xFFFF8F7F, (0x21, 0x5C, 0xDC), offset=0xC0),
    ],
)

MX25L25645G = replace(
    MX25L12835F,
    name="MX25L25645G",
    source="MX25L25645G data sheet; SFDP as posted to linux-mtd",
    id=bytes.fromhex("C22019"),
    legacy_id=0x18,
    rems=bytes.fromhex("C218"),
    size=32 * MIB,
    opcodes=common.opcodes(
        MX25L12835F.opcodes,
        common.ENTER_EXIT_4,
        common.EXTENDED_ADDRESS,
        common.FOUR_BYTE,
        common.FOUR_BYTE_32K,
    ),
    erases=common.erases(
        milliseconds(30, 400),
        milliseconds(180, 1000),
        milliseconds(380, 2000),
        four_byte=(0x21, 0x5C, 0xDC),
    ),
    program=milliseconds(0.25, 0.75),
    chip_erase=Time(110, 300),
    registers=(
        *MX25L12835F.registers,
        Register("EAR", 0xC8, writable=0x01, volatile=0xFF),
    ),
    register_writes=MappingProxyType(
        {
            0x01: RegisterWrite(("SR1", "CR")),
            0xC5: RegisterWrite(("EAR",), volatile=True),
        }
    ),
    ads=Bit("CR", 5),
    bank=("EAR", 0x01),
    sfdp=_MX25L25645G_SFDP,
)

ALL = (MX25L6406E, MX25L12835F, MX25L25635E, MX25L25645G)
