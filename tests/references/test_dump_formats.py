"""Surveys against images made by the formats' own tools, as packaged by Debian.

References: `mkimage`, `dumpimage` and `mkenvimage` (u-boot-tools), `mksquashfs` (squashfs-tools),
`mkfs.jffs2`, `sumtool` and `jffs2dump` (mtd-utils), `dtc` and `fdtget` (device-tree-compiler).
Each image is placed at random aligned offsets among random bytes.
"""

from __future__ import annotations

import os
import random
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.finding import Finding, Verdict

SECTOR = 4096

# Image types that have the plain legacy header; mkimage's other types have headers of their own.
PLAIN_TYPES = ["kernel", "kernel_noload", "ramdisk", "standalone", "firmware", "script"]
PLAIN_TYPES += ["filesystem", "multi"]


def run(*command: str | Path) -> str:
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return done.stdout + done.stderr


def place(image: bytes, rng: random.Random, align: int = SECTOR) -> tuple[bytes, int]:
    """The image at a random multiple of `align` among random bytes, and that offset."""
    offset = rng.randrange(8 * SECTOR // align) * align
    return rng.randbytes(offset) + image + rng.randbytes(rng.randrange(3 * SECTOR)), offset


def found(contents: bytes, kind: str) -> list[Finding]:
    return [finding for finding in survey(contents) if finding.kind == kind]


def payload(seed: int, size: int) -> bytes:
    return random.Random(seed).randbytes(size)


# --- U-Boot legacy images ------------------------------------------------------------------------


def mkimage(folder: Path, data: bytes, **options: str) -> bytes:
    (folder / "data").write_bytes(data)
    chosen = {"A": "arm", "O": "linux", "T": "kernel", "C": "none", "n": "test"} | options
    arguments = [word for key, value in chosen.items() for word in (f"-{key}", value)]
    run("mkimage", *arguments, "-d", folder / "data", folder / "image")
    return (folder / "image").read_bytes()


def listed(option: str) -> list[str]:
    """The short names that mkimage accepts for an option."""
    text = subprocess.run(["mkimage", f"-{option}", "list"], capture_output=True, text=True).stderr
    return re.findall(r"^\t([\w-]+) +\S", text, re.MULTILINE)


@pytest.mark.parametrize("size", [1, 63, 4096, 70_001])
@pytest.mark.needs("mkimage", "dumpimage")
def test_a_legacy_image_is_found_with_exact_place_and_length(tmp_path: Path, size: int) -> None:
    image = mkimage(tmp_path, payload(size, size), a="40008000", e="40008040", n="some kernel")
    contents, offset = place(image, random.Random(size), align=4)
    (finding,) = found(contents, "uboot-image")
    assert (finding.start, finding.length) == (offset, len(image)) == (offset, size + 64)
    assert finding.verdict is Verdict.VERIFIED
    details = dict(finding.details)
    assert details["name"] == "some kernel"
    assert details["load address"] == "40008000h"
    assert details["entry point"] == "40008040h"
    summary = run("dumpimage", "-l", tmp_path / "image")
    assert f"Data Size:    {details['data size'].split()[0]} Bytes" in summary


@pytest.mark.parametrize("option", ["A", "O", "C", "T"])
@pytest.mark.needs("mkimage", "dumpimage")
def test_every_name_is_the_one_of_dumpimage(tmp_path: Path, option: str) -> None:
    names = PLAIN_TYPES if option == "T" else listed(option)
    assert len(names) >= 7
    for name in names:
        if name == "invalid":
            continue
        image = mkimage(tmp_path, b"payload!", **{option: name})
        (finding,) = found(image, "uboot-image")
        details = dict(finding.details)
        line = re.search(r"^Image Type: +(.*)$", run("dumpimage", "-l", tmp_path / "image"), re.M)
        assert line is not None
        packing = details["compression"]
        packing += "" if packing == "uncompressed" else " compressed"
        ours = f"{details['architecture']} {details['system']} {details['type']} ({packing})"
        assert ours == line[1]


@pytest.mark.needs("mkimage")
def test_a_cut_legacy_image_is_damaged(tmp_path: Path) -> None:
    image = mkimage(tmp_path, payload(1, 9000))[:-1]
    (finding,) = found(image, "uboot-image")
    assert finding.verdict is Verdict.DAMAGED
    assert finding.end == len(image)
    assert "1 byte missing" in finding.checks[1]


# --- environments --------------------------------------------------------------------------------

VARIABLES = "bootcmd=run spi\nbootdelay=3\nethaddr=00:00:5e:00:53:2a\nwifi_pass=hush hush\n"


def mkenvimage(folder: Path, size: int, *flags: str, text: str = VARIABLES) -> bytes:
    (folder / "env.txt").write_text(text)
    run("mkenvimage", *flags, "-s", str(size), "-o", folder / "env", folder / "env.txt")
    return (folder / "env").read_bytes()


@pytest.mark.parametrize("size", [4096, 8192, 12288, 16384, 32768, 65536, 131072, 262144])
@pytest.mark.parametrize("flags", [(), ("-b",), ("-r",), ("-r", "-b"), ("-p", "0")], ids=str)
@pytest.mark.needs("mkenvimage")
def test_an_environment_is_found(tmp_path: Path, size: int, flags: tuple[str, ...]) -> None:
    contents, offset = place(mkenvimage(tmp_path, size, *flags), random.Random(size))
    (finding,) = found(contents, "environment")
    assert (finding.start, finding.length) == (offset, size)
    assert finding.verdict is Verdict.VERIFIED
    details = dict(finding.details)
    assert details["byte order"] == ("big endian" if "-b" in flags else "little endian")
    assert details["copies"] == ("redundant" if "-r" in flags else "single")
    assert details["ethaddr"] == "00:00:5e:00:53:2a"
    assert details["bootcmd"] == "run spi"
    assert "hush" not in repr(finding)


@pytest.mark.needs("mkenvimage")
def test_an_environment_with_a_wrong_byte_is_damaged(tmp_path: Path) -> None:
    image = bytearray(mkenvimage(tmp_path, 65536))
    image[20] ^= 4
    (finding,) = found(bytes(image), "environment")
    assert finding.verdict is Verdict.DAMAGED
    # Its size is stored nowhere: the variables, and the sector that their padding fills.
    assert finding.length == 4096


@pytest.mark.needs("mkenvimage")
def test_both_copies_of_a_redundant_environment(tmp_path: Path) -> None:
    image = mkenvimage(tmp_path, 8192, "-r")
    assert [f.start for f in found(image + image, "environment")] == [0, 8192]


# --- SquashFS ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tree")
    (folder / "etc").mkdir()
    (folder / "etc/hostname").write_text("heron\n")
    (folder / "etc/rating.csv").write_text("\n".join(f"{n},{n * n}" for n in range(3000)))
    (folder / "blob").write_bytes(payload(7, 150_000))
    (folder / "link").symlink_to("etc/hostname")
    return folder


@pytest.mark.parametrize("compression", ["gzip", "lzma", "lzo", "lz4", "xz", "zstd"])
@pytest.mark.parametrize("block", [4096, 131072, 1048576])
@pytest.mark.needs("mksquashfs", "unsquashfs")
def test_squashfs_is_found(tmp_path: Path, tree: Path, compression: str, block: int) -> None:
    path = tmp_path / "fs"
    run("mksquashfs", tree, path, "-comp", compression, "-b", str(block), "-nopad", "-quiet")
    image = path.read_bytes()
    contents, offset = place(image, random.Random(block))
    (finding,) = found(contents, "squashfs")
    assert (finding.start, finding.length) == (offset, len(image))
    # zlib's format ends in an Adler-32 and an xz stream holds a CRC-32; the others have nothing.
    checked = compression in ("gzip", "xz")
    assert finding.verdict is (Verdict.VERIFIED if checked else Verdict.CONSISTENT)
    details = dict(finding.details)
    assert details["compression"] == compression
    assert details["block size"] == f"{block} bytes"
    summary = run("unsquashfs", "-s", path)
    assert f"Number of inodes {details['inodes']}\n" in summary
    assert f"Number of fragments {details['fragments']}\n" in summary
    assert f"Filesystem size {finding.length} bytes" in summary


@pytest.mark.needs("mksquashfs")
def test_squashfs_that_is_cut_off_claims_its_superblock_only(tmp_path: Path, tree: Path) -> None:
    run("mksquashfs", tree, tmp_path / "fs", "-nopad", "-quiet")
    image = (tmp_path / "fs").read_bytes()
    (finding,) = found(image[:-1], "squashfs")
    assert finding.length == 96
    assert "1 byte missing at the end" in finding.checks[1]


@pytest.mark.needs("mksquashfs", "unsquashfs")
@pytest.mark.parametrize("compression", ["gzip", "xz", "lz4"])
@pytest.mark.parametrize("lost", [8, 40])
def test_squashfs_without_its_last_bytes_is_damaged(
    tmp_path: Path, tree: Path, compression: str, lost: int
) -> None:
    """A write that stopped just before the end: the last list of tables leads nowhere, and no
    kernel mounts it. What all other blocks unpack to was enough for "checksum OK"."""
    path = tmp_path / "fs"
    run("mksquashfs", tree, path, "-nopad", "-quiet", "-comp", compression, "-no-xattrs")
    image = path.read_bytes()[:-lost] + b"\xff" * lost
    path.write_bytes(image)
    told = subprocess.run(["unsquashfs", "-l", path], capture_output=True, check=False)
    assert told.returncode
    (finding,) = found(image, "squashfs")
    assert finding.verdict is Verdict.DAMAGED
    assert any(low < len(image) <= high for low, high in finding.damage)


# --- JFFS2 ---------------------------------------------------------------------------------------


def jffs2_nodes(path: Path, flag: str) -> list[tuple[int, int]]:
    """(offset, total length) of every node as jffs2dump prints them."""
    text = run("jffs2dump", "-cv", flag, path)
    assert "Wrong" not in text
    assert "wrong" not in text
    pairs = re.findall(r"at (0x[0-9a-f]{8}), totlen (0x[0-9a-f]{8})", text)
    return [(int(at, 16), int(length, 16)) for at, length in pairs]


@pytest.mark.parametrize("flag", ["-l", "-b"])
@pytest.mark.parametrize("mode", ["none", "priority"])
@pytest.mark.needs("mkfs.jffs2", "jffs2dump")
def test_jffs2_is_found_node_for_node(tmp_path: Path, tree: Path, flag: str, mode: str) -> None:
    path = tmp_path / "fs"
    run("mkfs.jffs2", flag, "-m", mode, "-e", "64KiB", "-d", tree, "-o", path)
    nodes = jffs2_nodes(path, flag)
    assert len(nodes) > 10
    image = path.read_bytes()
    contents, offset = place(image, random.Random(len(mode)))
    findings = found(contents, "jffs2")
    assert {finding.verdict for finding in findings} == {Verdict.VERIFIED}
    assert sum(int(dict(finding.details)["nodes"]) for finding in findings) == len(nodes)
    assert findings[0].start == offset
    assert findings[-1].end == offset + sum(nodes[-1])
    order = "little endian" if flag == "-l" else "big endian"
    assert {dict(finding.details)["byte order"] for finding in findings} == {order}
    for at, length in nodes:
        assert any(f.start <= offset + at and offset + at + length <= f.end for f in findings)
    assert "hostname" in dict(findings[0].details)["names"]


@pytest.mark.parametrize("flag", ["-l", "-b"])
@pytest.mark.needs("mkfs.jffs2", "sumtool")
def test_jffs2_with_summaries(tmp_path: Path, tree: Path, flag: str) -> None:
    run("mkfs.jffs2", flag, "-e", "64KiB", "-d", tree, "-o", tmp_path / "plain")
    run("sumtool", flag, "-p", "-e", "64KiB", "-i", tmp_path / "plain", "-o", tmp_path / "summed")
    image = (tmp_path / "summed").read_bytes()
    summary = bytes.fromhex("85190620" if flag == "-l" else "19852006")
    places = [match.start() for match in re.finditer(re.escape(summary), image)]
    assert places
    findings = found(image, "jffs2")
    assert {finding.verdict for finding in findings} == {Verdict.VERIFIED}
    for at in places:
        assert any(finding.start <= at < finding.end for finding in findings)


@pytest.mark.needs("mkfs.jffs2", "jffs2dump")
def test_jffs2_with_extended_attributes(tmp_path: Path) -> None:
    folder = tmp_path / "tree"
    folder.mkdir()
    for name in ("a", "b"):
        (folder / name).write_text(name)
        os.setxattr(folder / name, "user.note", f"about {name}".encode())
    run("mkfs.jffs2", "-l", "--with-xattr", "-d", folder, "-o", tmp_path / "fs")
    nodes = jffs2_nodes(tmp_path / "fs", "-l")
    (finding,) = found((tmp_path / "fs").read_bytes(), "jffs2")
    assert finding.verdict is Verdict.VERIFIED
    assert int(dict(finding.details)["nodes"]) == len(nodes)


@pytest.mark.needs("mkfs.jffs2", "jffs2dump")
def test_a_jffs2_node_with_a_wrong_byte_is_damaged(tmp_path: Path, tree: Path) -> None:
    run("mkfs.jffs2", "-l", "-m", "none", "-d", tree, "-o", tmp_path / "fs")
    image = bytearray((tmp_path / "fs").read_bytes())
    at, length = jffs2_nodes(tmp_path / "fs", "-l")[5]
    image[at + length - 1] ^= 0x10
    broken = [f for f in found(bytes(image), "jffs2") if f.verdict is Verdict.DAMAGED]
    assert [(f.start, f.length) for f in broken] == [(at, length)]


@pytest.mark.needs("mkfs.jffs2", "jffs2dump")
def test_a_node_that_is_obsolete_is_still_verified(tmp_path: Path, tree: Path) -> None:
    # fs/jffs2/nodemgmt.c: on NOR flash an obsolete node gets its "accurate" bit cleared.
    run("mkfs.jffs2", "-l", "-d", tree, "-o", tmp_path / "fs")
    image = bytearray((tmp_path / "fs").read_bytes())
    before = found(bytes(image), "jffs2")
    at, length = jffs2_nodes(tmp_path / "fs", "-l")[3]
    image[at + 3] &= ~0x20
    assert [(f.start, f.length) for f in found(bytes(image), "jffs2")] == [
        (f.start, f.length) for f in before
    ]
    image[at + length - 1] ^= 1
    after = found(bytes(image), "jffs2")
    assert {f.verdict for f in after} == {Verdict.VERIFIED}
    assert not any(f.start <= at < f.end for f in after)


# --- device trees --------------------------------------------------------------------------------

SOURCE = """/dts-v1/;
/memreserve/ 0x40000000 0x1000;
/ { model = "Heron test"; compatible = "heron,a", "heron,b"; #address-cells = <1>;
    node@1 { reg = <1>; empty; bytes = [01 02 03]; deeper { deepest { x = "y"; }; }; }; };
"""


@pytest.mark.parametrize("version", ["16", "17"])
@pytest.mark.parametrize("pad", ["0", "1000"])
@pytest.mark.needs("dtc", "fdtget")
def test_a_device_tree_is_found(tmp_path: Path, version: str, pad: str) -> None:
    (tmp_path / "a.dts").write_text(SOURCE)
    blob = tmp_path / "a.dtb"
    run("dtc", "-V", version, "-p", pad, "-O", "dtb", "-o", blob, tmp_path / "a.dts")
    image = blob.read_bytes()
    contents, offset = place(image, random.Random(len(image)), align=4)
    (finding,) = found(contents, "devicetree")
    assert (finding.start, finding.length) == (offset, len(image))
    assert finding.verdict is Verdict.CONSISTENT
    details = dict(finding.details)
    assert details["model"] == run("fdtget", blob, "/", "model").strip()
    assert details["compatible"] == "heron,a, heron,b"
    assert details["nodes"] == "4"


# --- one bit, and no bit at all ------------------------------------------------------------------


def legacy_image(folder: Path, tree: Path) -> tuple[bytes, set[int]]:
    return mkimage(folder, payload(3, 20_000)), set()


def environment(folder: Path, tree: Path) -> tuple[bytes, set[int]]:
    return mkenvimage(folder, 8192), set()


def redundant_environment(folder: Path, tree: Path) -> tuple[bytes, set[int]]:
    return mkenvimage(folder, 8192, "-r"), {4}  # the flag byte, which the finding says


def jffs2(folder: Path, tree: Path) -> tuple[bytes, set[int]]:
    run("mkfs.jffs2", "-l", "-d", tree / "etc", "-o", folder / "fs")
    return (folder / "fs").read_bytes(), set()


def jffs2_summed(folder: Path, tree: Path) -> tuple[bytes, set[int]]:
    run("mkfs.jffs2", "-b", "-e", "8KiB", "-d", tree / "etc", "-o", folder / "fs")
    run("sumtool", "-b", "-e", "8KiB", "-i", folder / "fs", "-o", folder / "summed")
    return (folder / "summed").read_bytes(), set()


@pytest.mark.parametrize(
    "make", [legacy_image, environment, redundant_environment, jffs2, jffs2_summed]
)
@pytest.mark.needs("mkimage", "mkenvimage", "mkfs.jffs2", "sumtool")
def test_one_flipped_bit_in_a_verified_range_is_noticed(
    tmp_path: Path, tree: Path, make: Callable[[Path, Path], tuple[bytes, set[int]]]
) -> None:
    image, uncovered = make(tmp_path, tree)
    verified = [f for f in survey(image) if f.verdict is Verdict.VERIFIED]
    places = sorted({at for f in verified for at in range(f.start, f.end)} - uncovered)
    rng = random.Random(len(image))
    heads = [at for f in verified for at in range(f.start, min(f.start + 80, f.end))]
    chosen = {*rng.sample(places, 150), *(at for at in heads if at not in uncovered)}
    for at in sorted(chosen):
        wrong = bytearray(image)
        wrong[at] ^= 1 << rng.randrange(8)
        after = survey(bytes(wrong))
        assert not [f for f in after if f.verdict is Verdict.VERIFIED and f.start <= at < f.end], (
            hex(at)
        )


def test_random_files_hold_nothing() -> None:
    for seed in range(6):
        findings = survey(random.Random(seed).randbytes(1 << 20))
        assert [f.verdict for f in findings] == [Verdict.NOTED]
