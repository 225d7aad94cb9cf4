"""Faults of reading that know the address: what they do, and what they leave alone."""

from __future__ import annotations

import numpy as np
import pytest

from hwmocks.faults import AlikeAtClocks, Meanwhile, MovedClip, Pattern, WeakCells, WrongBlock
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice
from tests.nor_rig import NorRig

CONTENTS = np.random.default_rng(4).bytes(8 << 20)


def chip() -> NorChip:
    return NorChip("W25Q64JV", CONTENTS)


def read(
    device: SpiDevice, start: int, count: int, hertz: float = 20e6, fast: bool = False
) -> bytes:
    head = bytes((0x0B if fast else 0x03,)) + start.to_bytes(3, "big") + b"\x00" * fast
    return NorRig(device, hertz).run(head, count)


@pytest.mark.parametrize("fast", [False, True])
def test_a_weak_cell_flips_at_its_own_place(fast: bool) -> None:
    device = WeakCells(chip(), 8 << 20, {8 * 0x12345 + 3: 0.5, 8 * 0x300000: 1.0}, seed=1)
    seen = {read(device, 0x12340, 16, fast=fast) for _ in range(40)}
    true = CONTENTS[0x12340:0x12350]
    assert seen == {true, true[:5] + bytes((true[5] ^ 8,)) + true[6:]}
    assert read(device, 0x2FFFFF, 2, fast=fast)[1] == CONTENTS[0x300000] ^ 1
    assert read(device, 0x400000, 64, fast=fast) == CONTENTS[0x400000:0x400040]


def test_some_clocks_only() -> None:
    device = AlikeAtClocks(chip(), 8 << 20, [8 * 100], (30e6, 15e6))
    assert read(device, 100, 1, 30e6)[0] == CONTENTS[100] ^ 1
    assert read(device, 100, 1, 15e6)[0] == CONTENTS[100] ^ 1
    assert read(device, 100, 1, 10e6)[0] == CONTENTS[100]


def test_a_band_and_its_kinds() -> None:
    device = Pattern(chip(), 8 << 20, 1.0, low=256, high=512)
    got = read(device, 0, 1024)
    assert got[:256] == CONTENTS[:256]
    assert got[256:512] == bytes(b ^ 0xFF for b in CONTENTS[256:512])
    assert got[512:] == CONTENTS[512:1024]
    zeros = bytes(64) + b"\x81" * 64
    sparse = NorChip("W25Q64JV", zeros * (8 << 13))
    device = Pattern(sparse, 8 << 20, 1.0, "zero runs")
    assert read(device, 0, 128) == bytes(64) + b"\x01" + b"\x81" * 63
    device = Pattern(sparse, 8 << 20, 1.0, "edges")
    assert read(device, 64, 1)[0] != 0x81
    assert read(device, 8, 32) != bytes(32)  # the line was high before the first bit


def test_a_read_that_begins_in_a_bad_block_comes_from_elsewhere() -> None:
    device = WrongBlock(chip(), 8 << 20, [2], bit=17)
    assert read(device, 0x20000, 32) == CONTENTS[:32]
    assert read(device, 0x1FFF0, 64) == CONTENTS[0x1FFF0:0x20030]
    assert NorRig(device).run("9f", 3) == NorRig(chip()).run("9f", 3)


def test_something_happens_once_at_its_time() -> None:
    first, second = chip(), NorChip("W25Q64JV")
    moved = MovedClip(first)
    device = Meanwhile(moved, 0.5, lambda now: moved.move(second, now))
    rig = NorRig(device)
    assert rig.run("03000000", 4) == CONTENTS[:4]
    rig.wait(1)
    assert rig.run("03000000", 4) == b"\xff" * 4
