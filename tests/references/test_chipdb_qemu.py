"""The chip table against QEMU's flash models: ID, size, and the erases that really work.

Source: QEMU's hw/block/m25p80.c, run as a model on its ast2500-evb machine (see qemu.py). The
long sweep (SPIFLASH_SWEEP=full) goes through every model that QEMU has.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from chipdb.loader import load_builtin
from chipdb.part import EraseType, Part
from spiflash.bus import Transaction
from spiflash.errors import AdapterLostError
from tests.references.qemu import MODELS, QemuBus, QemuError, available_models, start_qemu

pytestmark = pytest.mark.needs("qemu-system-arm")

LARGEST = 256 << 20

NOT_IN_QEMU = {
    0x40: "QEMU's m25p80.c has no 8 KiB erase (40h of S25FL129P)",
    0xDB: "nor the page erase of M25PE and M45PE",
}

NO_ERASE_MAP = {
    "at45db081d": "QEMU treats DataFlash as an ordinary part; we refuse to write it",
    "s25fs512s": "QEMU has uniform 256 KiB sectors, the part as delivered 4 KiB ones at the bottom",
    "s70fs01gs": "as s25fs512s",
}
"""Models whose erases are not those of the data sheet; ID and size are checked all the same."""

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
    """The erase types of `part` that do not clear exactly their own block, tried once in each
    region that a 3-byte address reaches, over a chip that was full of zeros."""
    bus.run([Transaction(b"\x06"), Transaction(b"\x01\x00")])  # SST wakes up locked
    failed = []
    start = 0
    for region in part.regions:
        for index in region.types if start < 1 << 24 else ():
            erase = part.erase_types[index]
            # The second block of each size, where there are two: these do not overlap.
            at = start + (erase.size if erase.size * 2 <= region.length else 0)
            if erase.opcode not in NOT_IN_QEMU and not erases_its_block(bus, erase, at, part.size):
                failed.append(f"{erase.opcode:02X}h of {erase.size} bytes at {at:#x}")
        start += region.length
    return failed


def erases_its_block(bus: QemuBus, erase: EraseType, at: int, size: int) -> bool:
    """Whether the block at `at` becomes FFh, and the bytes beside it stay what they were."""
    low, high = max(0, at - 1), min(size, at + erase.size + 1)
    read = Transaction(b"\x03" + low.to_bytes(3, "big"), high - low)
    command = bytes([erase.opcode]) + at.to_bytes(3, "big")
    before, _, _, after = bus.run([read, Transaction(b"\x06"), Transaction(command), read])
    block = slice(at - low, at - low + erase.size)
    expected = before[: block.start] + b"\xff" * erase.size + before[block.stop :]
    return after == expected != before


def outcome(model: str, part: Part, folder: Path) -> list[str]:
    """What fails when QEMU's model is erased as `part`; a part with the same ID may even end QEMU,
    whose model has no erase so near to its end."""
    try:
        with start_qemu(model, sparse(folder, part.size)) as bus:
            return [] if model in NO_ERASE_MAP else failing_erases(bus, part)
    except (AdapterLostError, QemuError) as ended:
        return [str(ended)]


@pytest.mark.parametrize("model", swept_models())
def test_a_model_is_a_part_of_its_size_whose_erases_work(model: str, tmp_path: Path) -> None:
    parts = parts_of(model, tmp_path)
    assert parts
    (size,) = {part.size for part in parts}
    outcomes = {part.name: outcome(model, part, tmp_path) for part in parts}
    assert [] in outcomes.values(), outcomes
    with pytest.raises(QemuError), start_qemu(model, sparse(tmp_path, size // 2)):
        pass


@pytest.mark.parametrize("model", [name for name in UNRESOLVED if name.startswith("s25")])
def test_an_id_that_no_real_part_gives_finds_nothing(model: str, tmp_path: Path) -> None:
    assert parts_of(model, tmp_path) == ()
