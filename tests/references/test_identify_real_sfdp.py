"""Identification of parts whose SFDP area was read from real chips.

Sources: data/sfdp_real_parts.csv (posted to the linux-mtd list, each row names its post) and
data/sfdp_qemu.csv (tables of real parts that QEMU 10.0 carries). The figures of the tables are
decoded here on their own, after JESD216B: erase types in DWORDs 8 and 9, their typical times and
the factor to the maximum in DWORD 10, ways out of 4-byte mode in DWORD 16.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import pytest

from spiflash.errors import ChipAmbiguousError
from spiflash.nor.addressing import ModeFound, choose_addressing
from spiflash.nor.chip import Answers, Chip
from spiflash.nor.identify import chip_table, identify

FOLDER = Path(__file__).parent / "data"
UNITS = (0.001, 0.016, 0.128, 1.0)


@dataclass(frozen=True)
class Captured:
    name: str
    answer: bytes
    tables: bytes

    @property
    def dwords(self) -> list[int]:
        start, length = int.from_bytes(self.tables[12:15], "little"), self.tables[11]
        return [int.from_bytes(self.tables[start + 4 * i :][:4], "little") for i in range(length)]

    @property
    def size(self) -> int:
        density = self.dwords[1]
        bits = 1 << (density & 0x7FFFFFFF) if density >> 31 else density + 1
        return bits // 8

    def limits(self) -> dict[int, tuple[int, float]]:
        """By opcode: bytes, and the longest time in seconds (0 where the table is of 2011)."""
        words = self.dwords
        found = {}
        for number in range(4):
            field = words[7 + number // 2] >> (16 * (number % 2))
            exponent, opcode = field & 0xFF, field >> 8 & 0xFF
            if not exponent:
                continue
            longest = 0.0
            if len(words) >= 11:
                count = words[9] >> (4 + 7 * number) & 0x7F
                typical = ((count & 0x1F) + 1) * UNITS[count >> 5]
                longest = typical * 2 * ((words[9] & 0xF) + 1)
            found[opcode] = (1 << exponent, longest)
        return found

    def exits(self) -> int:
        """DWORD 16, bits 23 to 14; 0 where there is none."""
        return self.dwords[15] >> 14 & 0x3FF if len(self.dwords) >= 16 else 0


def captured() -> list[Captured]:
    found = []
    for file, key in (("sfdp_real_parts.csv", "rdid"), ("sfdp_qemu.csv", "id")):
        with (FOLDER / file).open(encoding="utf-8", newline="") as lines:
            for row in csv.DictReader(line for line in lines if not line.startswith("#")):
                answer, tables = bytes.fromhex(row[key]), bytes.fromhex(row["tables"])
                found.append(Captured(row["part"], answer, tables))
    return found


ALL = captured()


def identified(each: Captured) -> Chip | None:
    """None where parts with this ID have to be named by a person."""
    # The configuration of an SST26 is asked with no command; no other table here has a map.
    try:
        return identify(Answers((each.answer + bytes(8))[:8], sfdp=each.tables), chip_table())
    except ChipAmbiguousError:
        return None


def test_there_are_more_than_the_forty() -> None:
    assert len(ALL) == 44


@pytest.mark.parametrize("each", ALL, ids=lambda each: f"{each.name}-{each.answer.hex()}")
def test_a_real_part_is_known_by_what_it_says(each: Captured) -> None:
    chip = identified(each)
    assert chip is not None
    assert chip.part is not None or len(chip.candidates) > 1, "in the table"
    assert chip.size == each.size
    assert not chip.write_doubt
    assert not any("SFDP says" in note and "erases" in note for note in chip.notes), chip.notes
    for opcode, (size, longest) in each.limits().items():
        assert chip.largest_erase >= size
        assert (opcode, size) in chip.erases_known
        for kind in chip.geometry.erase_types:
            if kind.opcode == opcode:
                assert kind.time.maximum >= longest - 1e-9
                assert chip.erase_reach(kind) >= size


@pytest.mark.parametrize("each", ALL, ids=lambda each: f"{each.name}-{each.answer.hex()}")
def test_e9h_is_sent_only_to_a_part_that_lists_it(each: Captured) -> None:
    """Bits 0 and 1 of the ways out of 4-byte mode: E9h, or E9h after 06h."""
    chip = identified(each)
    assert chip is not None
    software = each.exits() & 0x1F
    if chip.size <= 1 << 24 or not software:
        return
    way = choose_addressing(chip, ModeFound(True, 0, "met so"))
    sent = [order.out[0] for order in (*way.enter, *way.pause, *way.exit) if order.out]
    assert (0xE9 in sent) <= bool(software & 3)
    assert sent, "it is taken out of the mode that it was met in"
