"""Block protection tables, row by row as the data sheets print them.

Each table is copied from the named data sheet's section on status register protection, all from
memory. Ranges are (first, last) as the sheets print them, both included. Every row is held
against the decoder, and where the bench has the chip the same bits are written to it as well: it
was written from the sheets by somebody else, so that a slip in a row shows.
"""

from __future__ import annotations

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.nor.protection import protection
from spiflash.nor.tables import chip_table
from tests.nor_rig import NorRig

MIB = 1 << 20
NONE: tuple[int, int] | None = None


def ranges(scheme: str, size: int, **values: int) -> tuple[tuple[int, int], ...]:
    found = protection((scheme,), size, values)
    assert found.extent_known
    return found.ranges


def printed(*rows: tuple[int, int] | None) -> tuple[tuple[int, int], ...]:
    return tuple((first, last + 1) for row in rows if row for first, last in (row,))


# SEC, TB, BP2-BP0 → protected addresses. W25Q64JV data sheet, "Status Register Memory Protection
# (WPS = 0, CMP = 0)"; the GD25Q64C prints the same with BP4 for SEC and BP3 for TB.
W25Q64JV_CMP0 = [
    ("xx000", NONE),
    ("00001", (0x7E0000, 0x7FFFFF)),
    ("00010", (0x7C0000, 0x7FFFFF)),
    ("00011", (0x780000, 0x7FFFFF)),
    ("00100", (0x700000, 0x7FFFFF)),
    ("00101", (0x600000, 0x7FFFFF)),
    ("00110", (0x400000, 0x7FFFFF)),
    ("01001", (0x000000, 0x01FFFF)),
    ("01010", (0x000000, 0x03FFFF)),
    ("01011", (0x000000, 0x07FFFF)),
    ("01100", (0x000000, 0x0FFFFF)),
    ("01101", (0x000000, 0x1FFFFF)),
    ("01110", (0x000000, 0x3FFFFF)),
    ("xx111", (0x000000, 0x7FFFFF)),
    ("10001", (0x7FF000, 0x7FFFFF)),
    ("10010", (0x7FE000, 0x7FFFFF)),
    ("10011", (0x7FC000, 0x7FFFFF)),
    ("1010x", (0x7F8000, 0x7FFFFF)),
    ("11001", (0x000000, 0x000FFF)),
    ("11010", (0x000000, 0x001FFF)),
    ("11011", (0x000000, 0x003FFF)),
    ("1110x", (0x000000, 0x007FFF)),
]
# The same sheet, "(WPS = 0, CMP = 1)".
W25Q64JV_CMP1 = [
    ("xx000", (0x000000, 0x7FFFFF)),
    ("00001", (0x000000, 0x7DFFFF)),
    ("00010", (0x000000, 0x7BFFFF)),
    ("00011", (0x000000, 0x77FFFF)),
    ("00100", (0x000000, 0x6FFFFF)),
    ("00101", (0x000000, 0x5FFFFF)),
    ("00110", (0x000000, 0x3FFFFF)),
    ("01001", (0x020000, 0x7FFFFF)),
    ("01010", (0x040000, 0x7FFFFF)),
    ("01011", (0x080000, 0x7FFFFF)),
    ("01100", (0x100000, 0x7FFFFF)),
    ("01101", (0x200000, 0x7FFFFF)),
    ("01110", (0x400000, 0x7FFFFF)),
    ("xx111", NONE),
    ("10001", (0x000000, 0x7FEFFF)),
    ("10010", (0x000000, 0x7FDFFF)),
    ("10011", (0x000000, 0x7FBFFF)),
    ("1010x", (0x000000, 0x7F7FFF)),
    ("11001", (0x001000, 0x7FFFFF)),
    ("11010", (0x002000, 0x7FFFFF)),
    ("11011", (0x004000, 0x7FFFFF)),
    ("1110x", (0x008000, 0x7FFFFF)),
]
# W25Q128FV data sheet, "Status Register Memory Protection (CMP = 0)".
W25Q128FV_CMP0 = [
    ("xx000", NONE),
    ("00001", (0xFC0000, 0xFFFFFF)),
    ("00010", (0xF80000, 0xFFFFFF)),
    ("00011", (0xF00000, 0xFFFFFF)),
    ("00100", (0xE00000, 0xFFFFFF)),
    ("00101", (0xC00000, 0xFFFFFF)),
    ("00110", (0x800000, 0xFFFFFF)),
    ("01001", (0x000000, 0x03FFFF)),
    ("01010", (0x000000, 0x07FFFF)),
    ("01011", (0x000000, 0x0FFFFF)),
    ("01100", (0x000000, 0x1FFFFF)),
    ("01101", (0x000000, 0x3FFFFF)),
    ("01110", (0x000000, 0x7FFFFF)),
    ("xx111", (0x000000, 0xFFFFFF)),
    ("10001", (0xFFF000, 0xFFFFFF)),
    ("10010", (0xFFE000, 0xFFFFFF)),
    ("10011", (0xFFC000, 0xFFFFFF)),
    ("1010x", (0xFF8000, 0xFFFFFF)),
    ("11001", (0x000000, 0x000FFF)),
    ("11010", (0x000000, 0x001FFF)),
    ("11011", (0x000000, 0x003FFF)),
    ("1110x", (0x000000, 0x007FFF)),
]
# The same sheet, "(CMP = 1)".
W25Q128FV_CMP1 = [
    ("xx000", (0x000000, 0xFFFFFF)),
    ("00001", (0x000000, 0xFBFFFF)),
    ("00010", (0x000000, 0xF7FFFF)),
    ("00011", (0x000000, 0xEFFFFF)),
    ("00100", (0x000000, 0xDFFFFF)),
    ("00101", (0x000000, 0xBFFFFF)),
    ("00110", (0x000000, 0x7FFFFF)),
    ("01001", (0x040000, 0xFFFFFF)),
    ("01010", (0x080000, 0xFFFFFF)),
    ("01011", (0x100000, 0xFFFFFF)),
    ("01100", (0x200000, 0xFFFFFF)),
    ("01101", (0x400000, 0xFFFFFF)),
    ("01110", (0x800000, 0xFFFFFF)),
    ("xx111", NONE),
    ("10001", (0x000000, 0xFFEFFF)),
    ("10010", (0x000000, 0xFFDFFF)),
    ("10011", (0x000000, 0xFFBFFF)),
    ("1010x", (0x000000, 0xFF7FFF)),
    ("11001", (0x001000, 0xFFFFFF)),
    ("11010", (0x002000, 0xFFFFFF)),
    ("11011", (0x004000, 0xFFFFFF)),
    ("1110x", (0x008000, 0xFFFFFF)),
]


def each(pattern: str) -> list[int]:
    """The numbers that a row with don't-care bits stands for."""
    if "x" not in pattern:
        return [int(pattern, 2)]
    return each(pattern.replace("x", "0", 1)) + each(pattern.replace("x", "1", 1))


@pytest.mark.parametrize(
    ("size", "cmp", "rows"),
    [
        (8 * MIB, 0, W25Q64JV_CMP0),
        (8 * MIB, 1, W25Q64JV_CMP1),
        (16 * MIB, 0, W25Q128FV_CMP0),
        (16 * MIB, 1, W25Q128FV_CMP1),
    ],
    ids=["W25Q64JV/GD25Q64C", "W25Q64JV/GD25Q64C CMP", "W25Q128FV", "W25Q128FV CMP"],
)
def test_winbond_and_gigadevice_to_128_mbit(
    size: int, cmp: int, rows: list[tuple[str, tuple[int, int] | None]]
) -> None:
    checked = set()
    for pattern, row in rows:
        for bits in each(pattern):
            status = bits << 2  # SEC is bit 6, TB 5, BP2-BP0 4 to 2
            found = ranges("bp3-tb-sec-cmp", size, SR1=status, SR2=cmp << 6, SR3=0)
            assert found == printed(row), pattern
            checked.add(bits)
            if not cmp:
                # The first generation (W25Q64BV) has the same table and no CMP.
                assert ranges("bp3-tb-sec", size, SR1=status) == printed(row)
    assert len(checked) == 30, "all but SEC with BP 110, which the Winbond sheets do not list"


def test_gigadevice_lists_what_winbond_leaves_out() -> None:
    """GD25Q64C data sheet: BP4-BP0 = 1x110 is 32 KiB too (from memory)."""
    assert ranges("bp3-tb-sec-cmp", 8 * MIB, SR1=0b1_0110 << 2, SR2=0) == ((0x7F8000, 0x800000),)
    assert ranges("bp3-tb-sec-cmp", 8 * MIB, SR1=0b1_1110 << 2, SR2=0) == ((0, 0x8000),)


# TB, BP3-BP0. W25Q256JV data sheet, "Status Register Memory Protection (WPS = 0, CMP = 0)".
W25Q256JV = [
    ("x0000", NONE),
    ("00001", (0x01FF0000, 0x01FFFFFF)),
    ("00010", (0x01FE0000, 0x01FFFFFF)),
    ("00011", (0x01FC0000, 0x01FFFFFF)),
    ("00100", (0x01F80000, 0x01FFFFFF)),
    ("00101", (0x01F00000, 0x01FFFFFF)),
    ("00110", (0x01E00000, 0x01FFFFFF)),
    ("00111", (0x01C00000, 0x01FFFFFF)),
    ("01000", (0x01800000, 0x01FFFFFF)),
    ("01001", (0x01000000, 0x01FFFFFF)),
    ("10001", (0x00000000, 0x0000FFFF)),
    ("10010", (0x00000000, 0x0001FFFF)),
    ("10011", (0x00000000, 0x0003FFFF)),
    ("10100", (0x00000000, 0x0007FFFF)),
    ("10101", (0x00000000, 0x000FFFFF)),
    ("10110", (0x00000000, 0x001FFFFF)),
    ("10111", (0x00000000, 0x003FFFFF)),
    ("11000", (0x00000000, 0x007FFFFF)),
    ("11001", (0x00000000, 0x00FFFFFF)),
    ("x11xx", (0x00000000, 0x01FFFFFF)),
    ("x101x", (0x00000000, 0x01FFFFFF)),
]
# The same sheet, "(WPS = 0, CMP = 1)", the rows that tell something new.
W25Q256JV_CMP1 = [
    ("x0000", (0x00000000, 0x01FFFFFF)),
    ("00001", (0x00000000, 0x01FEFFFF)),
    ("01001", (0x00000000, 0x00FFFFFF)),
    ("10001", (0x00010000, 0x01FFFFFF)),
    ("11001", (0x01000000, 0x01FFFFFF)),
    ("x11xx", NONE),
    ("x101x", NONE),
]


@pytest.mark.parametrize(("cmp", "rows"), [(0, W25Q256JV), (1, W25Q256JV_CMP1)])
def test_w25q256jv(cmp: int, rows: list[tuple[str, tuple[int, int] | None]]) -> None:
    for pattern, row in rows:
        for bits in each(pattern):  # TB is bit 6, BP3-BP0 5 to 2
            found = ranges("bp4-tb", 32 * MIB, SR1=bits << 2, SR2=cmp << 6, SR3=0)
            assert found == printed(row), pattern


# SEC, TBPROT, BP2-BP0. S25FL128L data sheet, "FL128L Upper Array Start of Protection (TBPROT = 0)",
# "… Lower Array …" and "… Sector …", CMP = 0. The S25FL256L has SR1 of its own: TBPROT in bit 6 and
# BP3-BP0 in bits 5 to 2.
S25FL128L_CMP0 = [
    ("xx000", NONE),
    ("00001", (0xFC0000, 0xFFFFFF)),
    ("00010", (0xF80000, 0xFFFFFF)),
    ("00011", (0xF00000, 0xFFFFFF)),
    ("00100", (0xE00000, 0xFFFFFF)),
    ("00101", (0xC00000, 0xFFFFFF)),
    ("00110", (0x800000, 0xFFFFFF)),
    ("01001", (0x000000, 0x03FFFF)),
    ("01010", (0x000000, 0x07FFFF)),
    ("01011", (0x000000, 0x0FFFFF)),
    ("01100", (0x000000, 0x1FFFFF)),
    ("01101", (0x000000, 0x3FFFFF)),
    ("01110", (0x000000, 0x7FFFFF)),
    ("xx111", (0x000000, 0xFFFFFF)),
    ("10001", (0xFFF000, 0xFFFFFF)),
    ("10010", (0xFFE000, 0xFFFFFF)),
    ("10011", (0xFFC000, 0xFFFFFF)),
    ("1010x", (0xFF8000, 0xFFFFFF)),
    ("11001", (0x000000, 0x000FFF)),
    ("11010", (0x000000, 0x001FFF)),
    ("11011", (0x000000, 0x003FFF)),
    ("1110x", (0x000000, 0x007FFF)),
]
# The same sheet, CMP = 1 (bit 6 of CR1): the complement; both ends of the table and one between.
S25FL128L_CMP1 = [
    ("xx000", (0x000000, 0xFFFFFF)),
    ("00001", (0x000000, 0xFBFFFF)),
    ("01110", (0x800000, 0xFFFFFF)),
    ("10001", (0x000000, 0xFFEFFF)),
    ("11011", (0x004000, 0xFFFFFF)),
    ("xx111", NONE),
]
# TBPROT, BP3-BP0. S25FL256L data sheet, "FL256L Upper Array Start of Protection", then "Lower",
# CMP = 0.
S25FL256L_CMP0 = [
    ("x0000", NONE),
    ("00001", (0x01FF0000, 0x01FFFFFF)),
    ("00100", (0x01F80000, 0x01FFFFFF)),
    ("01000", (0x01800000, 0x01FFFFFF)),
    ("01001", (0x01000000, 0x01FFFFFF)),
    ("10001", (0x00000000, 0x0000FFFF)),
    ("10101", (0x00000000, 0x000FFFFF)),
    ("11001", (0x00000000, 0x00FFFFFF)),
    ("x11xx", (0x00000000, 0x01FFFFFF)),
    ("x101x", (0x00000000, 0x01FFFFFF)),
]
S25FL256L_CMP1 = [
    ("x0000", (0x00000000, 0x01FFFFFF)),
    ("00001", (0x00000000, 0x01FEFFFF)),
    ("11001", (0x01000000, 0x01FFFFFF)),
    ("x11xx", NONE),
]


@pytest.mark.parametrize(
    ("scheme", "size", "cmp", "rows"),
    [
        ("bp-spansion-l", 16 * MIB, 0, S25FL128L_CMP0),
        ("bp-spansion-l", 16 * MIB, 1, S25FL128L_CMP1),
        ("bp4-spansion-l", 32 * MIB, 0, S25FL256L_CMP0),
        ("bp4-spansion-l", 32 * MIB, 1, S25FL256L_CMP1),
    ],
    ids=["S25FL128L", "S25FL128L-CMP", "S25FL256L", "S25FL256L-CMP"],
)
def test_s25fl_l(
    scheme: str, size: int, cmp: int, rows: list[tuple[str, tuple[int, int] | None]]
) -> None:
    for pattern, row in rows:
        for bits in each(pattern):
            # QUAD, bit 1 of CR1, says nothing of protection.
            for quad in (0x00, 0x02):
                found = ranges(scheme, size, SR1=bits << 2, CR1=cmp << 6 | quad)
                assert found == printed(row), pattern


def test_the_scheme_follows_the_part() -> None:
    table = chip_table()
    named = {name: table.by_name(name)[0].protection for name in ("S25FL128L", "S25FL256L")}
    assert named == {"S25FL128L": "bp-spansion-l", "S25FL256L": "bp4-spansion-l"}


# BP3-BP0, blocks of 64 KiB. MX25L6406E data sheet, "Protected Area Sizes", 64 Mb column.
MX25L6406E = [
    ("0000", NONE),
    ("0001", (126, 127)),
    ("0010", (124, 127)),
    ("0011", (120, 127)),
    ("0100", (112, 127)),
    ("0101", (96, 127)),
    ("0110", (64, 127)),
    ("0111", (0, 127)),
    ("1000", (0, 127)),
    ("1001", (0, 63)),
    ("1010", (0, 95)),
    ("1011", (0, 111)),
    ("1100", (0, 119)),
    ("1101", (0, 123)),
    ("1110", (0, 125)),
    ("1111", (0, 127)),
]
# MX25L1605D data sheet, 16 Mb column of the same table.
MX25L1605D = [
    ("0000", NONE),
    ("0001", (31, 31)),
    ("0010", (30, 31)),
    ("0011", (28, 31)),
    ("0100", (24, 31)),
    ("0101", (16, 31)),
    ("0110", (0, 31)),
    ("0111", (0, 31)),
    ("1000", (0, 31)),
    ("1001", (0, 31)),
    ("1010", (0, 15)),
    ("1011", (0, 23)),
    ("1100", (0, 27)),
    ("1101", (0, 29)),
    ("1110", (0, 30)),
    ("1111", (0, 31)),
]
# MX25L25635E data sheet, "Protected Area Sizes".
MX25L25635E = [
    ("0000", NONE),
    ("0001", (511, 511)),
    ("0010", (510, 511)),
    ("0011", (508, 511)),
    ("0100", (504, 511)),
    ("0101", (496, 511)),
    ("0110", (480, 511)),
    ("0111", (448, 511)),
    ("1000", (384, 511)),
    ("1001", (256, 511)),
    ("101x", (0, 511)),
    ("11xx", (0, 511)),
]
# MX25L12805D data sheet, "Protected Area Sizes".
MX25L12805D = [
    ("0000", NONE),
    ("0001", (254, 255)),
    ("0010", (252, 255)),
    ("0011", (248, 255)),
    ("0100", (240, 255)),
    ("0101", (224, 255)),
    ("0110", (192, 255)),
    ("0111", (128, 255)),
    ("1xxx", (0, 255)),
]
# MX25L12835F data sheet, "Protected Area Sizes (TB bit = 0)" and "(TB bit = 1)".
MX25L12835F_TOP = [
    ("0000", NONE),
    ("0001", (255, 255)),
    ("0010", (254, 255)),
    ("0011", (252, 255)),
    ("0100", (248, 255)),
    ("0101", (240, 255)),
    ("0110", (224, 255)),
    ("0111", (192, 255)),
    ("1000", (128, 255)),
    ("1001", (0, 255)),
    ("101x", (0, 255)),
    ("11xx", (0, 255)),
]
MX25L12835F_BOTTOM = [
    ("0000", NONE),
    ("0001", (0, 0)),
    ("0010", (0, 1)),
    ("0011", (0, 3)),
    ("0100", (0, 7)),
    ("0101", (0, 15)),
    ("0110", (0, 31)),
    ("0111", (0, 63)),
    ("1000", (0, 127)),
    ("1001", (0, 255)),
    ("101x", (0, 255)),
    ("11xx", (0, 255)),
]
# IS25LP128 data sheet, "Block (64KByte) assignment by Block Protect (BP) Bits", TBS = 0 and 1:
# the same blocks as above.
IS25LP128_TOP, IS25LP128_BOTTOM = MX25L12835F_TOP, MX25L12835F_BOTTOM
# N25Q128A data sheet, "Protected Area Sizes – Upper Area" (TB = 0) and "Lower Area", BP3-BP0:
# sectors of 64 KiB, the same again.
N25Q128A_TOP, N25Q128A_BOTTOM = MX25L12835F_TOP, MX25L12835F_BOTTOM


def blocks(row: tuple[int, int] | None) -> tuple[tuple[int, int], ...]:
    return printed(row and (row[0] << 16, (row[1] << 16) + 0xFFFF))


def micron_bits(bp: int) -> int:
    """BP3 is bit 6, BP2-BP0 are 4 to 2 (N25Q128A data sheet, status register)."""
    return (bp & 7) << 2 | (bp & 8) << 3


@pytest.mark.parametrize(
    ("scheme", "size", "others", "rows"),
    [
        ("bp4", 8 * MIB, {}, MX25L6406E),
        ("bp4", 2 * MIB, {}, MX25L1605D),
        ("bp4", 16 * MIB, {}, MX25L12805D),
        ("bp4", 32 * MIB, {}, MX25L25635E),
        ("bp4-tb-cr", 16 * MIB, {"CR": 0x07}, MX25L12835F_TOP),
        ("bp4-tb-cr", 16 * MIB, {"CR": 0x0F}, MX25L12835F_BOTTOM),
        ("bp4-tb-issi", 16 * MIB, {"FR": 0x00}, IS25LP128_TOP),
        ("bp4-tb-issi", 16 * MIB, {"FR": 0x02}, IS25LP128_BOTTOM),
    ],
    ids=[
        "MX25L6406E",
        "MX25L1605D",
        "MX25L12805D",
        "MX25L25635E",
        "MX25L12835F",
        "MX25L12835F TB",
        "IS25LP128",
        "IS25LP128 TBS",
    ],
)
def test_four_bp_bits_in_bits_5_to_2(
    scheme: str, size: int, others: dict[str, int], rows: list[tuple[str, tuple[int, int] | None]]
) -> None:
    checked = set()
    for pattern, row in rows:
        for bits in each(pattern):
            assert ranges(scheme, size, SR1=bits << 2, **others) == blocks(row), pattern
            checked.add(bits)
    assert checked == set(range(16))


@pytest.mark.parametrize(("tb", "rows"), [(0, N25Q128A_TOP), (1, N25Q128A_BOTTOM)])
def test_n25q128a(tb: int, rows: list[tuple[str, tuple[int, int] | None]]) -> None:
    for pattern, row in rows:
        for bits in each(pattern):
            status = micron_bits(bits) | tb << 5
            assert ranges("bp-micron", 16 * MIB, SR1=status) == blocks(row), pattern


# S25FL128S data sheet, "Upper Array Start of Protection (TBPROT = 0)" and lower: fractions.
@pytest.mark.parametrize(
    ("bp", "kib"),
    [(0, 0), (1, 256), (2, 512), (3, 1024), (4, 2048), (5, 4096), (6, 8192), (7, 16384)],
)
def test_s25fl128s(bp: int, kib: int) -> None:
    top = ranges("bp-spansion", 16 * MIB, SR1=bp << 2, CR1=0x00)
    bottom = ranges("bp-spansion", 16 * MIB, SR1=bp << 2, CR1=0x20)
    assert top == (((16 * MIB - kib * 1024, 16 * MIB),) if bp else ())
    assert bottom == (((0, kib * 1024),) if bp else ())


# W25X64 data sheet, "Status Register Memory Protection": TB, BP2-BP0.
@pytest.mark.parametrize(
    ("pattern", "row"),
    [
        ("x000", NONE),
        ("0001", (0x7E0000, 0x7FFFFF)),
        ("0110", (0x400000, 0x7FFFFF)),
        ("1001", (0x000000, 0x01FFFF)),
        ("1110", (0x000000, 0x3FFFFF)),
        ("x111", (0x000000, 0x7FFFFF)),
    ],
)
def test_w25x64(pattern: str, row: tuple[int, int] | None) -> None:
    for bits in each(pattern):
        assert ranges("bp3-tb", 8 * MIB, SR1=bits << 2) == printed(row)


# M25P64 data sheet, "Protected area sizes": BP2-BP0, sectors of 64 KiB.
M25P64 = [
    ("000", NONE),
    ("001", (126, 127)),
    ("010", (124, 127)),
    ("011", (120, 127)),
    ("100", (112, 127)),
    ("101", (96, 127)),
    ("110", (64, 127)),
    ("111", (0, 127)),
]
# M25P16 data sheet, the same table: one sector at least, and all from 110 on.
M25P16 = [
    ("000", NONE),
    ("001", (31, 31)),
    ("010", (30, 31)),
    ("011", (28, 31)),
    ("100", (24, 31)),
    ("101", (16, 31)),
    ("11x", (0, 31)),
]
# M25P20 data sheet: BP1-BP0, four sectors.
M25P20 = [("00", NONE), ("01", (3, 3)), ("10", (2, 3)), ("11", (0, 3))]
# SST25VF032B data sheet, "Software Status Register Block Protection": BP2-BP0.
SST25VF032B = [
    ("000", NONE),
    ("001", (63, 63)),
    ("010", (62, 63)),
    ("011", (60, 63)),
    ("100", (56, 63)),
    ("101", (48, 63)),
    ("110", (32, 63)),
    ("111", (0, 63)),
]
# SST25VF016B data sheet, the same table.
SST25VF016B = [
    ("000", NONE),
    ("001", (31, 31)),
    ("010", (30, 31)),
    ("011", (28, 31)),
    ("100", (24, 31)),
    ("101", (16, 31)),
    ("11x", (0, 31)),
]


@pytest.mark.parametrize(
    ("scheme", "size", "rows"),
    [
        ("bp3", 8 * MIB, M25P64),
        ("bp3", 2 * MIB, M25P16),
        ("bp2", MIB // 4, M25P20),
        ("sst-bp", 4 * MIB, SST25VF032B),
        ("sst-bp", 2 * MIB, SST25VF016B),
    ],
    ids=["M25P64", "M25P16", "M25P20", "SST25VF032B", "SST25VF016B"],
)
def test_bits_from_the_top(
    scheme: str, size: int, rows: list[tuple[str, tuple[int, int] | None]]
) -> None:
    for pattern, row in rows:
        for bits in each(pattern):
            assert ranges(scheme, size, SR1=bits << 2) == blocks(row), pattern


@pytest.mark.parametrize("status", range(0, 0x40, 4))
def test_eon_claims_only_what_all_revisions_share(status: int) -> None:
    """EN25Q64 and EN25QH64 data sheets: BP2-BP0 = 000 protects none and 111 all, whatever BP3."""
    found = protection(("bp-en",), 8 * MIB, {"SR1": status})
    bits = status >> 2 & 7
    assert found.extent_known == (bits in (0, 7))
    assert found.ranges == (((0, 8 * MIB),) if bits else ())


# -- the same rows on the bench's chips --------------------------------------------------------


def micron(rows: list[tuple[str, tuple[int, int] | None]]) -> list[tuple[int, object]]:
    return [(micron_bits(bits), blocks(row)) for pattern, row in rows for bits in each(pattern)]


def shifted(
    rows: list[tuple[str, tuple[int, int] | None]], *, of_blocks: bool
) -> list[tuple[int, object]]:
    return [
        (bits << 2, blocks(row) if of_blocks else printed(row))
        for pattern, row in rows
        for bits in each(pattern)
    ]


S25FL128S_TOP = [
    (bp << 2, ((16 * MIB - (128 * 1024 << bp), 16 * MIB),) if bp else ()) for bp in range(8)
]

ON_THE_BENCH = [
    # chip, scheme, what is written first (opcode and data), rows as (SR1, ranges)
    ("W25Q64JV", "bp3-tb-sec-cmp", "3102", shifted(W25Q64JV_CMP0, of_blocks=False)),
    ("W25Q64JV", "bp3-tb-sec-cmp", "3142", shifted(W25Q64JV_CMP1, of_blocks=False)),
    ("GD25Q64C", "bp3-tb-sec-cmp", "3102", shifted(W25Q64JV_CMP0, of_blocks=False)),
    ("GD25Q64C", "bp3-tb-sec-cmp", "3142", shifted(W25Q64JV_CMP1, of_blocks=False)),
    ("W25Q128JV", "bp3-tb-sec-cmp", "3102", shifted(W25Q128FV_CMP0, of_blocks=False)),
    ("W25Q128JV", "bp3-tb-sec-cmp", "3142", shifted(W25Q128FV_CMP1, of_blocks=False)),
    ("W25Q256JV", "bp4-tb", "3102", shifted(W25Q256JV, of_blocks=False)),
    ("W25Q256JV", "bp4-tb", "3142", shifted(W25Q256JV_CMP1, of_blocks=False)),
    ("MX25L6406E", "bp4", "0100", shifted(MX25L6406E, of_blocks=True)),
    ("MX25L25635E", "bp4", "0100", shifted(MX25L25635E, of_blocks=True)),
    ("MX25L12835F", "bp4-tb-cr", "010007", shifted(MX25L12835F_TOP, of_blocks=True)),
    ("MX25L12835F", "bp4-tb-cr", "01000F", shifted(MX25L12835F_BOTTOM, of_blocks=True)),
    ("IS25LP128", "bp4-tb-issi", "4200", shifted(IS25LP128_TOP, of_blocks=True)),
    ("IS25LP128", "bp4-tb-issi", "4202", shifted(IS25LP128_BOTTOM, of_blocks=True)),
    ("N25Q128A", "bp-micron", "0100", micron(N25Q128A_TOP)),
    ("S25FL128S", "bp-spansion", "0100", S25FL128S_TOP),
    ("SST25VF032B", "sst-bp", "0100", shifted(SST25VF032B, of_blocks=True)),
]


@pytest.mark.parametrize(
    ("name", "scheme", "first", "rows"),
    ON_THE_BENCH,
    ids=[f"{name}-{first}" for name, _, first, _ in ON_THE_BENCH],
)
def test_the_rows_set_on_a_simulated_chip(
    name: str, scheme: str, first: str, rows: list[tuple[int, tuple[tuple[int, int], ...]]]
) -> None:
    chip = NorChip(name)
    rig = NorRig(chip)
    rig.write(first)
    for status, expected in rows:
        rig.write(bytes((0x01, status)))
        rig.status()
        assert chip.protected_ranges == expected, f"SR1 {status:#04x}"
        found = protection((scheme,), chip.description.size, dict(chip.registers))
        assert found.ranges == expected, f"SR1 {status:#04x}"
        assert found.extent_known
