"""The chip table against what real parts say of themselves.

Source: data/sfdp_real_parts.csv, SFDP tables read from real parts and posted to the linux-mtd
list. Fields after JESD216: density is dword 2 of the basic table, erase types are dwords 8 and 9,
their typical times dword 10, page size and program times dword 11. Decoded here on its own.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import pytest

from chipdb.loader import load_builtin
from chipdb.part import Duration, Part

DATA = Path(__file__).parent / "data" / "sfdp_real_parts.csv"

ERASE_UNITS = (0.001, 0.016, 0.128, 1.0)
"""Seconds, by the two unit bits of an erase time (JESD216A, dword 10)."""

TYPICAL_WITHIN = 4.0
"""Typical times may differ by this factor between our table and SFDP: generations differ, and
SFDP counts in steps as coarse as 16 ms and 128 ms."""


@dataclass(frozen=True, slots=True)
class Basic:
    """What a basic flash parameter table says; times in seconds, sizes in bytes."""

    size: int
    erases: dict[tuple[int, int], float | None]
    """Typical time by (size, opcode); None in tables of the first revision."""
    page: int | None
    program: float | None


def decode(tables: bytes) -> Basic:
    start, length = int.from_bytes(tables[12:15], "little"), tables[11]
    dwords = [int.from_bytes(tables[start + 4 * i :][:4], "little") for i in range(length)]
    density = dwords[1]
    size = 1 << (density & 0x7FFFFFFF) if density >> 31 else density + 1
    timed = length >= 11
    erases: dict[tuple[int, int], float | None] = {}
    for number in range(4):
        field = dwords[7 + number // 2] >> (16 * (number % 2))
        exponent, opcode = field & 0xFF, (field >> 8) & 0xFF
        if exponent:
            count = (dwords[9] >> (4 + 7 * number)) & 0x7F if timed else 0
            typical = ((count & 0x1F) + 1) * ERASE_UNITS[count >> 5] if timed else None
            erases[(1 << exponent, opcode)] = typical
    if not timed:
        return Basic(size // 8, erases, None, None)
    count = (dwords[10] >> 8) & 0x3F
    program = ((count & 0x1F) + 1) * (64e-6 if count >> 5 else 8e-6)
    return Basic(size // 8, erases, 1 << ((dwords[10] >> 4) & 0xF), program)


def captured() -> list[tuple[str, bytes, Basic]]:
    with DATA.open(encoding="utf-8", newline="") as file:
        return [
            (row["part"], bytes.fromhex(row["rdid"]), decode(bytes.fromhex(row["tables"])))
            for row in csv.DictReader(line for line in file if not line.startswith("#"))
        ]


CASES = [
    pytest.param(basic, part, id=f"{name}-{part.name}".replace(" ", ""))
    for name, answer, basic in captured()
    for part in load_builtin().by_id(answer)
]


@pytest.mark.parametrize(("name", "answer"), [(name, answer) for name, answer, _ in captured()])
def test_every_captured_part_is_in_the_table(name: str, answer: bytes) -> None:
    assert load_builtin().by_id(answer)


@pytest.mark.parametrize(("basic", "part"), CASES)
def test_geometry_agrees_with_sfdp(basic: Basic, part: Part) -> None:
    assert part.size == basic.size
    assert {(erase.size, erase.opcode) for erase in part.erase_types} <= set(basic.erases)
    if basic.page is not None:
        assert part.page == basic.page


def typical_pairs(basic: Basic, part: Part) -> list[tuple[Duration, float]]:
    """Our time and SFDP's typical one of each operation that both know."""
    pairs = [(e.time, basic.erases.get((e.size, e.opcode))) for e in part.erase_types]
    return [(ours, sfdp) for ours, sfdp in [*pairs, (part.program, basic.program)] if sfdp]


@pytest.mark.parametrize(("basic", "part"), CASES)
def test_no_maximum_is_below_what_sfdp_calls_typical(basic: Basic, part: Part) -> None:
    """A time-out that is too short breaks a job."""
    assert all(ours.maximum >= sfdp for ours, sfdp in typical_pairs(basic, part))


@pytest.mark.parametrize(("name", "answer", "basic"), captured())
def test_typical_times_are_of_the_order_that_sfdp_gives(
    name: str, answer: bytes, basic: Basic
) -> None:
    """For one part with the same ID at least: the ID does not tell which generation was read."""
    assert any(
        all(
            sfdp / TYPICAL_WITHIN <= ours.typical <= sfdp * TYPICAL_WITHIN
            for ours, sfdp in typical_pairs(basic, part)
        )
        for part in load_builtin().by_id(answer)
    )
