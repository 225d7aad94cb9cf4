"""Real files that nobody here made, and contents against the formats' own programs.

Sources: the firmware that Debian's qemu-system-data installs for qemu-system-* (device trees,
ELF files), this machine's programs, `lzop` for LZO1X, `readelf` for the extent of an ELF file.
"""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.finding import Verdict
from spiflash.dump.formats.unpack import unpack_lzo
from tests.references.audit_images import run, text

FIRMWARE = Path("/usr/share/qemu")
LOADERS = Path("/usr/lib/u-boot")


@pytest.mark.needs("qemu-system-arm")
def test_qemus_firmware_has_no_known_bad_byte_and_every_file_its_kind() -> None:
    seen = []
    for path in sorted([*FIRMWARE.glob("*"), *LOADERS.glob("*/u*boot*")]):
        if not path.is_file():
            continue
        contents = path.read_bytes()
        findings = survey(contents)
        assert not [f for f in findings if f.verdict is Verdict.DAMAGED], path
        kinds = {(f.kind, f.start) for f in findings}
        if contents[:4] == b"\x7fELF":
            assert ("elf", 0) in kinds, path
            seen.append("elf")
        if path.suffix == ".dtb":
            (tree,) = [f for f in findings if f.kind == "devicetree"]
            assert tree.length == len(contents)
            seen.append("devicetree")
        if path.parent.parent == LOADERS:
            assert "banner" in {f.kind for f in findings}, path
            seen.append("banner")
    assert {"elf", "devicetree"} <= set(seen)


def lzop_blocks(packed: bytes) -> list[tuple[int, bytes]]:
    """(unpacked size, block) of an .lzo file; layout from lzop's documentation, from memory."""
    flags = int.from_bytes(packed[17:21], "big")
    at = 33 + 1 + packed[33] + 4
    blocks = []
    while size := int.from_bytes(packed[at : at + 4], "big"):
        length = int.from_bytes(packed[at + 4 : at + 8], "big")
        at += 8 + 4 * bin(flags & 0x101).count("1")
        if length < size:
            at += 4 * bin(flags & 0x202).count("1")
        blocks.append((size, packed[at : at + length]))
        at += length
    return blocks


@pytest.mark.parametrize("level", ["-1", "-3", "-9"])
@pytest.mark.needs("lzop")
def test_lzo_unpacks_what_lzop_packed(level: str) -> None:
    rng = random.Random(3)
    data = text(rng, 200_000).encode() + bytes(70_000) + rng.randbytes(200) * 300
    data += bytes(rng.choice(b"ab") for _ in range(50_000)) + rng.randbytes(3000)
    packed = run("lzop", level, "-c", feed=data)
    blocks = lzop_blocks(packed)
    assert len(blocks) >= 2
    assert any(len(block) < size for size, block in blocks)
    unpacked = [unpack_lzo(block, size) if len(block) < size else block for size, block in blocks]
    assert b"".join(unpacked) == data


@pytest.mark.needs("readelf")
def test_the_extent_of_an_elf_file_is_where_its_section_headers_end() -> None:
    path = Path("/bin/true").resolve()
    contents = path.read_bytes()
    summary = run("readelf", "-h", path).decode()
    start = int(re.search(r"Start of section headers: +(\d+)", summary)[1])  # type: ignore[index]
    size = int(re.search(r"Size of section headers: +(\d+)", summary)[1])  # type: ignore[index]
    count = int(re.search(r"Number of section headers: +(\d+)", summary)[1])  # type: ignore[index]
    lead = random.Random(4).randbytes(999)
    (finding,) = [f for f in survey(lead + contents + lead) if f.kind == "elf"]
    assert (finding.start, finding.length) == (999, start + size * count)


def test_programs_of_this_machine_have_no_known_bad_byte(full_sweep: bool) -> None:
    paths = sorted(path for path in Path("/usr/bin").iterdir() if path.is_file())
    chosen = paths if full_sweep else random.Random(6).sample(paths, 25)
    looked = 0
    for path in chosen:
        if path.stat().st_size > 32 << 20:
            continue
        findings = survey(path.read_bytes())
        assert not [f for f in findings if f.verdict is Verdict.DAMAGED], path
        looked += 1
    print(f"\n{looked} programs, no byte known bad")
    assert looked > 10
