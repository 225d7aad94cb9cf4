"""The simulated NOR chip beside QEMU's models of the same chips: same bytes in, same bytes out.

Left out of the comparison, because the two differ where the data sheets side with the
simulated chip (W25Q64JV, 02h and "WEL", from memory): QEMU's programs run on past the end of a
page; its erases begin at the address as it is, not at the sector that the address is in, hence
aligned addresses; its write enable latch stays set after a program or erase, hence the 04h after
each. QEMU's chips are never busy, so each command waits until the simulated one is not.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from hwmocks.nor import NorChip
from spiflash.bus import Transaction
from tests.nor_rig import NorRig
from tests.references.qemu import start_qemu

pytestmark = pytest.mark.needs("qemu-system-arm")

PAIRS = [
    ("w25q64", "W25Q64FV"),
    ("gd25q64", "GD25Q64C"),
    ("mx25l12805d", "MX25L12835F"),
    ("n25q128", "N25Q128A"),
    ("is25lp128", "IS25LP128"),
    ("w25q256", "W25Q256JV"),
]
ERASES = ((0x20, 12), (0xD8, 16))
STEPS = 300


def commands(rng: random.Random, size: int) -> Iterator[tuple[bytes, int]]:
    """(bytes out, bytes in) of periods that all six data sheets allow, most of them in a small
    part of the array so that they meet."""
    wide = size > 1 << 24
    width = 3
    for _ in range(STEPS):
        address = rng.choice([rng.randrange(1 << 17), rng.randrange(min(size, 1 << 24))])
        if width == 4:
            address += rng.choice([0, 1 << 24])
        field = address.to_bytes(width, "big")
        match rng.choice(["read", "program", "erase", "enable", "disable", "id", "mode"]):
            case "read":
                # Not past 16 MiB: the sheets do not say what follows there.
                room = (1 << 24) - address % (1 << 24)
                yield b"\x03" + field, min(room, rng.randrange(1, 600))
            case "program":
                room = 256 - address % 256
                yield b"\x06", 0
                yield b"\x05", 1
                yield b"\x02" + field + rng.randbytes(rng.randrange(1, room + 1)), 0
                yield b"\x04", 0
            case "erase":
                yield b"\x06", 0
                opcode, bits = rng.choice(ERASES)
                yield bytes([opcode]) + (address >> bits << bits).to_bytes(width, "big"), 0
                yield b"\x04", 0
            case "enable":
                yield b"\x06", 0
            case "disable":
                yield b"\x04", 0
                # Without the latch neither of these does anything.
                yield b"\x02" + field + b"\x00", 0
                yield b"\x20" + field, 0
            case "id":
                yield b"\x9f", 3
            case "mode" if wide:
                width = 7 - width
                yield (b"\xb7" if width == 4 else b"\xe9"), 0
            case _:
                pass
        yield b"\x05", 1


@pytest.mark.parametrize(("model", "name"), PAIRS)
def test_same_answers_and_same_contents(model: str, name: str, tmp_path: Path) -> None:
    rng = random.Random(f"beside {model}")
    chip = NorChip(name, seed=1)
    chip.contents[: 1 << 18] = rng.randbytes(1 << 18)
    image = tmp_path / "flash.img"
    image.write_bytes(chip.contents)
    rig = NorRig(chip)
    with start_qemu(model, image) as bus:
        for out, read in commands(rng, len(chip.contents)):
            theirs = bus.run([Transaction(out, read)])[0]
            ours = rig.run(out, read)
            assert ours == theirs, f"{out[:5].hex()} and {read} bytes read"
            rig.wait(10.0)
    assert chip.pages_programmed > STEPS // 20
    assert len(chip.erased) > STEPS // 20
    left, held = image.read_bytes(), bytes(chip.contents)
    pieces = range(0, len(left), 4096)
    assert [n for n in pieces if left[n : n + 4096] != held[n : n + 4096]] == []
