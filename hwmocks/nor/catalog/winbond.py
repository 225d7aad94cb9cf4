"""Winbond W25Q. Figures from memory of the data sheets named at each chip; SFDP tables built
from the JESD216B field definitions with those figures."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from hwmocks.nor.catalog import common
from hwmocks.nor.catalog.common import MIB, milliseconds
from hwmocks.nor.description import (
    Bit,
    ChipDescription,
    Protection,
    Register,
    RegisterWrite,
    SecurityArea,
    Time,
)

LOCKS = (Bit("SR2", 3), Bit("SR2", 4), Bit("SR2", 5))
SECURITY = SecurityArea((0x1000, 0x2000, 0x3000), 256, LOCKS)
BP3 = (Bit("SR1", 2), Bit("SR1", 3), Bit("SR1", 4))
SUS = (Bit("SR2", 7), Bit("SR2", 7))
WRITES: Mapping[int, RegisterWrite] = MappingProxyType(
    {
        0x01: RegisterWrite(("SR1", "SR2")),
        0x31: RegisterWrite(("SR2",)),
        0x11: RegisterWrite(("SR3",)),
    }
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
)
OPCODES_JV = common.opcodes(
    OPCODES, common.BLOCK_LOCKS, common.registers_at((0x35, 0x15), (0x31, 0x11))
)
ERASES = common.erases(milliseconds(45, 400), milliseconds(120, 1600), milliseconds(150, 2000))

W25Q64JV = ChipDescription(
    name="W25Q64JV",
    source="W25Q64JV data sheet (order code IQ), from memory",
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
)

ALL = (W25Q64JV,)
