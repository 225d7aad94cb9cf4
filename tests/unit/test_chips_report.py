"""What `chips` shows of a part: every fact that the table holds."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import pytest

from chipdb.part import Duration, EraseType, FourByte, ProgramMethod, SecurityRegisters, UniqueId
from spiflash.nor.chip import Part
from spiflash.nor.identify import chip_table
from spiflash.report.chips import part_json, part_text

OTHER: dict[str, Any] = {
    "name": "X1",
    "vendor": "Another",
    "id": b"\x01\x02\x03",
    "size": 1 << 20,
    "page": 512,
    "erase_types": (EraseType(4096, 0x81, Duration(1.0, 2.0)),) * 3,
    "regions": (),
    "program": Duration(0.5, 0.75),
    "sources": (),
    "extended_id": b"\x99",
    "aliases": ("X2",),
    "mirrored_by": "cr1.2",
    "map_bits": 1,
    "programs_once": True,
    "program_method": ProgramMethod.BYTE,
    "chip_erase_opcode": 0x60,
    "chip_erase": Duration(3.0, 4.0),
    "needs_erase": False,
    "supply": (1.65, 1.95),
    "clock_read": 1e6,
    "clock_fast": 2e6,
    "fast_read_dummy": 3,
    "fast_read_dummy_4byte": 2,
    "four_byte": (FourByte.ALWAYS,),
    "exit_4byte": 0x29,
    "protection": "none",
    "quad_enable": "sr1.6",
    "status_write_volatile": False,
    "locked_at_power_up": True,
    "flag_status": True,
    "unique_id": UniqueId(0x5A, 2, 12, b"\x00\x00\x80"),
    "security": SecurityRegisters((0x1000,), 64, 0x4C, 2),
    "sfdp": False,
    "sfdp_size": 1 << 20,
    "sfdp_minor": 5,
    "refused": "no",
    "notes": ("a word",),
}


@pytest.fixture(scope="module")
def part() -> Part:
    (found,) = chip_table().by_name("W25Q64JV")
    return found


@pytest.mark.parametrize("name", [field.name for field in fields(Part)])
def test_every_fact_is_shown(part: Part, name: str) -> None:
    """A part that differs in this alone reads differently, on screen and in JSON."""
    changed = replace(part, **{name: OTHER[name]})
    assert changed != part
    assert part_text(changed) != part_text(part)
    assert part_json(changed) != part_json(part)


@pytest.mark.parametrize("name", ["unique_id", "security"])
def test_how_extra_matter_is_read_is_shown(part: Part, name: str) -> None:
    first = getattr(part, name)
    for field in fields(first):
        value = getattr(first, field.name)
        other: object
        match value:
            case tuple():
                other = value[1:]
            case bytes():
                other = value + b"\x01"
            case _:
                other = value + 1
        changed = replace(part, **{name: replace(first, **{field.name: other})})
        assert part_text(changed) != part_text(part)
        assert part_json(changed) != part_json(part)
