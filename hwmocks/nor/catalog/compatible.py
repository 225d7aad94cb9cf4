"""Vendors whose 64 Mbit parts follow the common three-status-register or two-status-register
layout."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

from hwmocks.nor.catalog import common, tables
from hwmocks.nor.catalog.common import BP3, BP4, MIB, milliseconds
from hwmocks.nor.catalog.gigadevice import GD25Q64C
from hwmocks.nor.catalog.winbond import LOCKS, OLD_WRITES, W25Q64FV, W25Q64JV
from hwmocks.nor.description import (
    Bit,
    ChipDescription,
    Erase,
    Op,
    Protection,
    Register,
    SecurityArea,
    Time,
)

XM25QH64C = replace(
    W25Q64JV,
    name="XM25QH64C",
    source="XMC XM25QH64C data sheet",
    id=bytes.fromhex("204017"),
    rems=bytes.fromhex("2016"),
    erases=common.erases(milliseconds(40, 400), milliseconds(120, 1000), milliseconds(200, 1500)),
    program=milliseconds(0.4, 3),
    chip_erase=Time(22, 100),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("SR2", 0x35, writable=0x7B, otp=0x38),
        Register("SR3", 0x15, writable=0xE4, default=0x60),
    ),
    sfdp=tables.jesd216b(
        8 * MIB,
        (40e-3, 0.12, 0.2),
        page_program=0.4e-3,
        chip_erase=22.0,
        quad_enable=4,
        offset=0x30,
    ),
)

ZB25VQ64 = replace(
    W25Q64FV,
    name="ZB25VQ64",
    source="Zbit ZB25VQ64 data sheet",
    id=bytes.fromhex("5E4017"),
    rems=bytes.fromhex("5E16"),
    erases=common.erases(milliseconds(60, 300), milliseconds(150, 1600), milliseconds(250, 2000)),
    program=milliseconds(0.6, 3),
    chip_erase=Time(25, 100),
    sfdp=tables.jesd216(8 * MIB, vendor_id=0x5E),
)

FM25Q64A = replace(
    W25Q64FV,
    name="FM25Q64A",
    source="FMSH FM25Q64A data sheet",
    id=bytes.fromhex("A14017"),
    rems=bytes.fromhex("A116"),
    registers=W25Q64FV.registers[:2],
    opcodes=common.opcodes(W25Q64FV.opcodes, without=(0x15, 0x31, 0x11)),
    register_writes=OLD_WRITES,
    erases=common.erases(milliseconds(70, 300), milliseconds(150, 1600), milliseconds(250, 2000)),
    sfdp=tables.jesd216(8 * MIB, vendor_id=0xA1),
)

BY25Q64AS = replace(
    GD25Q64C,
    name="BY25Q64AS",
    source="Boya BY25Q64AS data sheet: a one-byte 01h clears status register 2",
    id=bytes.fromhex("684017"),
    rems=bytes.fromhex("6816"),
    opcodes=common.opcodes(GD25Q64C.opcodes, without=(0x15, 0x31, 0x11)),
    erases=common.erases(milliseconds(60, 300), milliseconds(150, 800), milliseconds(250, 1200)),
    registers=GD25Q64C.registers[:2],
    register_writes=OLD_WRITES,
    sus=(Bit("SR2", 7), Bit("SR2", 7)),
    unique_id_length=8,
    security=SecurityArea((0x1000, 0x2000, 0x3000), 512, LOCKS),
    sfdp=tables.jesd216(8 * MIB, vendor_id=0x68),
)

XT25F64B = replace(
    BY25Q64AS,
    name="XT25F64B",
    source="XTX XT25F64B data sheet: a one-byte 01h clears status register 2",
    id=bytes.fromhex("0B4017"),
    rems=bytes.fromhex("0B16"),
    erases=common.erases(milliseconds(80, 400), milliseconds(200, 1000), milliseconds(300, 1500)),
    program=milliseconds(0.5, 2.4),
    unique_id_length=16,
    sfdp=tables.jesd216(8 * MIB, vendor_id=0x0B),
)

EN25QH64 = ChipDescription(
    name="EN25QH64",
    source="EON EN25QH64 data sheet",
    id=bytes.fromhex("1C7017"),
    legacy_id=0x16,
    rems=bytes.fromhex("1C16"),
    size=8 * MIB,
    opcodes=common.opcodes(
        common.BASIC,
        common.BLOCK_32K,
        common.IDS,
        common.POWER_DOWN,
        common.SFDP,
        common.RESET,
        MappingProxyType({0xB0: Op.SUSPEND, 0x30: Op.RESUME}),
    ),
    erases=common.erases(milliseconds(50, 300), milliseconds(200, 1000), milliseconds(300, 2000)),
    program=milliseconds(0.8, 5),
    chip_erase=Time(30, 80),
    registers=(Register("SR1", 0x05, writable=0xFC),),
    register_writes=common.SR1_ALONE,
    protection=Protection.EON,
    bp=BP4,
    srp0=Bit("SR1", 7),
    qe=Bit("SR1", 6),  # WPDIS: takes WP# its meaning
    unique_id_length=12,
    unique_id_in_sfdp=0x80,
    sfdp=tables.jesd216(8 * MIB, vendor_id=0x1C),
)

ZD25Q128C = replace(
    W25Q64FV,
    name="ZD25Q128C",
    source="Zetta ZD25Q128C, a copy of the W25Q128: its SFDP 1.0 gives 2 MiB (winbond.c of the "
    "Linux kernel 6.12, w25q128_post_bfpt_fixups); everything else as W25Q64FV",
    id=bytes.fromhex("EF4018"),
    legacy_id=0x17,
    rems=bytes.fromhex("EF17"),
    size=16 * MIB,
    opcodes=common.opcodes(W25Q64FV.opcodes, without=(0x4B,)),
    unique_id_length=0,
    chip_erase=Time(40, 200),
    sfdp=tables.jesd216(2 * MIB),
)

F25L32PA = ChipDescription(
    name="F25L32PA",
    source="ESMT F25L32PA data sheet; BP bits volatile and set at power-up as the "
    "Linux kernel has it (esmt.c 6.12, SPI_NOR_SWP_IS_VOLATILE)",
    id=bytes.fromhex("8C2016"),
    legacy_id=0x15,
    rems=bytes.fromhex("8C15"),
    size=4 * MIB,
    opcodes=common.opcodes(common.BASIC, common.IDS, common.POWER_DOWN),
    erases=common.erases(milliseconds(90, 300), None, milliseconds(1000, 2000)),
    program=milliseconds(1.5, 5),
    chip_erase=Time(30, 60),
    registers=(Register("SR1", 0x05, writable=0x9C, volatile=0x1C, default=0x1C),),
    register_writes=common.SR1_ALONE,
    protection=Protection.FRACTION,
    bp=BP3,
    srp0=Bit("SR1", 7),
)

QB25F640S33 = replace(
    F25L32PA,
    name="QB25F640S33",
    source="Intel S33 data sheet; BP bits volatile and set at power-up as the Linux "
    "kernel has it (intel.c 6.12, SPI_NOR_SWP_IS_VOLATILE)",
    id=bytes.fromhex("898913"),
    legacy_id=None,
    rems=b"",
    size=8 * MIB,
    opcodes=common.opcodes(common.BASIC, common.POWER_DOWN, without=(0x20,)),
    erases=MappingProxyType({0xD8: Erase(65536, milliseconds(1000, 2000))}),
    chip_erase=Time(60, 120),
)

ALL = (
    ZD25Q128C,
    F25L32PA,
    QB25F640S33,
    XM25QH64C,
    ZB25VQ64,
    FM25Q64A,
    BY25Q64AS,
    XT25F64B,
    EN25QH64,
)
