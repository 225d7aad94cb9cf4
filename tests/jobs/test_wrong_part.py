"""A part entered wrongly on purpose: the chip erases four times as much as its table says.

The first such erase is noticed, everything is put back, and the work stops there. SFDP says the
same as the table, or there is none; all cases with SPIFLASH_SWEEP=full.
"""

from __future__ import annotations

import os
import random
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest

from hwmocks.ftdi import UsbFaults
from hwmocks.nor.catalog import describe
from hwmocks.nor.catalog.tables import jesd216
from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.errors import ChipMismatchError, EraseSizeError
from spiflash.jobs.backup import back_up
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from tests.job_rig import WATCHER, Rig

KIB = 1024
MIB = 1 << 20
TIMES = 4
PART = "W25Q80DV"


def enlarged(opcode: int, sfdp: bytes) -> NorChip:
    """A Winbond of 1 MiB of which one erase takes four times its size, with contents everywhere."""
    real = describe("W25Q64JV")
    erase = real.erases[opcode]
    wrong = replace(
        real,
        name="wrong",
        id=bytes.fromhex("EF4014"),
        size=MIB,
        erases={**real.erases, opcode: replace(erase, size=TIMES * erase.size)},
        sfdp=sfdp,
    )
    return NorChip(wrong, random.Random(5).randbytes(MIB), seed=5)


PLACES = [
    (0x20, 0x23000, 4 * KIB),
    (0x20, 0xFF000, 4 * KIB),  # the last sector
    (0xD8, 0x40000, 64 * KIB),
    (0xD8, 0xC0000, 192 * KIB),  # several blocks: only the first is erased
]
"""Opcode of the erase that takes more, and what is to change."""

CASES = [(*place, by_sfdp, kept) for place in PLACES for by_sfdp, kept in product((0, 1), repeat=2)]


@pytest.mark.parametrize(
    ("opcode", "start", "length", "by_sfdp", "with_backup"),
    CASES if os.environ.get("SPIFLASH_SWEEP") == "full" else CASES[::5],
)
def test_it_is_stopped_at_the_first_block_with_everything_put_back(
    shelf: Shelf, opcode: int, start: int, length: int, by_sfdp: int, with_backup: int
) -> None:
    real = describe("W25Q64JV")
    chip = enlarged(opcode, jesd216(MIB) if by_sfdp else b"")
    old = bytes(chip.contents)
    new = old[:start] + b"\x00\xff" * (length // 2) + old[start + length :]
    rig = Rig(chip)
    if with_backup:
        with rig.connect(PART) as connection:
            back_up(connection, shelf, WATCHER)
    with rig.connect(PART) as connection, pytest.raises(EraseSizeError) as caught:
        restore(
            connection,
            shelf,
            Image("new", new),
            WATCHER,
            WriteOptions(without_backup=not with_backup),
            agree=lambda _work: True,
        )
    assert bytes(chip.contents) == old
    assert len(chip.erased) == 1
    assert chip.erased[0][1] == TIMES * real.erases[opcode].size
    assert "holds what it held" in caught.value.state
    assert "--part" in caught.value.remedy


def test_what_the_board_writes_just_before_the_first_erase_is_seen(tmp_path: Path) -> None:
    """The erase would take it along, and the journal has what was there before."""
    chip = enlarged(0x20, b"")
    old, start = bytes(chip.contents), 0x23000
    new = old[:start] + b"\x00\xff" * 2 * KIB + old[start + 4 * KIB :]
    settings = b"bootdelay=3"

    def runs(number: int) -> None:
        # The write enable latch is tried last before the first erase.
        if chip.opcode_counts[0x06] and settings not in chip.contents:
            chip.contents[start - 4 * KIB : start - 4 * KIB + len(settings)] = settings

    rig = Rig(chip, faults=UsbFaults(on_transfer=runs))
    with rig.connect(PART) as connection, pytest.raises(ChipMismatchError) as caught:
        restore(
            connection,
            Shelf(tmp_path),
            Image("new", new),
            WATCHER,
            WriteOptions(without_backup=True),
            agree=lambda _work: True,
        )
    assert not chip.erased
    assert settings in chip.contents
    assert "Nothing has been erased" in caught.value.state
