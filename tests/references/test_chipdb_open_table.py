"""Every row of a public table of IDs is resolved by the chip table, and to the same figures.

Source: data/open_table_ids.csv, facts from U-Boot's spi-nor table (drivers/mtd/spi/spi-nor-ids.c,
August 2026). Where the two differ, `DIFFERENCES` says in which figure and why ours stands.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import pytest

from chipdb.loader import load_builtin
from chipdb.part import Part

DATA = Path(__file__).parent / "data" / "open_table_ids.csv"
SECTOR = 4096


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the answer to 9Fh, bytes in the chip and in a block, whether 4 KiB erases work."""

    part: str
    answer: bytes
    size: int
    block: int
    erases_4k: bool


@dataclass(frozen=True, slots=True)
class Difference:
    """The figures in which a row and our parts differ, ("size", "block", "4k" or "id")."""

    figures: frozenset[str]
    argument: str


def differ(figures: str, argument: str) -> Difference:
    return Difference(frozenset(figures.split()), argument)


LARGE_ONLY = (
    "the public table leaves the 4 KiB flag out where its authors did not need it; the part erases"
    " 4 KiB everywhere with 20h (its data sheet's command table, from memory)"
)
SFDP_HAS_4K = (
    "the table lists the 128 KiB sector alone; the SFDP of MT35XU512ABA and MT35XU01GBBA, read from"
    " real parts (data/sfdp_real_parts.csv), has 4 KiB with 20h"
)
DATAFLASH = (
    "AT45DB erases pages and blocks of eight pages (81h, 50h), not 64 KiB and 4 KiB; the public"
    " table describes it as an ordinary part, ours refuses to write it"
)
DATAFLASH_SIZE = DATAFLASH + "; the name gives the size in Mbit (AT45DB011 1, AT45DB021 2)"

DIFFERENCES: dict[str, Difference] = {
    "at45db011d": differ("size block 4k", DATAFLASH_SIZE),
    "at45db021d": differ("size block 4k", DATAFLASH_SIZE),
    "at45db041d": differ("block 4k", DATAFLASH),
    "at45db081d": differ("block 4k", DATAFLASH),
    "at45db161d": differ("block", DATAFLASH + "; at 512 bytes a page a block happens to be 4 KiB"),
    "at45db321d": differ("block", DATAFLASH + "; at 512 bytes a page a block happens to be 4 KiB"),
    "at45db641d": differ("block 4k", DATAFLASH),
    "en25q32b": differ("4k", LARGE_ONLY),
    "en25q128b": differ("4k", LARGE_ONLY),
    "en25qh128": differ("4k", LARGE_ONLY),
    "m25px64": differ("4k", LARGE_ONLY),
    "n25q032": differ("4k", LARGE_ONLY),
    "n25q032a": differ("4k", LARGE_ONLY),
    "mt35xl512aba": differ("4k", SFDP_HAS_4K),
    "mt35xu512aba": differ("4k", SFDP_HAS_4K),
    "mt35xu01gaba": differ("4k", SFDP_HAS_4K),
    "mt35xu01g": differ("4k", SFDP_HAS_4K),
    "mt35xu02g": differ("4k", SFDP_HAS_4K),
    "is25lp008": differ("4k", LARGE_ONLY),
    "is25lp016": differ("4k", LARGE_ONLY),
    "is25lp032": differ("4k", LARGE_ONLY),
    "is25lp064": differ("4k", LARGE_ONLY),
    "is25wp008": differ("4k", LARGE_ONLY),
    "is25wp016": differ("4k", LARGE_ONLY),
    "mx25l8005": differ("4k", LARGE_ONLY),
    "mx25l25635e": differ("4k", LARGE_ONLY),
    "mx66l51235l": differ("4k", LARGE_ONLY),
    "mx25l12855e": differ("4k", LARGE_ONLY),
    "mx25l25655e": differ("4k", LARGE_ONLY),
    "mx25u51245f": differ("4k", LARGE_ONLY),
    "mt25ql01g": differ(
        "id",
        "21 BA 20 is a slip of the public table: 21h is not Micron's code (JEP106: 2Ch, and 20h"
        " from Numonyx), and the same table gives 20 BA 21 to the N25Q00 of the same size; QEMU's"
        " mt25ql01g answers 20 BA 21 as well",
    ),
}


def rows() -> list[Row]:
    with DATA.open(encoding="utf-8", newline="") as file:
        lines = (line for line in file if not line.startswith("#"))
        return [
            Row(
                part=row["part"],
                answer=bytes.fromhex(row["id"] + row["extended"]),
                size=int(row["size"]),
                block=int(row["block"]),
                erases_4k={"yes": True, "no": False}[row["erases_4k"]],
            )
            for row in csv.DictReader(lines)
        ]


def sizes_everywhere(part: Part) -> set[int]:
    """The erase sizes that work at every address."""
    per_region = [{part.erase_types[i].size for i in r.types} for r in part.regions]
    return set.intersection(*per_region)


def difference(row: Row, part: Part) -> frozenset[str]:
    sizes = {erase.size for erase in part.erase_types}
    found = {
        "size": part.size != row.size,
        "block": row.block not in sizes,
        "4k": (SECTOR in sizes_everywhere(part)) != row.erases_4k,
    }
    return frozenset(name for name, differs in found.items() if differs)


def test_the_reference_is_complete_and_every_difference_belongs_to_a_row() -> None:
    assert len(rows()) == 320
    assert set(DIFFERENCES) <= {row.part for row in rows()}


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row.part}-{row.answer.hex()}")
def test_row(row: Row) -> None:
    parts = load_builtin().by_id(row.answer)
    expected = DIFFERENCES.get(row.part, differ("", ""))
    if expected.figures == {"id"}:
        assert not parts
        return
    found = {part.name: difference(row, part) for part in parts}
    # All parts with one ID have the size of the row; one of them has the whole row.
    assert all(("size" in figures) == ("size" in expected.figures) for figures in found.values())
    assert expected.figures in found.values(), found


def test_ids_said_to_come_from_the_public_table_are_in_it() -> None:
    listed = {row.answer[:3] for row in rows()}
    answers = {row.answer for row in rows()}
    for part in load_builtin().parts:
        source = dict(part.sources)["id"]
        if source.kind == "open-table" and "U-Boot" in source.text:
            assert part.id in listed, part.name
            answer = part.id + part.extended_id
            assert any(known.startswith(answer) or answer == known for known in answers), part.name
