"""For which processor code is: real boot programs that Debian ships with QEMU decide.

`openbios-ppc` and `skiboot.lid` are PowerPC, OpenSBI is RISC-V, `npcm7xx_bootrom.bin` is ARM (their
projects' own documentation); SPARC, PA-RISC, Alpha and x86 are none of those we claim to know.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_factory, heron_open
from hwmocks.bricks import make_brick
from spiflash.dump.formats.programs import processor

BLOBS = Path("/usr/share/qemu")


@pytest.mark.needs("qemu-system-arm")
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("npcm7xx_bootrom.bin", "ARM"),
        ("openbios-ppc", "PowerPC"),
        ("skiboot.lid", "PowerPC"),
        ("slof.bin", "PowerPC"),
        ("opensbi-riscv64-generic-fw_dynamic.bin", "RISC-V"),
        ("openbios-sparc64", ""),
        ("hppa-firmware.img", ""),
        ("palcode-clipper", ""),
        ("qboot.rom", ""),
    ],
)
def test_real_boot_programs(name: str, expected: str) -> None:
    found = processor((BLOBS / name).read_bytes())
    assert found == expected


def test_exception_vectors_are_enough_for_arm() -> None:
    """Heron's boot code is vectors and noise."""
    assert processor(heron_factory()[:0x40000]) == "ARM"
    assert processor(heron_open()[:0x40000]) == "ARM"


def test_noise_text_and_blank_are_no_code() -> None:
    for seed in range(5):
        assert processor(random.Random(seed).randbytes(1 << 18)) == ""
    assert processor(b"The quick brown fox jumps over the lazy dog. " * 4000) == ""
    assert processor(b"\xff" * 4096) == ""
    assert processor(bytes(4096)) == ""
    assert processor(b"") == ""
    assert processor(b"abc") == ""


def test_strange_loaders_are_told_from_the_boards_own() -> None:
    names = {processor(make_brick("other processor", seed).contents[:0x40000]) for seed in range(8)}
    assert names == {"MIPS", "PowerPC"}
