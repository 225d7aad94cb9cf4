"""Chips whose block protection somebody has set."""

from __future__ import annotations

from hwmocks.nor.chip import NorChip
from tests.nor_rig import NorRig


def chip_with(name: str, sr1: int, *second: int) -> NorChip:
    """A chip whose status registers somebody has written, non-volatile."""
    chip = NorChip(name, seed=3)
    chip.contents[:4] = b"\x01\x02\x03\x04"
    rig = NorRig(chip)
    for value, opcode in zip(second, (0x31, 0x11), strict=False):
        rig.write(bytes((opcode, value)))
    if name in ("W25Q64FV", "W25Q64DW"):
        rig.write(bytes((0x01, sr1, *second[:1])))
    else:
        rig.write(bytes((0x01, sr1)))
    return chip


def whole(chip: NorChip) -> tuple[int, int]:
    return (0, chip.description.size)
