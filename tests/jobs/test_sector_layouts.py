"""Chips whose sectors can be set up in several ways: what is erased is what was meant.

S25FS-S and S25HL-T data sheets, from memory; the simulated chips' registers stand for the set-up.
"""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import ChipDescription
from spiflash.archive.shelf import Shelf
from spiflash.errors import ChipUnknownError
from spiflash.nor.commands import ReadStyle
from spiflash.work.image import Image
from spiflash.work.restore import Leave, restore
from spiflash.work.rewrite import Work
from tests.job_rig import WATCHER, Rig

KIB = 1024
LAYOUTS = {"bottom": (0x00, 0x00), "top": (0x00, 0x04), "uniform": (0x08, 0x00)}
"""CR3 (bit 3: no small sectors) and CR1 (bit 2, TBPARM: at the top)."""


def set_up(name: str, layout: str) -> ChipDescription:
    chip = describe(name)
    third, first = LAYOUTS[layout]
    default = {"CR3": third, "CR1": first}
    return replace(
        chip,
        registers=tuple(replace(r, default=default.get(r.name, r.default)) for r in chip.registers),
    )


LAYOUTS_S = {"bottom": (0x00, 0x00), "top": (0x00, 0x04)}


def yes(_work: Work) -> bool:
    return True


@pytest.mark.parametrize(
    ("name", "layout"),
    [
        *((name, layout) for name in ("S25FS128S", "S25HL512T") for layout in LAYOUTS),
        *(("S25FL128S", layout) for layout in LAYOUTS_S),
    ],
)
def test_every_erase_covers_what_it_says(name: str, layout: str) -> None:
    """At every border of the map, the erase that is offered there, and nothing beside it."""
    chip = NorChip(set_up(name, layout), seed=1)
    with Rig(chip).connect() as connection:
        assert not connection.chip.write_doubt
        flash = connection.flash
        small = layout != "uniform"
        assert any(kind.size == 4 * KIB for kind in flash.geometry.erase_types) == small
        for start, end, kinds in flash.geometry.spans():
            assert kinds
            for kind in kinds:
                for place in {start, end - kind.size}:
                    chip.core.erased.clear()
                    flash.erase(place, kind)
                    assert chip.erased == [(place, kind.size)]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_change_behind_the_small_sectors_leaves_the_boot_loader(
    layout: str, tmp_path: Path
) -> None:
    """8100h lies in what the small sectors leave of a block, or in a whole block from 0 on."""
    old = bytearray(b"\xff") * (16 << 20)
    old[: 128 * KIB] = random.Random(1).randbytes(128 * KIB)
    chip = NorChip(set_up("S25FS128S", layout), bytes(old), seed=1)
    new = bytearray(old)
    new[0x8100:0x8104] = b"\xff" * 4
    with Rig(chip).connect() as connection:
        restore(
            connection,
            Shelf(tmp_path),
            Image("new", bytes(new)),
            WATCHER,
            agree=yes,
            leave=Leave(without_backup=True),
        )
    assert bytes(chip.contents) == bytes(new)


def test_a_set_up_that_cannot_be_asked_for_is_not_written(tmp_path: Path) -> None:
    """A read latency that is no whole number of bytes: 65h cannot be read, and which sectors are
    small is not known."""
    strange = replace(set_up("S25FS128S", "uniform"), any_dummy=(2, 2))
    chip = NorChip(strange, seed=1)
    with Rig(chip).connect() as connection:
        assert "sectors" in connection.chip.write_doubt
        with pytest.raises(ChipUnknownError, match="sectors"):
            restore(
                connection,
                Shelf(tmp_path),
                Image("new", bytes(16 << 20)),
                WATCHER,
                agree=yes,
                leave=Leave(without_backup=True),
            )
    assert not chip.erased


@pytest.mark.parametrize(("name", "clear"), [("S25FS128S", 0x30), ("S25HL512T", 0x82)])
def test_a_failed_erase_is_cleared_with_the_opcode_of_the_part(name: str, clear: int) -> None:
    """The kernel's spansion.c: 30h (USE_CLSR) or 82h (USE_CLPEF). While an error bit is set such
    a chip stays busy and is deaf to all else."""
    chip = NorChip(set_up(name, "uniform"), seed=1)
    chip.stick(0x10, 0, 0)
    with Rig(chip).connect() as connection:
        kind = connection.flash.geometry.erase_types[-1]
        connection.flash.erase(0, kind)
        connection.flash.erase(kind.size, kind)
    assert chip.opcode_counts[clear]
    assert [place for place, _ in chip.erased] == [0, kind.size]


def test_the_fast_read_with_four_bytes_skips_the_mode_clocks() -> None:
    """The kernel's s25hx_t_late_init: 8 mode clocks more for 0Ch."""
    data = random.Random(2).randbytes(4096)
    chip = NorChip(set_up("S25HL512T", "uniform"), data + b"\xff" * ((64 << 20) - 4096), seed=1)
    with Rig(chip).connect() as connection:
        style = ReadStyle(dummy=connection.chip.fast_read_dummy)
        assert connection.flash.read_all(0, 4096, style) == data
    assert chip.opcode_counts[0x0C]
