"""Block protection of the simulated chips, against rows of the data sheets' tables.

All rows from memory of the sheet named; addresses are first and last protected byte.
"""

from __future__ import annotations

import pytest

from hwmocks.nor import NorChip
from tests.nor_rig import NorRig

ALL_8M = ((0x000000, 0x7FFFFF),)
ALL_16M = ((0x000000, 0xFFFFFF),)

# W25Q64JV, "Status Register Memory Protection": (SEC, TB, BP2–0, CMP) → ranges.
W25Q64JV = [
    ("0", "0", "000", "0", ()),
    ("0", "0", "001", "0", ((0x7E0000, 0x7FFFFF),)),
    ("0", "0", "010", "0", ((0x7C0000, 0x7FFFFF),)),
    ("0", "0", "011", "0", ((0x780000, 0x7FFFFF),)),
    ("0", "0", "100", "0", ((0x700000, 0x7FFFFF),)),
    ("0", "0", "101", "0", ((0x600000, 0x7FFFFF),)),
    ("0", "0", "110", "0", ((0x400000, 0x7FFFFF),)),
    ("0", "1", "001", "0", ((0x000000, 0x01FFFF),)),
    ("0", "1", "110", "0", ((0x000000, 0x3FFFFF),)),
    ("0", "0", "111", "0", ALL_8M),
    ("1", "0", "001", "0", ((0x7FF000, 0x7FFFFF),)),
    ("1", "0", "010", "0", ((0x7FE000, 0x7FFFFF),)),
    ("1", "0", "011", "0", ((0x7FC000, 0x7FFFFF),)),
    ("1", "0", "100", "0", ((0x7F8000, 0x7FFFFF),)),
    ("1", "0", "101", "0", ((0x7F8000, 0x7FFFFF),)),
    ("1", "1", "001", "0", ((0x000000, 0x000FFF),)),
    ("1", "1", "100", "0", ((0x000000, 0x007FFF),)),
    ("0", "0", "000", "1", ALL_8M),
    ("0", "0", "001", "1", ((0x000000, 0x7DFFFF),)),
    ("0", "1", "001", "1", ((0x020000, 0x7FFFFF),)),
    ("1", "0", "001", "1", ((0x000000, 0x7FEFFF),)),
    ("1", "1", "011", "1", ((0x004000, 0x7FFFFF),)),
    ("1", "1", "111", "1", ()),
]


def inclusive(chip: NorChip) -> tuple[tuple[int, int], ...]:
    return tuple((start, end - 1) for start, end in chip.protected_ranges)


@pytest.mark.parametrize(("sec", "tb", "bp", "cmp", "expected"), W25Q64JV)
def test_w25q64jv(
    chip: NorChip,
    rig: NorRig,
    sec: str,
    tb: str,
    bp: str,
    cmp: str,
    expected: tuple[tuple[int, int], ...],
) -> None:
    first = int(f"0{sec}{tb}{bp}00", 2)
    second = int(f"0{cmp}000000", 2)
    rig.write(bytes([0x01, first, second]))
    assert inclusive(chip) == expected
    # The bits do what the table says: a page program inside has no effect, one outside has.
    guarded = {address for start, end in expected for address in (start & ~0xFF, end & ~0xFF)}
    for address in (0x000000, 0x400000, 0x7FFF00, *guarded):
        rig.write(b"\x02" + address.to_bytes(3, "big") + b"\x00")
        inside = any(start <= address <= end for start, end in expected)
        assert chip.contents[address] == (0xFF if inside else 0x00)


# Sheet, first register, further registers' bytes → ranges.
OTHERS = [
    # W25Q256JV: BP3–0 in bits 5–2, TB in bit 6.
    ("W25Q256JV", "0104", ((0x1FF0000, 0x1FFFFFF),)),
    ("W25Q256JV", "0108", ((0x1FE0000, 0x1FFFFFF),)),
    ("W25Q256JV", "0124", ((0x1000000, 0x1FFFFFF),)),
    ("W25Q256JV", "0128", ((0x0000000, 0x1FFFFFF),)),
    ("W25Q256JV", "0144", ((0x0000000, 0x000FFFF),)),
    ("W25Q256JV", "014440", ((0x0010000, 0x1FFFFFF),)),
    # GD25Q64C: BP4 (SEC) in bit 6, BP3 (TB) in bit 5.
    ("GD25Q64C", "0104", ((0x7E0000, 0x7FFFFF),)),
    ("GD25Q64C", "0164", ((0x000000, 0x000FFF),)),
    # MX25L6406E: 0110 blocks 64–127, 1001 blocks 0–63, 1110 blocks 0–125, 1000 all.
    ("MX25L6406E", "0104", ((0x7E0000, 0x7FFFFF),)),
    ("MX25L6406E", "0118", ((0x400000, 0x7FFFFF),)),
    ("MX25L6406E", "0124", ((0x000000, 0x3FFFFF),)),
    ("MX25L6406E", "0138", ((0x000000, 0x7DFFFF),)),
    ("MX25L6406E", "0120", ALL_8M),
    # MX25L12835F: 0001 block 255, 1000 blocks 128–255, 1001 and up all; TB in CR bit 3.
    ("MX25L12835F", "0104", ((0xFF0000, 0xFFFFFF),)),
    ("MX25L12835F", "0120", ((0x800000, 0xFFFFFF),)),
    ("MX25L12835F", "0124", ALL_16M),
    ("MX25L12835F", "01040F", ((0x000000, 0x00FFFF),)),
    # IS25LP128: as above, TBS in the function register.
    ("IS25LP128", "011C", ((0xC00000, 0xFFFFFF),)),
    # N25Q128A: BP3 in bit 6, TB in bit 5.
    ("N25Q128A", "0104", ((0xFF0000, 0xFFFFFF),)),
    ("N25Q128A", "0140", ((0x800000, 0xFFFFFF),)),
    ("N25Q128A", "0124", ((0x000000, 0x00FFFF),)),
    # S25FL128S: 1/64 is 256 KiB; TBPROT in CR1 bit 5.
    ("S25FL128S", "0104", ((0xFC0000, 0xFFFFFF),)),
    ("S25FL128S", "010420", ((0x000000, 0x03FFFF),)),
    # EN25QH64: 0001 block 127, 1001 block 0.
    ("EN25QH64", "0104", ((0x7F0000, 0x7FFFFF),)),
    ("EN25QH64", "0124", ((0x000000, 0x00FFFF),)),
]


@pytest.mark.parametrize(("name", "write", "expected"), OTHERS)
def test_other_tables(name: str, write: str, expected: tuple[tuple[int, int], ...]) -> None:
    chip = NorChip(name)
    NorRig(chip).write(write)
    assert inclusive(chip) == expected


def test_erase_that_touches_a_protected_byte_does_nothing() -> None:
    chip = NorChip("W25Q64JV", bytes(8 << 20))
    rig = NorRig(chip)
    rig.write("0144")  # SEC, BP0: the topmost 4 KiB
    for command in ("207FF000", "527F8000", "D87F0000", "C7"):
        assert rig.write(command) < 1e-3
    assert chip.contents.count(0) == 8 << 20
    rig.write("207FE000")
    assert chip.contents[0x7FE000:0x7FF000] == b"\xff" * 4096
    assert chip.erased == [(0x7FE000, 4096)]


def test_individual_block_locks() -> None:
    # W25Q64JV, WPS = 1: every sector and block is locked at power-up until 39h or 98h.
    chip = NorChip("W25Q64JV", bytes(8 << 20))
    rig = NorRig(chip)
    rig.write("1164")
    rig.write("20020000")
    assert chip.erased == []
    assert rig.run("3D020000", 1) == b"\x01"
    rig.write("39020000")
    assert rig.run("3D02F000", 1) == b"\x00"  # 64 KiB block in the middle
    rig.write("2002F000")
    rig.write("20030000")
    rig.write("39000000")
    rig.write("20000000")
    rig.write("20001000")  # 4 KiB sectors at the ends
    assert chip.erased == [(0x02F000, 4096), (0, 4096)]
    rig.write("98")
    rig.write("C7")
    assert chip.erased[-1] == (0, 8 << 20)
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    assert rig.run("3D020000", 1) == b"\x01"


def test_sst_is_locked_at_power_up() -> None:
    # SST25VF032B: BP2–0 are set after power-up; 50h or 06h, then 01h, clears them.
    chip = NorChip("SST25VF032B", bytes(4 << 20))
    rig = NorRig(chip)
    assert rig.status() == 0x1C
    rig.write("20000000")
    assert chip.erased == []
    rig.run("50")
    rig.run("0100")
    rig.write("20000000")
    assert chip.erased == [(0, 4096)]
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    assert rig.status() == 0x1C
