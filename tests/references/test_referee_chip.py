"""QEMU as referee of the simulated chip: whole sessions, and every point where they differ.

`test_hwmocks_nor_qemu.py` compares the everyday commands. Here are the others that both sides
know: fast reads, reads past the end, 32 KiB and chip erase, the opcodes with four address bytes,
programs of every kind of page part, and SST25VF's single bytes. Where QEMU departs from the
data sheets, `DEVIATIONS` says how, and a test proves that it still does: a QEMU that has learnt
better should widen the comparison, not pass unnoticed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from hwmocks.nor import NorChip
from spiflash.bus import Transaction
from tests.nor_rig import NorRig
from tests.references.qemu import QemuBus, start_qemu

pytestmark = pytest.mark.needs("qemu-system-arm")

PAIRS = [
    ("w25q64", "W25Q64FV"),
    ("gd25q64", "GD25Q64C"),
    ("is25lp128", "IS25LP128"),
    ("n25q128", "N25Q128A"),
    ("w25q256", "W25Q256JV"),
    ("mx25l25635e", "MX25L25635E"),
    ("sst25vf032b", "SST25VF032B"),
]
STEPS = 150
CHIP_ERASE_AT = STEPS - 15
"""Late: on a blank chip an erase of the wrong size would not show."""
LONGEST_BUSY = 600.0
"""Virtual seconds after each command: more than any chip erase takes."""

WREN, WRDI, STATUS = (b"\x06", 0), (b"\x04", 0), (b"\x05", 1)
Period = tuple[bytes, int]


@dataclass(frozen=True, slots=True)
class Dialect:
    """Which of the shared commands a chip has, from its data sheet (from memory)."""

    erases: tuple[tuple[int, int], ...] = ((0x20, 1 << 12), (0xD8, 1 << 16))
    four: tuple[tuple[int, int], ...] = ()
    """Erases that always take four address bytes; with them 13h, 0Ch and 12h."""
    single_bytes: bool = False


FULL = ((0x20, 1 << 12), (0x52, 1 << 15), (0xD8, 1 << 16))
DIALECTS = {
    "W25Q64FV": Dialect(FULL),
    "GD25Q64C": Dialect(FULL),
    "IS25LP128": Dialect(FULL),
    "N25Q128A": Dialect(),
    "W25Q256JV": Dialect(FULL, four=((0x21, 1 << 12), (0xDC, 1 << 16))),
    "MX25L25635E": Dialect(FULL),
    "SST25VF032B": Dialect(FULL, single_bytes=True),
}


def session(chance: random.Random, size: int, dialect: Dialect) -> Iterator[Period]:
    """Random periods within what the data sheets allow, with a chip erase towards the end.

    Three-byte addresses stay below 16 MiB, where every way of addressing agrees.
    """
    reach = min(size, 1 << 24)
    near_end = [reach - 1, reach - 200] if size <= 1 << 24 else []
    yield b"\x9f", 3
    for step in range(STEPS):
        address = chance.choice([chance.randrange(1 << 17), chance.randrange(reach - 700)])
        field = address.to_bytes(3, "big")
        wide = (chance.randrange(size - 700)).to_bytes(4, "big")
        if step == CHIP_ERASE_AT:
            yield from (WREN, (b"\xc7", 0), WRDI, STATUS)
        kinds = ["read", "fast", "end", "program", "erase"] + ["four"] * 3 * bool(dialect.four)
        match chance.choice(kinds):
            case "read":
                yield b"\x03" + field, chance.randrange(1, 700)
            case "fast":
                yield b"\x0b" + field + b"\x00", chance.randrange(1, 700)
            case "end" if near_end:
                late = chance.choice(near_end).to_bytes(3, "big")
                yield b"\x03" + late, 400
                yield b"\x0b" + late + b"\x00", 400
            case "program":
                room = 1 if dialect.single_bytes else 256 - address % 256
                count = chance.choice([1, room, chance.randint(1, room)])
                yield from (WREN, STATUS, (b"\x02" + field + chance.randbytes(count), 0), WRDI)
                yield b"\x03" + (address & ~0xFF).to_bytes(3, "big"), 512
            case "erase":
                opcode, length = chance.choice(dialect.erases)
                start = address // length * length
                yield from (WREN, (bytes([opcode]) + start.to_bytes(3, "big"), 0), WRDI)
                yield b"\x03" + max(0, start - 8).to_bytes(3, "big"), 32
            case "four":
                yield from four_byte_periods(chance, wide, dialect)
        yield STATUS


def four_byte_periods(chance: random.Random, wide: bytes, dialect: Dialect) -> Iterator[Period]:
    address = int.from_bytes(wide, "big")
    opcode, length = chance.choice(dialect.four)
    start = (address // length * length).to_bytes(4, "big")
    data = chance.randbytes(256 - address % 256)
    yield from (WREN, (bytes([opcode]) + start, 0), WRDI)
    yield from (WREN, (b"\x12" + wide + data, 0), WRDI)
    yield b"\x13" + wide, 600
    yield b"\x0c" + wide + b"\x00", 600


def start_contents(name: str, size: int) -> bytes:
    return random.Random(name).randbytes(1 << 18) * (size >> 18)


def unprotect(name: str) -> list[Period]:
    """SST25VF wakes with every block protected (data sheet, BP bits after power-up)."""
    return [(b"\x50", 0), (b"\x01\x00", 0)] if name.startswith("SST") else []


@pytest.mark.parametrize(("model", "name"), PAIRS)
def test_a_random_session_leaves_both_with_the_same(
    model: str, name: str, tmp_path: Path, full_sweep: bool
) -> None:
    chip = NorChip(name, start_contents(name, NorChip(name).description.size), seed=3)
    size = len(chip.contents)
    image = tmp_path / "flash.img"
    image.write_bytes(chip.contents)
    rig = NorRig(chip)
    with start_qemu(model, image) as bus:
        for seed in range(10 if full_sweep else 1):
            chance = random.Random(f"referee {name} {seed}")
            periods = [*unprotect(name), *session(chance, size, DIALECTS[name])]
            theirs = bus.run([Transaction(out, read) for out, read in periods])
            for (out, read), expected in zip(periods, theirs, strict=True):
                assert rig.run(out, read) == expected, f"{out[:6].hex()}, {read} bytes read"
                rig.wait(LONGEST_BUSY)
    assert chip.pages_programmed > STEPS // 20
    assert len(chip.erased) > STEPS // 20
    left, held = image.read_bytes(), bytes(chip.contents)
    places = range(0, size, 4096)
    assert [hex(n) for n in places if left[n : n + 4096] != held[n : n + 4096]] == []


@dataclass(frozen=True, slots=True)
class Deviation:
    """One point where QEMU 7.2's W25Q64 and the data sheet of W25Q64FV part.

    `periods` show it on an erased chip; `qemu` and `sheet` are what the last one answers.
    """

    what: str
    periods: tuple[Period, ...]
    qemu: bytes
    sheet: bytes


DEVIATIONS = (
    Deviation(
        "the ID ends after three bytes; on a chip it begins again (JEDEC read-ID, common practice)",
        ((b"\x9f", 6),),
        bytes.fromhex("ef4017000000"),
        bytes.fromhex("ef4017ef4017"),
    ),
    Deviation(
        "a program runs on into the next page; the sheet has it wrap (02h Page Program)",
        (WREN, (b"\x02\x00\x01\xfe\x01\x02\x03\x04", 0), (b"\x03\x00\x01\xfe", 4)),
        bytes.fromhex("01020304"),
        bytes.fromhex("0102ffff"),
    ),
    Deviation(
        "an erase begins at the very address; the sheet erases the sector around it (20h)",
        (
            *(WREN, (b"\x02\x00\x10\x00\x00", 0)),
            *(WREN, (b"\x20\x00\x10\x80", 0), (b"\x03\x00\x10\x00", 1)),
        ),
        b"\x00",
        b"\xff",
    ),
    Deviation(
        "the write enable latch outlives a program; the sheet clears it at the end (WEL)",
        (WREN, (b"\x02\x00\x00\x00\x00", 0), STATUS),
        b"\x02",
        b"\x00",
    ),
    Deviation(
        "unknown questions are answered 00h; a chip leaves its output alone (pulled up: FFh)",
        ((b"\x99\x00\x00\x00", 2),),
        b"\x00\x00",
        b"\xff\xff",
    ),
    Deviation(
        "90h is not known; the sheet has it answer manufacturer and device (16h for 64 Mbit)",
        ((b"\x90\x00\x00\x00", 2),),
        b"\x00\x00",
        b"\xef\x16",
    ),
)
"""All figures of the sheet are those of Winbond's W25Q64FV, from memory."""


@pytest.mark.parametrize("deviation", DEVIATIONS, ids=lambda deviation: deviation.what[:40])
def test_deviations_are_as_written_down(deviation: Deviation, tmp_path: Path) -> None:
    image = tmp_path / "flash.img"
    chip = NorChip("W25Q64FV", seed=5)
    image.write_bytes(chip.contents)
    with start_qemu("w25q64", image) as bus:
        assert last_answer(over_qemu(bus), deviation.periods) == deviation.qemu
    assert last_answer(over_mock(chip), deviation.periods) == deviation.sheet


def test_only_one_of_them_is_ever_busy(tmp_path: Path) -> None:
    """QEMU's chips have no busy time, so the comparison above says nothing about it."""
    image = tmp_path / "flash.img"
    rig = NorRig(NorChip("W25Q64FV", seed=5))
    image.write_bytes(b"\xff" * (8 << 20))
    erase = (b"\xd8\x00\x00\x00", 0)
    with start_qemu("w25q64", image) as bus:
        answers = [over_qemu(bus)(*period) for period in (WREN, erase, STATUS)]
        assert answers[-1][0] & 0x01 == 0
    assert [rig.run(*period) for period in (WREN, erase, STATUS)][-1][0] & 0x01 == 1


Speak = Callable[[bytes, int], bytes]


def over_qemu(bus: QemuBus) -> Speak:
    return lambda out, read: bus.run([Transaction(out, read)])[0]


def over_mock(chip: NorChip) -> Speak:
    rig = NorRig(chip)

    def speak(out: bytes, read: int) -> bytes:
        answer = rig.run(out, read)
        rig.wait(LONGEST_BUSY)
        return answer

    return speak


def last_answer(speak: Speak, periods: tuple[Period, ...]) -> bytes:
    return [speak(*period) for period in periods][-1]
