"""Block protection tables, row by row as the data sheets print them.

Each column is copied from the named data sheet's section on status register protection, all from
memory. Every row is held against the decoder, and where the bench has the chip the same bits are
written to it as well: it was written from the sheets by somebody else, so that a slip in a row
shows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.nor.identify import chip_table
from spiflash.nor.protection import protection
from spiflash.spans import Spans
from tests.nor_rig import NorRig

MIB = 1 << 20
Rows = list[tuple[int, Spans]]
"""(block protection bits, protected ranges)"""


def sheet(text: str, *, blocks: bool = False) -> list[Rows]:
    """The columns of a table. A line holds the bits (x: either value), then what they protect on
    each part: first and last address, both included, or first and last block of 64 KiB where
    `blocks`; a question mark where the sheet's row is not copied here."""
    lines = [line.split() for line in text.splitlines() if line.strip()]
    columns: list[Rows] = [[] for _ in lines[0][1:]]
    for pattern, *cells in lines:
        for rows, cell in zip(columns, cells, strict=True):
            if cell != "?":
                rows += [(bits, _ranges(cell, blocks)) for bits in each(pattern)]
    return columns


def _ranges(cell: str, blocks: bool) -> Spans:
    if cell == "none":
        return ()
    first, _, last = cell.partition("-")
    base, unit = (10, 0x10000) if blocks else (16, 1)
    return ((int(first, base) * unit, (int(last or first, base) + 1) * unit),)


def each(pattern: str) -> list[int]:
    """The numbers that a row with don't-care bits stands for."""
    if "x" not in pattern:
        return [int(pattern, 2)]
    return each(pattern.replace("x", "0", 1)) + each(pattern.replace("x", "1", 1))


# SEC, TB, BP2-BP0; CMP = 0, CMP = 1. W25Q64JV data sheet, "Status Register Memory Protection
# (WPS = 0, CMP = 0)" and "(WPS = 0, CMP = 1)"; the GD25Q64C prints the same with BP4 for SEC and
# BP3 for TB. Neither Winbond sheet lists SEC with BP 110.
W25Q64JV_CMP0, W25Q64JV_CMP1 = sheet("""
    xx000  none           000000-7FFFFF
    00001  7E0000-7FFFFF  000000-7DFFFF
    00010  7C0000-7FFFFF  000000-7BFFFF
    00011  780000-7FFFFF  000000-77FFFF
    00100  700000-7FFFFF  000000-6FFFFF
    00101  600000-7FFFFF  000000-5FFFFF
    00110  400000-7FFFFF  000000-3FFFFF
    01001  000000-01FFFF  020000-7FFFFF
    01010  000000-03FFFF  040000-7FFFFF
    01011  000000-07FFFF  080000-7FFFFF
    01100  000000-0FFFFF  100000-7FFFFF
    01101  000000-1FFFFF  200000-7FFFFF
    01110  000000-3FFFFF  400000-7FFFFF
    xx111  000000-7FFFFF  none
    10001  7FF000-7FFFFF  000000-7FEFFF
    10010  7FE000-7FFFFF  000000-7FDFFF
    10011  7FC000-7FFFFF  000000-7FBFFF
    1010x  7F8000-7FFFFF  000000-7F7FFF
    11001  000000-000FFF  001000-7FFFFF
    11010  000000-001FFF  002000-7FFFFF
    11011  000000-003FFF  004000-7FFFFF
    1110x  000000-007FFF  008000-7FFFFF
""")
# W25Q128FV data sheet, "Status Register Memory Protection (CMP = 0)" and "(CMP = 1)".
W25Q128FV_CMP0, W25Q128FV_CMP1 = sheet("""
    xx000  none           000000-FFFFFF
    00001  FC0000-FFFFFF  000000-FBFFFF
    00010  F80000-FFFFFF  000000-F7FFFF
    00011  F00000-FFFFFF  000000-EFFFFF
    00100  E00000-FFFFFF  000000-DFFFFF
    00101  C00000-FFFFFF  000000-BFFFFF
    00110  800000-FFFFFF  000000-7FFFFF
    01001  000000-03FFFF  040000-FFFFFF
    01010  000000-07FFFF  080000-FFFFFF
    01011  000000-0FFFFF  100000-FFFFFF
    01100  000000-1FFFFF  200000-FFFFFF
    01101  000000-3FFFFF  400000-FFFFFF
    01110  000000-7FFFFF  800000-FFFFFF
    xx111  000000-FFFFFF  none
    10001  FFF000-FFFFFF  000000-FFEFFF
    10010  FFE000-FFFFFF  000000-FFDFFF
    10011  FFC000-FFFFFF  000000-FFBFFF
    1010x  FF8000-FFFFFF  000000-FF7FFF
    11001  000000-000FFF  001000-FFFFFF
    11010  000000-001FFF  002000-FFFFFF
    11011  000000-003FFF  004000-FFFFFF
    1110x  000000-007FFF  008000-FFFFFF
""")
# TB, BP3-BP0; CMP = 0, CMP = 1. W25Q256JV data sheet, "Status Register Memory Protection (WPS = 0,
# CMP = 0)" and "(WPS = 0, CMP = 1)", of this the rows that tell something new.
W25Q256JV_CMP0, W25Q256JV_CMP1 = sheet("""
    x0000  none             000000-1FFFFFF
    00001  1FF0000-1FFFFFF  000000-1FEFFFF
    00010  1FE0000-1FFFFFF  ?
    00011  1FC0000-1FFFFFF  ?
    00100  1F80000-1FFFFFF  ?
    00101  1F00000-1FFFFFF  ?
    00110  1E00000-1FFFFFF  ?
    00111  1C00000-1FFFFFF  ?
    01000  1800000-1FFFFFF  ?
    01001  1000000-1FFFFFF  000000-FFFFFF
    10001  000000-00FFFF    010000-1FFFFFF
    10010  000000-01FFFF    ?
    10011  000000-03FFFF    ?
    10100  000000-07FFFF    ?
    10101  000000-0FFFFF    ?
    10110  000000-1FFFFF    ?
    10111  000000-3FFFFF    ?
    11000  000000-7FFFFF    ?
    11001  000000-FFFFFF    1000000-1FFFFFF
    x11xx  000000-1FFFFFF   none
    x101x  000000-1FFFFFF   none
""")
# SEC, TBPROT, BP2-BP0; CMP = 0, CMP = 1 (bit 6 of CR1). S25FL128L data sheet, "FL128L Upper Array
# Start of Protection (TBPROT = 0)", "… Lower Array …" and "… Sector …". With CMP = 1 it is the
# complement: both ends of the table and one between.
S25FL128L_CMP0, S25FL128L_CMP1 = sheet("""
    xx000  none           000000-FFFFFF
    00001  FC0000-FFFFFF  000000-FBFFFF
    00010  F80000-FFFFFF  ?
    00011  F00000-FFFFFF  ?
    00100  E00000-FFFFFF  ?
    00101  C00000-FFFFFF  ?
    00110  800000-FFFFFF  ?
    01001  000000-03FFFF  ?
    01010  000000-07FFFF  ?
    01011  000000-0FFFFF  ?
    01100  000000-1FFFFF  ?
    01101  000000-3FFFFF  ?
    01110  000000-7FFFFF  800000-FFFFFF
    xx111  000000-FFFFFF  none
    10001  FFF000-FFFFFF  000000-FFEFFF
    10010  FFE000-FFFFFF  ?
    10011  FFC000-FFFFFF  ?
    1010x  FF8000-FFFFFF  ?
    11001  000000-000FFF  ?
    11010  000000-001FFF  ?
    11011  000000-003FFF  004000-FFFFFF
    1110x  000000-007FFF  ?
""")
# TBPROT, BP3-BP0; CMP = 0, CMP = 1. S25FL256L data sheet, "FL256L Upper Array Start of Protection",
# then "Lower". Its SR1 is its own: TBPROT in bit 6 and BP3-BP0 in bits 5 to 2.
S25FL256L_CMP0, S25FL256L_CMP1 = sheet("""
    x0000  none             000000-1FFFFFF
    00001  1FF0000-1FFFFFF  000000-1FEFFFF
    00100  1F80000-1FFFFFF  ?
    01000  1800000-1FFFFFF  ?
    01001  1000000-1FFFFFF  ?
    10001  000000-00FFFF    ?
    10101  000000-0FFFFF    ?
    11001  000000-FFFFFF    1000000-1FFFFFF
    x11xx  000000-1FFFFFF   none
    x101x  000000-1FFFFFF   ?
""")
# TB, BP2-BP0. W25X64 data sheet, "Status Register Memory Protection", some rows.
(W25X64,) = sheet("""
    x000  none
    0001  7E0000-7FFFFF
    0110  400000-7FFFFF
    1001  000000-01FFFF
    1110  000000-3FFFFF
    x111  000000-7FFFFF
""")
# BP2-BP0; TBPROT = 0, TBPROT = 1. S25FL128S data sheet, "Upper Array Start of Protection (TBPROT =
# 0)" and lower: none, 1/64, 1/32 … 1/2, all.
S25FL128S_TOP, S25FL128S_BOTTOM = sheet("""
    000  none           none
    001  FC0000-FFFFFF  000000-03FFFF
    010  F80000-FFFFFF  000000-07FFFF
    011  F00000-FFFFFF  000000-0FFFFF
    100  E00000-FFFFFF  000000-1FFFFF
    101  C00000-FFFFFF  000000-3FFFFF
    110  800000-FFFFFF  000000-7FFFFF
    111  000000-FFFFFF  000000-FFFFFF
""")
# BP3-BP0, blocks of 64 KiB. MX25L6406E data sheet, "Protected Area Sizes", 64 Mb column;
# MX25L1605D, 16 Mb column of the same table; MX25L12805D; MX25L25635E.
MX25L6406E, MX25L1605D, MX25L12805D, MX25L25635E = sheet(
    """
    0000  none     none   none     none
    0001  126-127  31     254-255  511
    0010  124-127  30-31  252-255  510-511
    0011  120-127  28-31  248-255  508-511
    0100  112-127  24-31  240-255  504-511
    0101  96-127   16-31  224-255  496-511
    0110  64-127   0-31   192-255  480-511
    0111  0-127    0-31   128-255  448-511
    1000  0-127    0-31   0-255    384-511
    1001  0-63     0-31   0-255    256-511
    1010  0-95     0-15   0-255    0-511
    1011  0-111    0-23   0-255    0-511
    1100  0-119    0-27   0-255    0-511
    1101  0-123    0-29   0-255    0-511
    1110  0-125    0-30   0-255    0-511
    1111  0-127    0-31   0-255    0-511
""",
    blocks=True,
)
# BP3-BP0, blocks of 64 KiB. MX25L12835F data sheet, "Protected Area Sizes (TB bit = 0)" and
# "(TB bit = 1)". IS25LP128, "Block (64KByte) assignment by Block Protect (BP) Bits", TBS = 0 and 1,
# and N25Q128A, "Protected Area Sizes – Upper Area" (TB = 0) and "Lower Area", print the same.
MX25L12835F_TOP, MX25L12835F_BOTTOM = sheet(
    """
    0000  none     none
    0001  255      0
    0010  254-255  0-1
    0011  252-255  0-3
    0100  248-255  0-7
    0101  240-255  0-15
    0110  224-255  0-31
    0111  192-255  0-63
    1000  128-255  0-127
    1001  0-255    0-255
    101x  0-255    0-255
    11xx  0-255    0-255
""",
    blocks=True,
)
# BP2-BP0, blocks of 64 KiB. M25P64 and M25P16 data sheets, "Protected area sizes" (M25P16: one
# sector at least, and all from 110 on); SST25VF032B and SST25VF016B, "Software Status Register
# Block Protection".
M25P64, M25P16, SST25VF032B, SST25VF016B = sheet(
    """
    000  none     none   none   none
    001  126-127  31     63     31
    010  124-127  30-31  62-63  30-31
    011  120-127  28-31  60-63  28-31
    100  112-127  24-31  56-63  24-31
    101  96-127   16-31  48-63  16-31
    110  64-127   0-31   32-63  0-31
    111  0-127    0-31   0-63   0-31
""",
    blocks=True,
)
# BP1-BP0, sectors of 64 KiB. M25P20 data sheet.
(M25P20,) = sheet(
    """
    00  none
    01  3
    10  2-3
    11  0-3
""",
    blocks=True,
)


def low(bits: int) -> int:
    """The bits from bit 2 of SR1 on, as nearly everywhere."""
    return bits << 2


def micron(bits: int) -> int:
    """BP3 is bit 6, BP2-BP0 are 4 to 2 (N25Q128A data sheet, status register)."""
    return (bits & 7) << 2 | (bits & 8) << 3


def micron_bottom(bits: int) -> int:
    """The same with TB, bit 5."""
    return micron(bits) | 0x20


Case = tuple[str, str, int, Callable[[int], int], dict[str, int], Rows]
CASES: list[Case] = [
    # part (what the W25Q64JV prints stands for the GD25Q64C too), scheme, size, how its
    # bits lie in SR1, other registers, rows
    ("W25Q64JV", "bp3-tb-sec-cmp", 8 * MIB, low, {"SR2": 0, "SR3": 0}, W25Q64JV_CMP0),
    ("W25Q64JV-CMP", "bp3-tb-sec-cmp", 8 * MIB, low, {"SR2": 0x40, "SR3": 0}, W25Q64JV_CMP1),
    ("W25Q128FV", "bp3-tb-sec-cmp", 16 * MIB, low, {"SR2": 0, "SR3": 0}, W25Q128FV_CMP0),
    ("W25Q128FV-CMP", "bp3-tb-sec-cmp", 16 * MIB, low, {"SR2": 0x40, "SR3": 0}, W25Q128FV_CMP1),
    # The first generation has the same table and no CMP.
    ("W25Q64BV", "bp3-tb-sec", 8 * MIB, low, {}, W25Q64JV_CMP0),
    ("W25Q128BV", "bp3-tb-sec", 16 * MIB, low, {}, W25Q128FV_CMP0),
    ("W25Q256JV", "bp4-tb", 32 * MIB, low, {"SR2": 0, "SR3": 0}, W25Q256JV_CMP0),
    ("W25Q256JV-CMP", "bp4-tb", 32 * MIB, low, {"SR2": 0x40, "SR3": 0}, W25Q256JV_CMP1),
    ("S25FL128L", "bp-spansion-l", 16 * MIB, low, {"CR1": 0}, S25FL128L_CMP0),
    ("S25FL128L-CMP", "bp-spansion-l", 16 * MIB, low, {"CR1": 0x40}, S25FL128L_CMP1),
    ("S25FL256L", "bp4-spansion-l", 32 * MIB, low, {"CR1": 0}, S25FL256L_CMP0),
    ("S25FL256L-CMP", "bp4-spansion-l", 32 * MIB, low, {"CR1": 0x40}, S25FL256L_CMP1),
    # QUAD, bit 1 of CR1, says nothing of protection.
    ("S25FL128L-QUAD", "bp-spansion-l", 16 * MIB, low, {"CR1": 0x02}, S25FL128L_CMP0),
    ("S25FL128L-CMP-QUAD", "bp-spansion-l", 16 * MIB, low, {"CR1": 0x42}, S25FL128L_CMP1),
    ("S25FL256L-QUAD", "bp4-spansion-l", 32 * MIB, low, {"CR1": 0x02}, S25FL256L_CMP0),
    ("S25FL256L-CMP-QUAD", "bp4-spansion-l", 32 * MIB, low, {"CR1": 0x42}, S25FL256L_CMP1),
    ("MX25L6406E", "bp4", 8 * MIB, low, {}, MX25L6406E),
    ("MX25L1605D", "bp4", 2 * MIB, low, {}, MX25L1605D),
    ("MX25L12805D", "bp4", 16 * MIB, low, {}, MX25L12805D),
    ("MX25L25635E", "bp4", 32 * MIB, low, {}, MX25L25635E),
    ("MX25L12835F", "bp4-tb-cr", 16 * MIB, low, {"CR": 0x07}, MX25L12835F_TOP),
    ("MX25L12835F-TB", "bp4-tb-cr", 16 * MIB, low, {"CR": 0x0F}, MX25L12835F_BOTTOM),
    ("IS25LP128", "bp4-tb-issi", 16 * MIB, low, {"FR": 0x00}, MX25L12835F_TOP),
    ("IS25LP128-TBS", "bp4-tb-issi", 16 * MIB, low, {"FR": 0x02}, MX25L12835F_BOTTOM),
    ("N25Q128A", "bp-micron", 16 * MIB, micron, {}, MX25L12835F_TOP),
    ("N25Q128A-TB", "bp-micron", 16 * MIB, micron_bottom, {}, MX25L12835F_BOTTOM),
    ("S25FL128S", "bp-spansion", 16 * MIB, low, {"CR1": 0x00}, S25FL128S_TOP),
    ("S25FL128S-TBPROT", "bp-spansion", 16 * MIB, low, {"CR1": 0x20}, S25FL128S_BOTTOM),
    ("W25X64", "bp3-tb", 8 * MIB, low, {}, W25X64),
    ("M25P64", "bp3", 8 * MIB, low, {}, M25P64),
    ("M25P16", "bp3", 2 * MIB, low, {}, M25P16),
    ("M25P20", "bp2", MIB // 4, low, {}, M25P20),
    ("SST25VF032B", "sst-bp", 4 * MIB, low, {}, SST25VF032B),
    ("SST25VF016B", "sst-bp", 2 * MIB, low, {}, SST25VF016B),
]


def ranges(scheme: str, size: int, values: Mapping[str, int]) -> Spans:
    found = protection((scheme,), size, values)
    assert found.extent_known
    return found.ranges


@pytest.mark.parametrize(
    ("scheme", "size", "placed", "others", "rows"),
    [case[1:] for case in CASES],
    ids=[case[0] for case in CASES],
)
def test_the_bits_protect_what_the_data_sheet_prints(
    scheme: str, size: int, placed: Callable[[int], int], others: dict[str, int], rows: Rows
) -> None:
    for bits, expected in rows:
        assert ranges(scheme, size, {"SR1": placed(bits), **others}) == expected, f"{bits:05b}"


@pytest.mark.parametrize(
    ("rows", "count"),
    [
        (W25Q64JV_CMP0, 30),
        (W25Q64JV_CMP1, 30),
        (W25Q128FV_CMP0, 30),
        (W25Q128FV_CMP1, 30),
        (W25Q256JV_CMP0, 32),
        (S25FL128L_CMP0, 30),
        (S25FL128S_TOP, 8),
        (S25FL128S_BOTTOM, 8),
        (MX25L6406E, 16),
        (MX25L1605D, 16),
        (MX25L12805D, 16),
        (MX25L25635E, 16),
        (MX25L12835F_TOP, 16),
        (MX25L12835F_BOTTOM, 16),
        (M25P64, 8),
        (M25P16, 8),
        (M25P20, 4),
        (SST25VF032B, 8),
        (SST25VF016B, 8),
    ],
)
def test_a_table_that_is_copied_as_a_whole_has_every_value_of_its_bits_once(
    rows: Rows, count: int
) -> None:
    """All but SEC with BP 110: the Winbond sheets do not list it, and no row of the S25FL128L's is
    copied for it."""
    assert len(rows) == len(dict(rows)) == count


def test_gigadevice_lists_what_winbond_leaves_out() -> None:
    """GD25Q64C data sheet: BP4-BP0 = 1x110 is 32 KiB too (from memory)."""
    scheme, size = "bp3-tb-sec-cmp", 8 * MIB
    assert ranges(scheme, size, {"SR1": 0b1_0110 << 2, "SR2": 0}) == ((0x7F8000, 0x800000),)
    assert ranges(scheme, size, {"SR1": 0b1_1110 << 2, "SR2": 0}) == ((0, 0x8000),)


def test_the_scheme_follows_the_part() -> None:
    table = chip_table()
    named = {name: table.by_name(name)[0].protection for name in ("S25FL128L", "S25FL256L")}
    assert named == {"S25FL128L": "bp-spansion-l", "S25FL256L": "bp4-spansion-l"}


@pytest.mark.parametrize("status", range(0, 0x40, 4))
def test_eon_claims_only_what_all_revisions_share(status: int) -> None:
    """EN25Q64 and EN25QH64 data sheets: BP2-BP0 = 000 protects none and 111 all, whatever BP3."""
    found = protection(("bp-en",), 8 * MIB, {"SR1": status})
    bits = status >> 2 & 7
    assert found.extent_known == (bits in (0, 7))
    assert found.ranges == (((0, 8 * MIB),) if bits else ())


ON_THE_BENCH: list[tuple[str, str, str, Callable[[int], int], Rows]] = [
    # chip, scheme, what is written first (opcode and data), how its bits lie in SR1, rows
    ("W25Q64JV", "bp3-tb-sec-cmp", "3102", low, W25Q64JV_CMP0),
    ("W25Q64JV", "bp3-tb-sec-cmp", "3142", low, W25Q64JV_CMP1),
    ("GD25Q64C", "bp3-tb-sec-cmp", "3102", low, W25Q64JV_CMP0),
    ("GD25Q64C", "bp3-tb-sec-cmp", "3142", low, W25Q64JV_CMP1),
    ("W25Q128JV", "bp3-tb-sec-cmp", "3102", low, W25Q128FV_CMP0),
    ("W25Q128JV", "bp3-tb-sec-cmp", "3142", low, W25Q128FV_CMP1),
    ("W25Q256JV", "bp4-tb", "3102", low, W25Q256JV_CMP0),
    ("W25Q256JV", "bp4-tb", "3142", low, W25Q256JV_CMP1),
    ("MX25L6406E", "bp4", "0100", low, MX25L6406E),
    ("MX25L25635E", "bp4", "0100", low, MX25L25635E),
    ("MX25L12835F", "bp4-tb-cr", "010007", low, MX25L12835F_TOP),
    ("MX25L12835F", "bp4-tb-cr", "01000F", low, MX25L12835F_BOTTOM),
    ("IS25LP128", "bp4-tb-issi", "4200", low, MX25L12835F_TOP),
    ("IS25LP128", "bp4-tb-issi", "4202", low, MX25L12835F_BOTTOM),
    ("N25Q128A", "bp-micron", "0100", micron, MX25L12835F_TOP),
    ("S25FL128S", "bp-spansion", "0100", low, S25FL128S_TOP),
    ("SST25VF032B", "sst-bp", "0100", low, SST25VF032B),
]


@pytest.mark.parametrize(
    ("name", "scheme", "first", "placed", "rows"),
    ON_THE_BENCH,
    ids=[f"{name}-{first}" for name, _, first, *_ in ON_THE_BENCH],
)
def test_the_rows_set_on_a_simulated_chip(
    name: str, scheme: str, first: str, placed: Callable[[int], int], rows: Rows
) -> None:
    chip = NorChip(name)
    rig = NorRig(chip)
    rig.write(first)
    for bits, expected in rows:
        rig.write(bytes((0x01, placed(bits))))
        rig.status()
        assert chip.protected_ranges == expected, f"{bits:05b}"
        assert ranges(scheme, chip.description.size, dict(chip.registers)) == expected
