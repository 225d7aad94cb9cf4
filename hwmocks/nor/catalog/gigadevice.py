"""GigaDevice GD25Q, whose 64 Mbit part is laid out like a W25Q64FV."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from hwmocks.nor.catalog import common, tables
from hwmocks.nor.catalog.common import BP4, MIB, milliseconds
from hwmocks.nor.catalog.winbond import LOCKS, W25Q64FV
from hwmocks.nor.description import (
    Bit,
    Protection,
    Register,
    RegisterWrite,
    SecurityArea,
    Time,
)

# A one-byte 01h leaves the second register alone; two bytes are refused.
WRITES: Mapping[int, RegisterWrite] = MappingProxyType(
    {
        0x01: RegisterWrite(("SR1",)),
        0x31: RegisterWrite(("SR2",)),
        0x11: RegisterWrite(("SR3",)),
    }
)

GD25Q64C = replace(
    W25Q64FV,
    name="GD25Q64C",
    source="GD25Q64C data sheet",
    id=bytes.fromhex("C84017"),
    rems=bytes.fromhex("C816"),
    erases=common.erases(milliseconds(50, 400), milliseconds(150, 800), milliseconds(250, 1200)),
    program=milliseconds(0.6, 2.4),
    chip_erase=Time(25, 60),
    # BP3 and BP4 of this sheet are what Winbond calls TB and SEC; what SR3 holds is its own.
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("SR2", 0x35, writable=0x7B, otp=0x38),
        Register("SR3", 0x15, writable=0xE0, default=0x20),
    ),
    register_writes=WRITES,
    register_time=milliseconds(5, 30),
    # One bit for erases, one for programs.
    sus=(Bit("SR2", 7), Bit("SR2", 2)),
    unique_id_length=16,
    security=SecurityArea((0x1000, 0x2000, 0x3000), 1024, LOCKS),
    sfdp=tables.jesd216(8 * MIB, vendor_id=0xC8),
)

GD25Q128C = replace(
    GD25Q64C,
    name="GD25Q128C",
    source="GD25Q128C data sheet",
    id=bytes.fromhex("C84018"),
    legacy_id=0x17,
    rems=bytes.fromhex("C817"),
    size=16 * MIB,
    erases=common.erases(milliseconds(50, 400), milliseconds(200, 800), milliseconds(300, 1200)),
    chip_erase=Time(60, 120),
    security=SecurityArea((0x1000, 0x2000, 0x3000), 512, LOCKS),
    sfdp=tables.jesd216(16 * MIB, vendor_id=0xC8),
)

GD25Q256C = replace(
    GD25Q128C,
    name="GD25Q256C",
    source="GD25Q256C data sheet; QE in bit 6 of SR1 and SFDP 1.0 as the Linux kernel "
    "has it (gigadevice.c 6.12, gd25q256_post_bfpt)",
    id=bytes.fromhex("C84019"),
    legacy_id=0x18,
    rems=bytes.fromhex("C818"),
    size=32 * MIB,
    opcodes=common.opcodes(
        GD25Q64C.opcodes,
        common.ENTER_EXIT_4,
        common.EXTENDED_ADDRESS,
        common.FOUR_BYTE,
        common.FOUR_BYTE_32K,
        # One status register only.
        without=(0x35, 0x15, 0x31, 0x11),
    ),
    erases=common.erases(
        milliseconds(50, 400),
        milliseconds(200, 800),
        milliseconds(300, 1200),
        four_byte=(0x21, 0x5C, 0xDC),
    ),
    chip_erase=Time(120, 280),
    registers=(
        Register("SR1", 0x05, writable=0xFC),
        Register("EAR", 0xC8, writable=0x01, volatile=0xFF),
    ),
    register_writes=MappingProxyType(
        {0x01: RegisterWrite(("SR1",)), 0xC5: RegisterWrite(("EAR",), volatile=True)}
    ),
    protection=Protection.DOUBLING,
    bp=BP4,
    tb=None,
    sec=None,
    cmp=None,
    srp1=None,
    srp_otp=False,
    sus=None,
    qe=Bit("SR1", 6),
    bank=("EAR", 0x01),
    security=SecurityArea((0x1000, 0x2000, 0x3000), 1024),
    sfdp=tables.jesd216(32 * MIB, vendor_id=0xC8, four_byte=1),
)

ALL = (GD25Q64C, GD25Q128C, GD25Q256C)
