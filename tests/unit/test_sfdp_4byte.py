"""4-byte address instructions and modes (JESD216F section 6.6 and 16th DWORD, from memory)."""

from __future__ import annotations

import pytest

from chipdb.part import FourByte
from spiflash.nor.sfdp.derived import four_byte_methods, quad_enable, to_geometry
from tests.unit.sfdp_tables import ONES, TYPES_64K, chip

SUPPORT = {
    0: 0x13, 1: 0x0C, 2: 0x3C, 3: 0xBC, 4: 0x6C, 5: 0xEC, 6: 0x12, 7: 0x34, 8: 0x3E,
    13: 0x0E, 14: 0xBE, 15: 0xEE, 16: 0xE0, 17: 0xE1, 18: 0xE2, 19: 0xE3,
    20: 0x7C, 21: 0xCC, 22: 0xFD, 23: 0x84, 24: 0x8E,
}  # fmt: skip


@pytest.mark.parametrize(("bit", "opcode"), SUPPORT.items())
def test_4_byte_instruction_bits(bit: int, opcode: int) -> None:
    table = chip(32 << 20, TYPES_64K, (0xFF84, (1 << bit, ONES))).four_byte
    assert table is not None
    assert [code for _, code in table.instructions] == [opcode]
    assert table.supports(opcode)
    assert not table.supports(opcode ^ 1)
    assert table.erases == (None, None, None, None)


def test_4_byte_erase_opcodes() -> None:
    support = 1 << 9 | 1 << 11 | 1 << 12
    table = chip(32 << 20, TYPES_64K, (0xFF84, (support, 0xFFDC5C21))).four_byte
    assert table is not None
    assert table.erases == (0x21, None, 0xDC, None)
    geometry = to_geometry(chip(32 << 20, TYPES_64K, (0xFF84, (support, 0xFFDC5C21))))
    assert [(t.opcode, t.opcode_4byte) for t in geometry.erase_types] == [
        (0x20, 0x21),
        (0x52, None),
        (0xD8, 0xDC),
    ]


@pytest.mark.parametrize("words", [(0, 0), (ONES, ONES), (0x1234,)])
def test_blank_4_byte_table_counts_as_none(words: tuple[int, ...]) -> None:
    sfdp = chip(32 << 20, TYPES_64K, (0xFF84, words))
    assert sfdp.four_byte is None
    assert any("4-byte address instruction table" in note for note in sfdp.anomalies)


TAIL = (0x11111111, 0x00000082, ONES, ONES, ONES)


@pytest.mark.parametrize(
    ("first", "enter", "support", "methods"),
    [
        (0xFFF320E5, 0b00000001, 0, (FourByte.ENTER,)),
        (0xFFF320E5, 0b00000010, 0, (FourByte.ENTER_WREN,)),
        (0xFFF320E5, 0b00000101, 0, (FourByte.ENTER, FourByte.EXTENDED_REGISTER)),
        (0xFFF320E5, 0b00001000, 0, (FourByte.BANK_REGISTER,)),
        (0xFFF320E5, 0b00100001, 0x41, (FourByte.OPCODES, FourByte.ENTER)),
        (0xFFF320E5, 0b00100000, 0x01, ()),  # a read opcode alone is of no use
        (0xFFF520E5, 0b00000000, 0, (FourByte.ALWAYS,)),
        (0xFFF320E5, 0b01000000, 0, (FourByte.ALWAYS,)),
        (0xFFF320E5, 0b10000000, 0, ()),
    ],
)
def test_ways_above_16_mib_in_the_chip_tables_words(
    first: int, enter: int, support: int, methods: tuple[FourByte, ...]
) -> None:
    others = ((0xFF84, (support, ONES)),) if support else ()
    tail = (*TAIL, 0x00200000, enter << 24)
    sfdp = chip(32 << 20, TYPES_64K, *others, first=first, tail=tail)
    assert four_byte_methods(sfdp) == methods
    assert quad_enable(sfdp) == "sr1.6"
    missing = not methods and support == 0
    assert ("4-byte methods" in sfdp.missing) is missing


def test_small_chip_needs_no_4_byte_methods() -> None:
    sfdp = chip(16 << 20, tail=(*TAIL, ONES, 1 << 24))
    assert four_byte_methods(sfdp) == ()
    assert "4-byte methods" not in sfdp.missing
    assert quad_enable(sfdp) == "unknown"
