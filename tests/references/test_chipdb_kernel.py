"""The chip table and the protection rules against the Linux kernel's spi-nor tables.

Source: data/kernel_spi_nor.csv, taken from the `flash_info` arrays in drivers/mtd/spi-nor/*.c of
Linux 6.12.117 and 7.2.13 (`apt-get download linux-source-6.12`, unpack that folder): each entry
with a SNOR_ID, split at the closing brace of the entry; .name, .size, .sector_size and the four
flag fields as written. What a flag means is in core.h there; how a locked range follows from the
status registers is spi_nor_get_locked_range_sr in swp.c of 7.2.13, written anew here.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import pytest

from chipdb.loader import load_builtin
from chipdb.part import FourByte, Part
from spiflash.nor.protection import protection
from spiflash.nor.scheme import scheme

DATA = Path(__file__).parent / "data" / "kernel_spi_nor.csv"

LEFT_OUT = {
    "cy15x104q": "a ferroelectric memory; its nine ID bytes begin with six 7Fh, not with 04h",
}
"""Entries that the table does not have, with the reason."""

OTHER_COMMANDS = {"at45db081d"}
"""Parts with commands of their own, which are not written: their erases are not compared."""


@dataclass(frozen=True, slots=True)
class Entry:
    file: str
    name: str
    answer: bytes
    size: int | None
    sector: int
    flags: frozenset[str]


def entries() -> list[Entry]:
    with DATA.open(encoding="utf-8", newline="") as file:
        return [
            Entry(
                row["file"],
                row["name"] or row["id"],
                bytes.fromhex(row["id"] + row["extended"]),
                int(row["size"]) if row["size"] else None,
                int(row["sector"] or 65536),
                frozenset(row["flags"].split()),
            )
            for row in csv.DictReader(line for line in file if not line.startswith("#"))
        ]


ENTRIES = entries()
LISTED = [each for each in ENTRIES if each.name not in LEFT_OUT]


def parts(entry: Entry) -> tuple[Part, ...]:
    return load_builtin().by_id(entry.answer)


def test_every_entry_is_there_or_a_reason_is_given() -> None:
    assert len(ENTRIES) == 236
    assert {each.name for each in ENTRIES if not parts(each)} == set(LEFT_OUT)


@pytest.mark.parametrize("entry", LISTED, ids=lambda e: f"{e.name}-{e.answer.hex()}")
def test_sizes_erases_and_locks(entry: Entry) -> None:
    for part in parts(entry):
        if entry.size is not None:
            assert part.size == entry.size, part.name
        if part.refused and entry.name in OTHER_COMMANDS:
            continue
        sizes = {kind.size for kind in part.erase_types}
        if "SECT_4K" in entry.flags:
            assert 4096 in sizes, part.name
        if "SWP_IS_VOLATILE" in entry.flags:
            assert part.locked_at_power_up, part.name
            assert scheme(part.protection).power_up is not None
        if "HAS_LOCK" in entry.flags:
            own = scheme(part.protection)
            assert own.clearing is not None or own.power_up is not None, part.name
        if "4B_OPCODES" in entry.flags and part.size > 1 << 24:
            # Of parts with one ID, those without are known by their SFDP.
            assert FourByte.OPCODES in part.four_byte, part.name
        if entry.file == "micron-st.c":
            # Where SFDP does not say it: 06h before B7h, which every chip takes
            # (micron_st_nor_late_init and core.c, spi_nor_set_4byte_addr_mode_wren_en4b_ex4b).
            assert FourByte.ENTER not in part.four_byte or part.vendor != "Micron", part.name


# -- protection --------------------------------------------------------------------------------


def locked(entry: Entry, size: int, status: int, second: int) -> tuple[tuple[int, int], ...]:
    """spi_nor_get_locked_range_sr and spi_nor_get_min_prot_length_sr."""
    complement = "HAS_CMP" in entry.flags and second & 0x40
    value = status & 0x1C
    bits = 3
    if "BP3_SR_BIT6" in entry.flags:
        value, bits = value | (status >> 1 & 0x20), 4
    elif "4BIT_BP" in entry.flags:
        value, bits = status & 0x3C, 4
    bp = value >> 2
    if not bp:
        return ((0, size),) if complement else ()
    slots, needed = (1 << bits) - 2, (size // entry.sector).bit_length() - 1
    least = entry.sector << max(0, needed - slots)
    length = min(size, least << (bp - 1))
    top_or_bottom = 0x40 if "TB_SR_BIT6" in entry.flags else 0x20
    bottom = "HAS_TB" in entry.flags and status & top_or_bottom
    if complement:
        bottom, length = not bottom, size - length
    if not length:
        return ()
    return ((0, length),) if bottom else ((size - length, size),)


def unlike(entry: Entry, part: Part) -> str:
    """Why this part is not held against the kernel's rule; "" where it is."""
    if part.protection in ("bp-sr1", "bp-volatile", "bp-at25fs", "global-unlock", "sst-block"):
        return "no ranges are claimed for it"
    if part.protection == "sst-bp":
        return "held against the data sheets in test_protection_tables.py"
    if "4BIT_BP" not in entry.flags and part.protection in ("bp4-tb", "bp4-tb-issi"):
        return "BP3 is not in the kernel's rule"
    if part.protection in ("bp4", "bp4-tb-cr", "bp-spansion"):
        # MX25L12805D begins with two blocks, and TB is in the configuration register of late
        # Macronix and Spansion parts: which the kernel does not know.
        return "differs by the data sheet"
    return ""


CASES = [
    pytest.param(entry, part, id=f"{entry.name}-{part.name}")
    for entry in LISTED
    if "HAS_LOCK" in entry.flags
    for part in parts(entry)
    if not unlike(entry, part)
]


def test_enough_parts_are_held_against_the_rule() -> None:
    assert len(CASES) >= 40
    assert {case.values[1].protection for case in CASES} >= {  # type: ignore[attr-defined]
        "bp3-tb-sec-cmp",
        "bp4-tb",
        "bp-micron",
    }


@pytest.mark.parametrize(("entry", "part"), CASES)
def test_what_each_status_register_protects(entry: Entry, part: Part) -> None:
    """All 256 values, or those without SEC, which the kernel leaves alone; CMP clear, and set where
    the kernel knows it."""
    with_sec = part.protection in ("bp3-tb-sec-cmp", "bp3-tb-sec")
    for status in range(256):
        if with_sec and status & 0x40:
            continue
        if part.protection == "bp3-tb" and "HAS_TB" not in entry.flags and status & 0x20:
            continue  # TB (SST25WF040B data sheet, from memory) is not in the kernel's rule
        for second in (0x00, 0x40) if "HAS_CMP" in entry.flags else (0x00,):
            values = {"SR1": status, "SR2": second, "SR3": 0}
            found = protection((part.protection,), part.size, values)
            expected = locked(entry, part.size, status, second)
            assert found.ranges == expected, f"{status:02X}h {second:02X}h"
