"""`NorFlash` on QEMU's ten models: what we write is what another party's chip then holds.

The judge is QEMU's image file, read from the disk after QEMU has ended. IDs and sizes are those
of the data sheets (table in qemu.py, from memory).
"""

from __future__ import annotations

import itertools
import random
from dataclasses import replace
from pathlib import Path

import pytest

from spiflash.bus import Transaction
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.chip import Chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.geometry import EraseRegion, Geometry
from spiflash.nor.identify import candidates_for, chip_table, identify
from spiflash.nor.probe import probe, probe_shared_id
from spiflash.plan import Erase, Plan, make_plan
from spiflash.plan.optimum import TransferCost
from tests.references.qemu import MODELS, Model, QemuBus, start_qemu

pytestmark = pytest.mark.needs("qemu-system-arm")

NOT_IN_QEMU = {"s25fl129p1": 0x40}
"""Erases of the data sheet that QEMU's model lacks: S25FL129P's 8 KiB parameter sectors (P8E)."""

STYLES = (
    ReadStyle(fast=False, chunk=65536),
    ReadStyle(fast=True, chunk=4099),
)


def identified(bus: QemuBus, model: Model) -> Chip:
    """What `identify` makes of the model. Where parts with one ID remain, they are worked with in
    the way that all of them share."""
    answers, table = probe(bus), chip_table()
    chip = identify(probe_shared_id(bus, answers, candidates_for(answers, table)), table)
    assert (chip.jedec_id, chip.size) == (model.id[:3], model.size)
    assert chip.write_doubt == ""
    return chip


def common_geometry(geometry: Geometry, model: Model) -> Geometry:
    """The erase map as far as QEMU's model has it."""
    missing = NOT_IN_QEMU.get(model.name)
    regions = tuple(
        EraseRegion(
            region.length,
            tuple(i for i in region.types if geometry.erase_types[i].opcode != missing),
        )
        for region in geometry.regions
    )
    return replace(geometry, regions=regions)


def dirty(model: Model) -> bytes:
    """Random contents in which no byte is blank by plan."""
    return random.Random(f"old {model.name}").randbytes(1 << 18) * (model.size >> 18)


def wanted(model: Model, old: bytes, full: bool) -> bytes:
    """New contents: all of them random, or `old` with changes of every kind.

    Ranges at both ends and over the 16 MiB boundary, of odd lengths and starts, a blank one,
    one that only clears bits, and single bytes.
    """
    chance = random.Random(f"new {model.name}")
    if full:
        return chance.randbytes(model.size)
    new = bytearray(old)
    changes = [(0, 9000), (model.size - 5001, 5001), (model.size // 2 + 0x8001, 0x11003)]
    if model.size > THREE_BYTE_REACH:
        changes.append((THREE_BYTE_REACH - 3000, 7001))
    for start, length in changes:
        new[start : start + length] = chance.randbytes(length)
    blank, fewer = model.size // 4, model.size // 4 * 3
    new[blank : blank + 0x3000] = b"\xff" * 0x3000
    for address in range(fewer, fewer + 700):
        new[address] &= chance.randrange(256)
    for _ in range(5):
        new[chance.randrange(model.size)] ^= 1 << chance.randrange(8)
    return bytes(new)


def carry_out(flash: NorFlash, plan: Plan) -> None:
    for is_erase, steps in itertools.groupby(plan.steps, lambda step: isinstance(step, Erase)):
        if is_erase:
            for step in steps:
                assert isinstance(step, Erase)
                flash.erase(step.address, step.type)
        else:
            flash.program([(s.address, s.data) for s in steps if not isinstance(s, Erase)])


def differences(left: bytes, right: bytes, block: int = 4096) -> list[str]:
    """The addresses of the blocks in which two equally long contents differ, in hex."""
    assert len(left) == len(right)
    starts = range(0, len(left), block)
    return [hex(s) for s in starts if left[s : s + block] != right[s : s + block]]


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_what_is_written_over_dirty_contents_is_in_the_image(
    model: Model, tmp_path: Path, full_sweep: bool
) -> None:
    image = tmp_path / "flash.img"
    old = dirty(model)
    new = wanted(model, old, full_sweep)
    image.write_bytes(old)
    with start_qemu(model.name, image) as bus:
        chip = identified(bus, model)
        with NorFlash(bus, chip) as flash:
            assert differences(flash.read_all(0, chip.size, STYLES[0]), old) == []
            geometry = common_geometry(flash.geometry, model)
            plan = make_plan(old, new, geometry, TransferCost.at_clock(20e6))
            carry_out(flash, plan)
            for style in STYLES:
                assert differences(flash.read_all(0, chip.size, style), new) == []
    assert differences(image.read_bytes(), new) == []


@pytest.mark.parametrize("name", ["w25q256", "mx25l25635f"])
def test_a_large_chip_is_left_as_a_boot_rom_expects_it(name: str, tmp_path: Path) -> None:
    """After the session 03h takes three address bytes again, as after power-up."""
    model = next(model for model in MODELS if model.name == name)
    image = tmp_path / "flash.img"
    old = bytearray(dirty(model))
    old[0:4], old[THREE_BYTE_REACH : THREE_BYTE_REACH + 4] = b"low.", b"high"
    image.write_bytes(old)
    with start_qemu(model.name, image) as bus:
        with NorFlash(bus, identified(bus, model)) as flash:
            assert flash.read_all(THREE_BYTE_REACH, 4, STYLES[0]) == b"high"
        assert bus.run([Transaction(b"\x03\0\0\0", 4)]) == [b"low."]
