"""SFDP images for the catalogue, in the shapes that vendors use.

The shapes are checked against tables read from real parts (see the unit tests); the figures in
them are those of each chip's data sheet.
"""

from __future__ import annotations

from collections.abc import Sequence

from hwmocks.nor.sfdp import (
    CHIP_UNITS,
    ERASE_UNITS,
    PAGE_UNITS,
    Basic,
    EraseTypeEntry,
    Extended,
    FastRead,
    Table,
    assemble,
    basic_table,
    coded,
    four_byte_table,
)

SECTOR = EraseTypeEntry(4096, 0x20)
HALF_BLOCK = EraseTypeEntry(32768, 0x52)
BLOCK = EraseTypeEntry(65536, 0xD8)
UNIFORM = (SECTOR, HALF_BLOCK, BLOCK)


def jesd216(
    size: int,
    *,
    vendor_id: int | None = None,
    four_byte: int = 0,
    types: Sequence[EraseTypeEntry] = UNIFORM,
) -> bytes:
    """JESD216 (2011): nine DWORDs at 30h and, with a JEP106 `vendor_id`, four DWORDs of the
    vendor's at 60h (supply range in millivolts, the rest unspecified)."""
    basic = Basic(
        size,
        types,
        four_byte=four_byte,
        read_144=FastRead(0xEB, 4, 2),
        read_114=FastRead(0x6B, 8),
        read_112=FastRead(0x3B, 8),
        read_122=FastRead(0xBB, 2, 2),
        unused_222=0xFF00,
    )
    tables = [basic_table(basic, None, offset=0x30, revision=(1, 0))]
    if vendor_id is not None:
        tables.append(supply_table(vendor_id, 0x60))
    return assemble((1, 0), tables)


def jesd216_dual(size: int, *, vendor_id: int) -> bytes:
    """JESD216 (2011) of a part without quad modes and without 32 KiB blocks (MX25L6406E)."""
    basic = Basic(
        size,
        (SECTOR, BLOCK),
        read_112=FastRead(0x3B, 8),
        unused_222=0xFF00,
        unused_444=0xFF00,
    )
    first = basic_table(basic, None, offset=0x30, revision=(1, 0))
    return assemble((1, 0), [first, supply_table(vendor_id, 0x60)])


def supply_table(vendor_id: int, offset: int) -> Table:
    """A vendor's table that says 2.7–3.6 V in its first DWORD."""
    body = bytes.fromhex("00360027") + b"\xff" * 12
    return Table(0xFF00 | vendor_id, (1, 0), offset, body)


def jesd216b(
    size: int,
    times: Sequence[float],
    *,
    page_program: float,
    chip_erase: float,
    quad_enable: int,
    offset: int = 0x80,
    four_byte: int = 0,
    enter_4: int = 0x80,
    exit_4: int = 0x3E0,
    four_byte_erases: Sequence[int] = (),
    four_byte_supported: int = 0,
) -> bytes:
    """JESD216B (2014): 16 DWORDs, and a 4-byte instruction table 50h further on where there
    are 4-byte erases. `times` are the typical seconds of 4, 32 and 64 KiB erases."""
    types = [
        EraseTypeEntry(entry.size, entry.opcode, coded(time, ERASE_UNITS))
        for entry, time in zip(UNIFORM, times, strict=True)
    ]
    basic = Basic(
        size,
        types,
        four_byte=four_byte,
        read_144=FastRead(0xEB, 4, 2),
        read_114=FastRead(0x6B, 8),
        read_112=FastRead(0x3B, 8),
        read_122=FastRead(0xBB, 2, 2),
        mode_flags=0xFFFFFFFE,
        unused_222=0,
        unused_erase=0,
    )
    extended = Extended(
        coded(page_program, PAGE_UNITS),
        coded(chip_erase, CHIP_UNITS),
        quad_enable,
        enter_4=enter_4,
        exit_4=exit_4,
    )
    minor = 6 if four_byte_erases else 5
    tables = [basic_table(basic, extended, offset=offset, revision=(1, minor))]
    if four_byte_erases:
        tables.append(four_byte_table(four_byte_supported, four_byte_erases, offset=offset + 0x50))
    return assemble((1, minor), tables)
