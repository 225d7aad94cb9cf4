"""Regions that findings suggest where a dump states no layout, with what the defining tools make.

References: `mkfs.erofs` (erofs-utils), `cpio`, `mke2fs` (e2fsprogs), `mkfs.fat` (dosfstools);
headers of raw kernels from Linux 6.1, Documentation/arm64/booting.rst,
Documentation/riscv/boot-image-header.rst and arch/arm/boot/compressed/head.S.
"""

from __future__ import annotations

import random
import struct
import subprocess
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.finding import Architecture, Finding, Holds, ImageFacts, Verdict
from spiflash.dump.layout import Region, Role
from spiflash.dump.layout.find import find_layouts

BANNER = b"U-Boot 2024.04 (May 18 2024 - 10:00:00)\0"
SIZE = 1 << 21


def files(folder: Path) -> Path:
    tree = folder / "tree"
    tree.mkdir()
    for number in range(6):
        (tree / f"f{number}").write_bytes(random.Random(number).randbytes(3001 * number))
    return tree


def erofs(folder: Path, *options: str) -> bytes:
    run("mkfs.erofs", *options, folder / "image", files(folder))
    return (folder / "image").read_bytes()


def cpio(folder: Path, form: str = "newc") -> bytes:
    tree = files(folder)
    (tree / "link").symlink_to("some/where")
    names = "\n".join(sorted(each.name for each in tree.iterdir())).encode()
    done = subprocess.run(
        ["cpio", "-o", "-H", form], cwd=tree, input=names, capture_output=True, check=True
    )
    return done.stdout


def packed_cpio(folder: Path) -> bytes:
    packed = subprocess.run(["gzip", "-9n"], input=cpio(folder), capture_output=True, check=True)
    return packed.stdout


def packed_text(folder: Path) -> bytes:
    text = b"070701 is what an archive begins with\n" * 900
    return subprocess.run(["gzip", "-9n"], input=text, capture_output=True, check=True).stdout


def ext4(folder: Path) -> bytes:
    run("mke2fs", "-q", "-t", "ext4", "-d", files(folder), folder / "image", "512k")
    return (folder / "image").read_bytes()


def fat(folder: Path) -> bytes:
    (folder / "image").write_bytes(bytes(512 << 10))
    run("mkfs.fat", folder / "image")
    return (folder / "image").read_bytes()


def run(*command: str | Path) -> None:
    subprocess.run(command, check=True, capture_output=True)


def dump(image: bytes, at: int) -> bytes:
    """Boot code, and an image behind it."""
    boot = random.Random(8).randbytes(30_000) + BANNER
    return boot.ljust(at, b"\xff") + image + b"\xff" * (SIZE - at - len(image))


def suggested(contents: bytes) -> list[Region]:
    (known,) = find_layouts(contents, survey(contents))
    return list(known.layout.regions)


def of_kind(contents: bytes, kind: str) -> Finding:
    (found,) = [each for each in survey(contents) if each.kind == kind]
    return found


@pytest.mark.parametrize("at", [0x20000, 0x31000])
@pytest.mark.parametrize(
    ("make", "name", "role"),
    [
        pytest.param(erofs, "rootfs", Role.ROOT, marks=pytest.mark.needs("mkfs.erofs")),
        pytest.param(cpio, "initramfs", Role.ROOT, marks=pytest.mark.needs("cpio")),
        pytest.param(packed_cpio, "initramfs", Role.ROOT, marks=pytest.mark.needs("cpio", "gzip")),
        pytest.param(ext4, "files", Role.DATA, marks=pytest.mark.needs("mke2fs")),
        pytest.param(fat, "files", Role.DATA, marks=pytest.mark.needs("mkfs.fat")),
    ],
)
def test_a_file_system_gets_its_region(make, name, role, at, tmp_path) -> None:  # type: ignore[no-untyped-def]
    image = make(tmp_path)
    boot, found = suggested(dump(image, at))
    assert (boot.name, boot.start) == ("boot", 0)
    assert boot.end <= at
    end = at + len(image.rstrip(b"\0") if make is cpio else image)
    assert (found.name, found.role, found.start) == (name, role, at)
    assert found.end == -(-end // 4096) * 4096


@pytest.mark.needs("gzip")
def test_a_stream_that_holds_no_archive_gets_no_region(tmp_path: Path) -> None:
    assert [each.name for each in suggested(dump(packed_text(tmp_path), 0x20000))] == ["boot"]


@pytest.mark.needs("mkfs.erofs")
@pytest.mark.parametrize("options", [[], ["-zlz4hc"], ["-Enosbcrc"]])
def test_the_sum_of_an_erofs_superblock(options: list[str], tmp_path: Path) -> None:
    image = erofs(tmp_path, *options)
    blank = b"\xff" * 4096
    found = of_kind(blank + image + blank, "erofs")
    sums = "-Enosbcrc" not in options
    assert (found.start, found.length) == (4096, len(image))
    assert found.verdict is (Verdict.VERIFIED if sums else Verdict.CONSISTENT)
    for at in (1024 + 40, 1024 + 64, 2000, 4095):  # blocks, name, behind the superblock
        broken = bytearray(image)
        broken[at] ^= 0x40
        kinds = {each.kind: each for each in survey(blank + bytes(broken) + blank)}
        if at > 1024 + 40:
            verdict = kinds["erofs"].verdict
            assert verdict is (Verdict.DAMAGED if sums else Verdict.CONSISTENT)
        elif "erofs" in kinds:
            assert kinds["erofs"].verdict is not Verdict.VERIFIED


@pytest.mark.needs("cpio")
def test_sums_in_cpio_archives(tmp_path: Path) -> None:
    image = cpio(tmp_path, "crc")
    found = of_kind(image, "cpio")
    # The path that a symbolic link holds has no sum.
    assert found.verdict is Verdict.VERIFIED, found.checks
    at = image.index(random.Random(3).randbytes(16)) + 200
    broken = of_kind(image[:at] + bytes([image[at] ^ 1]) + image[at + 1 :], "cpio")
    assert broken.verdict is Verdict.DAMAGED
    ((low, high),) = broken.damage
    assert low <= at < high == low + 9003


def test_text_about_archives_is_none() -> None:
    for text in (b"no cpio magic 070701", b"070701" + b"0" * 200, b"070702" * 40):
        assert all(each.kind != "cpio" for each in survey(text.ljust(8192, b"\0")))


def kernel_64(magic: bytes, size: int) -> bytes:
    head = struct.pack("<2I3Q", 0x91005A4D, 0x14000000, 0x80000, size + 40_000, 2)
    if magic == b"RSC\x05":
        head += struct.pack("<IIQ8s", 2, 0, 0, b"RISCV\0\0\0")
    else:
        head += bytes(24)
    return (head + magic + bytes(4)).ljust(64, b"\0") + random.Random(5).randbytes(size - 64)


def z_image(size: int, order: bool = True) -> bytes:
    words = [0xE1A00000] * 8 + [0xEA000003, 0x016F2818, 0, size, 0x04030201 if order else 0]
    head = struct.pack("<13I", *words)
    return head + random.Random(6).randbytes(size - len(head))


@pytest.mark.parametrize(
    ("image", "architecture"),
    [
        (kernel_64(b"ARM\x64", 300_000), Architecture.ARM64),
        (kernel_64(b"RSC\x05", 300_000), Architecture.RISCV),
        (z_image(300_000), Architecture.ARM),
        (z_image(300_000, order=False), Architecture.ARM),
    ],
)
@pytest.mark.parametrize("gap", [0, 0x3000])
def test_a_raw_kernel_gets_its_own_region(
    image: bytes, architecture: Architecture, gap: int
) -> None:
    """Boot code right in front of it, which has no end of its own."""
    boot = random.Random(8).randbytes(0x20000 - 200) + BANNER
    contents = boot.ljust(0x20000, b"\0") + b"\xff" * gap + image
    start = 0x20000 + gap
    contents = contents.ljust(SIZE, b"\xff")
    first, kernel = suggested(contents)
    assert (first.name, first.end) == ("boot", 0x20000)
    assert (kernel.name, kernel.role, kernel.start) == ("kernel", Role.KERNEL, start)
    assert kernel.end == start + -(-len(image) // 4096) * 4096
    facts = of_kind(contents, "kernel").facts
    assert isinstance(facts, ImageFacts)
    assert (facts.holds, facts.architecture) == (Holds.KERNEL, architecture)


@pytest.mark.needs("mkfs.erofs", "dtc")
def test_what_follows_a_raw_kernel_is_not_part_of_it(tmp_path: Path) -> None:
    """Its header counts memory that the file does not hold."""
    image = kernel_64(b"ARM\x64", 0x40000)
    tree = subprocess.run(
        ["dtc", "-O", "dtb"], input=b"/dts-v1/; / { };", capture_output=True, check=True
    ).stdout
    root = erofs(tmp_path)
    contents = dump(image + root, 0x20000)
    assert [(each.name, each.start) for each in suggested(contents)] == [
        ("boot", 0), ("kernel", 0x20000), ("rootfs", 0x60000),
    ]  # fmt: skip
    contents = dump(image + tree.ljust(4096, b"\0") + root, 0x20000)
    assert [(each.name, each.start) for each in suggested(contents)] == [
        ("boot", 0), ("kernel", 0x20000), ("dtb", 0x60000), ("rootfs", 0x61000),
    ]  # fmt: skip
