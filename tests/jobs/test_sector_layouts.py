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
from spiflash.jobs.image import Image
from spiflash.jobs.write import Work, WriteOptions, restore
from spiflash.nor.commands import ReadStyle
from spiflash.nor.geometry import Duration, EraseType
from spiflash.plan import Erase, make_plan
from spiflash.plan.optimum import TransferCost
from tests.job_rig import WATCHER, Rig, uniform
from tests.nor_rig import NorRig

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
                    chip.erased.clear()
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
            WriteOptions(without_backup=True),
            agree=yes,
        )
    assert bytes(chip.contents) == bytes(new)


def test_a_set_up_that_cannot_be_asked_for_is_not_written(tmp_path: Path) -> None:
    """A read latency that is no whole number of bytes: 65h cannot be read, and which sectors are
    small is not known."""
    strange = replace(set_up("S25FS128S", "uniform"), any_dummy=(2, 2))
    chip = NorChip(strange, seed=1)
    with Rig(chip).connect() as connection:
        assert "sector layout" in connection.chip.write_doubt
        with pytest.raises(ChipUnknownError, match="sector layout"):
            restore(
                connection,
                Shelf(tmp_path),
                Image("new", bytes(16 << 20)),
                WATCHER,
                WriteOptions(without_backup=True),
                agree=yes,
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


@pytest.mark.parametrize("seed", range(20))
def test_what_shares_its_error_correction_is_not_programmed_twice(seed: int) -> None:
    """The kernel's cypress_nor_ecc_init: no second program of 16 bytes without an erase. Bits that
    only clear are no way round it."""
    rng = random.Random(seed)
    sector, size, unit = 4096, 65536, 16
    old, new = bytearray(b"\xff" * size), bytearray()
    for start in range(0, size, sector):
        used = rng.choice((0, 8, 100, sector))
        old[start : start + used] = rng.randbytes(used)
    new += old
    for _ in range(12):
        place = rng.randrange(size - 40)
        for at in range(place, place + rng.randrange(1, 40)):
            new[at] &= rng.randrange(256)
    kind = EraseType(sector, 0x20, Duration(0.05, 0.4))
    geometry = replace(uniform(size, 256, (kind,), Duration(4e-4, 3e-3)), programs_once=True)
    cost = TransferCost(byte=1e-6, erase=1e-5, program=1e-5, unit=0.0)
    plan = make_plan(bytes(old), bytes(new), geometry, cost)
    held = bytearray(old)
    for step in plan.steps:
        if isinstance(step, Erase):
            held[step.address : step.end] = b"\xff" * (step.end - step.address)
            continue
        for at in range(step.address // unit * unit, step.address + len(step.data), unit):
            low, high = max(at, step.address), min(at + unit, step.address + len(step.data))
            sent = step.data[low - step.address : high - step.address]
            assert held[at : at + unit] == b"\xff" * unit or set(sent) == {0xFF}
            held[low:high] = sent
    assert held == new
    free = make_plan(bytes(old), bytes(new), replace(geometry, programs_once=False), cost)
    assert not any(isinstance(step, Erase) for step in free.steps), "bits only clear"


def test_the_simulated_chip_refuses_what_the_kernel_avoids() -> None:
    chip = NorChip("S25FS256T", seed=1)
    rig = NorRig(chip)
    rig.write("12 00000000 0F0F")
    rig.run("06")
    rig.run("12 00000008 00")
    assert rig.status() & 0x61 == 0x41, "P_ERR, and busy until 82h"
    rig.run("82")
    assert chip.contents[:9] == b"\x0f\x0f" + b"\xff" * 7
    rig.write("12 00000010 00")
    assert chip.contents[16] == 0


@pytest.mark.parametrize("name", ["S25HL512T", "S25FS256T"])
def test_that_such_a_part_programs_once_is_known(name: str) -> None:
    with Rig(NorChip(set_up(name, "uniform"), seed=1)).connect() as connection:
        assert connection.flash.geometry.programs_once
