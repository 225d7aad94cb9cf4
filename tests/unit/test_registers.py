"""Block protection, row by row as the data sheets print it.

Each table is copied from the named data sheet's section on status register protection, all from
memory. Ranges are (first, last) as the sheets print them, both included.
"""

from __future__ import annotations

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.nor.protection import Protection, protection
from spiflash.nor.registers import REGISTERS, documented
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


# -- what is not fully known -------------------------------------------------------------------


def test_an_unknown_scheme_counts_as_a_whole() -> None:
    for scheme in ("unknown", "made-up"):
        assert protection((scheme,), 8 * MIB, {"SR1": 0x00}) == Protection()
        for bit in (2, 3, 4, 5):
            found = protection((scheme,), 8 * MIB, {"SR1": 1 << bit})
            assert found.ranges == ((0, 8 * MIB),)
            assert not found.extent_known


def test_chips_without_protection_bits() -> None:
    assert protection(("none",), MIB, {"SR1": 0xFF}) == Protection()


@pytest.mark.parametrize(
    ("status", "some", "known"),
    [(0x00, False, True), (0x10, False, True), (0x04, True, False), (0x1C, True, True)],
)
def test_sector_locks_reported_as_a_sum(status: int, some: bool, known: bool) -> None:
    """AT25DF321 data sheet, status register byte 1 (from memory): SWP in bits 3:2, 00 none,
    01 some, 11 all sectors locked; bit 4 shows the level of WP# and bit 5 an error."""
    found = protection(("global-unlock",), 4 * MIB, {"SR1": status})
    assert found.overlaps(0, 4 * MIB) == some
    assert found.extent_known == known


@pytest.mark.parametrize("scheme", [*sorted(set(REGISTERS) - {"sst-block"}), "bp3-tb", "unknown"])
def test_the_lock_of_the_register_itself(scheme: str) -> None:
    """SRP, SRWD or BPL is bit 7 in all of these data sheets."""
    values = dict.fromkeys(("SR2", "SR3", "CR", "CR1", "FR"), 0)
    assert protection((scheme,), 8 * MIB, {"SR1": 0x80, **values}).register_locked
    assert not protection((scheme,), 8 * MIB, {"SR1": 0x7F, **values}).register_locked


def test_overlap_is_half_open() -> None:
    found = Protection(((0x1000, 0x2000),))
    assert found.overlaps(0x1FFF, 0x2000)
    assert not found.overlaps(0x2000, 0x3000)
    assert not found.overlaps(0x0000, 0x1000)
    assert found.overlaps(0x0000, 0x1001)


def test_a_chip_that_may_be_one_of_two() -> None:
    """MX25L6406E or MX25L6433F: both top (MIRRORED or TB=0) and bottom (TB=1) must count."""
    schemes = ("bp4", "bp4-tb-cr")
    assert [register.name for register in documented(schemes)] == ["SR1", "SCUR"]
    found = protection(schemes, 8 * MIB, {"SR1": 1 << 2, "SCUR": 0})
    assert not found.extent_known
    assert found.ranges == ((0, 0x10000), (0x7E0000, 0x800000))
    assert protection(schemes, 8 * MIB, {"SR1": 0, "SCUR": 0}).ranges == ()


def test_an_unread_complement_bit_counts_as_everything() -> None:
    schemes = ("bp3-tb", "bp3-tb-sec-cmp")
    found = protection(schemes, 8 * MIB, {"SR1": 1 << 2})
    assert found.ranges == ((0, 8 * MIB),)
    assert not found.extent_known


def test_35h_is_never_read_where_it_means_something_else() -> None:
    """On Macronix parts 35h enables QPI (MX25L12835F data sheet, from memory)."""
    for scheme in ("bp4", "bp4-tb-cr"):
        assert 0x35 not in [register.opcode for register in REGISTERS[scheme]]
    both = documented(("bp4-tb-cr", "bp3-tb-sec-cmp"))
    assert [register.opcode for register in both] == [0x05]


# -- against the simulated chips, which were written from the sheets by somebody else -----------


@pytest.mark.parametrize(
    ("chip", "scheme"),
    [
        ("W25Q64JV", "bp3-tb-sec-cmp"),
        ("W25Q128JV", "bp3-tb-sec-cmp"),
        ("GD25Q64C", "bp3-tb-sec-cmp"),
        ("W25Q256JV", "bp4-tb"),
        ("MX25L6406E", "bp4"),
        ("MX25L25635E", "bp4"),
        ("MX25L12835F", "bp4-tb-cr"),
        ("N25Q128A", "bp-micron"),
        ("S25FL128S", "bp-spansion"),
        ("IS25LP128", "bp4-tb-issi"),
    ],
)
def test_the_simulated_chips_protect_the_same(chip: str, scheme: str) -> None:
    for value in range(0, 0x80, 4):
        for second in (0x00, 0x40) if "sec-cmp" in scheme or scheme == "bp4-tb" else (0,):
            simulated = NorChip(chip)
            rig = NorRig(simulated)
            if second:
                rig.write(bytes((0x31, second)))
            rig.write(bytes((0x01, value)))
            rig.status()
            values = dict.fromkeys(("CR", "CR1", "FR"), 0) | dict(simulated.registers)
            found = protection((scheme,), simulated.description.size, values)
            assert found.ranges == simulated.protected_ranges, f"{value:#x} {second:#x}"
