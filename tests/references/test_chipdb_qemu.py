"""The chip table against QEMU's flash models: ID, size, and the erases that really work.

Source: QEMU's hw/block/m25p80.c, run as a model on its ast2500-evb machine (see qemu.py). The
long sweep (SPIFLASH_SWEEP=full) goes through every model that QEMU has.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from qemu import MODELS, QemuBus, QemuError, available_models, start_qemu

from chipdb.loader import load_builtin
from chipdb.part import Part
from spiflash.bus.transaction import Transaction

pytestmark = pytest.mark.needs("qemu-system-arm")

LARGEST = 256 << 20

NOT_IN_QEMU = {0x40: "QEMU's m25p80.c has no 8 KiB erase (40h of S25FL129P)"}

UNRESOLVED = {
    "at25128a-nonjedec": "does not answer 9Fh",
    "at25256a-nonjedec": "does not answer 9Fh",
    "s25fl256s0": "QEMU ends the ID after 4D 00; the real part adds 80 (S25FL256S data sheet)",
    "s25fl256s1": "QEMU ends the ID after 4D 01; the real part adds 80 (S25FL256S data sheet)",
}
"""Models for which no part may be found, and why."""


def swept_models() -> list[str]:
    if os.environ.get("SPIFLASH_SWEEP") == "full":
        return [model for model in available_models() if model not in UNRESOLVED]
    return [model.name for model in MODELS]


def sparse(folder: Path, size: int) -> Path:
    image = folder / "flash.img"
    with image.open("wb") as file:
        file.truncate(size)
    return image


def parts_of(model: str, folder: Path) -> tuple[Part, ...]:
    with start_qemu(model, sparse(folder, LARGEST)) as bus:
        return load_builtin().by_id(bus.run([Transaction(b"\x9f", 16)])[0])


def failing_erases(bus: QemuBus, part: Part) -> list[str]:
    """The erase types of `part` that do not clear exactly their own block, tried in each region
    that a 3-byte address reaches, over a chip full of zeros."""
    bus.run([Transaction(b"\x06"), Transaction(b"\x01\x00")])  # SST wakes up locked
    failed = []
    start = 0
    for region in part.regions:
        # The second block of each size, where there are two: these do not overlap.
        for index in region.types if start < 1 << 24 else ():
            erase = part.erase_types[index]
            if erase.opcode in NOT_IN_QEMU:
                continue
            at = start + (erase.size if erase.size * 2 <= region.length else 0)
            address = at.to_bytes(3, "big")
            bus.run([Transaction(b"\x06"), Transaction(bytes([erase.opcode]) + address)])
            low = max(0, at - 1)
            read = bus.run([Transaction(b"\x03" + low.to_bytes(3, "big"), erase.size + 2)])[0]
            inside = read[at - low : at - low + erase.size]
            after = read[at - low + erase.size :]
            before = read[: at - low]
            ended = at + erase.size == part.size  # the model wraps round to the beginning
            clean = not any(before) and (ended or not any(after[:1]))
            if inside != b"\xff" * erase.size or not clean:
                failed.append(f"{erase.opcode:02X}h of {erase.size} bytes at {at:#x}")
        start += region.length
    return failed


@pytest.mark.parametrize("model", swept_models())
def test_a_model_is_a_part_of_its_size_whose_erases_work(model: str, tmp_path: Path) -> None:
    parts = parts_of(model, tmp_path)
    assert parts
    (size,) = {part.size for part in parts}
    outcome = {}
    for part in parts:
        with start_qemu(model, sparse(tmp_path, size)) as bus:
            outcome[part.name] = failing_erases(bus, part)
    assert [] in outcome.values(), outcome
    with pytest.raises(QemuError), start_qemu(model, sparse(tmp_path, size // 2)):
        pass


@pytest.mark.parametrize("model", [name for name in UNRESOLVED if name.startswith("s25")])
def test_an_id_that_no_real_part_gives_finds_nothing(model: str, tmp_path: Path) -> None:
    assert parts_of(model, tmp_path) == ()
