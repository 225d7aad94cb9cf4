"""Which of several checksums over the same bytes counts: the strongest, and a failed outer one.

Images by `mkimage` (Debian's u-boot-tools) around streams of `gzip`. A gzip header holds a date and
an operating system byte that RFC 1952 covers by no checksum: turned, it still unpacks to the same.
"""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.coverage import Level, levels
from spiflash.dump.finding import Finding, Proof, Verdict
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.triage import Kind, reference, triage

TREE = """/dts-v1/;
/ { description = "heron"; images { kernel {
  data = /incbin/("kernel.gz"); type = "kernel"; arch = "arm"; os = "linux";
  compression = "gzip"; load = <0x42000000>; entry = <0x42000000>;
  hash-1 { algo = "HASH"; }; }; };
  configurations { default = "a"; a { kernel = "kernel"; }; }; };"""


def made(folder: Path, sort: str, tree: str = TREE) -> bytes:
    text = b"".join(b"heron %d\n" % (n * 7919) for n in range(30_000))
    gz = subprocess.run(["gzip", "-9", "-c"], input=text, check=True, capture_output=True).stdout
    (folder / "kernel.gz").write_bytes(gz)
    if sort == "legacy":
        subprocess.run(
            ["mkimage", "-A", "arm", "-T", "kernel", "-C", "gzip", "-d", "kernel.gz", "out"],
            cwd=folder,
            check=True,
            capture_output=True,
        )
    else:
        (folder / "a.its").write_text(tree.replace("HASH", sort))
        subprocess.run(
            ["mkimage", "-f", "a.its", "out"], cwd=folder, check=True, capture_output=True
        )
    return (folder / "out").read_bytes()


def the(found: tuple[Finding, ...], kind: str) -> Finding:
    return next(each for each in found if each.kind == kind)


@pytest.mark.needs("mkimage", "gzip", "dtc")
@pytest.mark.parametrize(
    ("sort", "outer", "proof"),
    [
        ("sha256", "fit", Proof.DIGEST),
        ("crc32", "fit", Proof.CRC),
        ("legacy", "uboot-image", Proof.CRC),
    ],
)
def test_the_strongest_sum_counts_and_a_failed_one_clears(
    tmp_path: Path, sort: str, outer: str, proof: Proof
) -> None:
    whole = made(tmp_path, sort)
    found = survey(whole)
    assert the(found, outer).proof is proof
    # The stream's own sum is over what it unpacks to; the image's is over these very bytes.
    assert the(found, "gzip").proof is proof

    turned = bytearray(whole)
    place = whole.index(b"\x1f\x8b\x08") + 5  # the date
    turned[place] ^= 1
    found = survey(bytes(turned))
    assert the(found, outer).verdict is Verdict.DAMAGED
    stream = the(found, "gzip")
    assert stream.verdict is Verdict.CONSISTENT
    assert stream.checks[-1] == "but a checksum over a larger range fails"
    painted = levels(len(turned), found)
    assert painted[place] == Level.DAMAGED
    span = slice(stream.start, stream.end)
    assert not (painted[span] == Level.VERIFIED).any()


@pytest.mark.needs("mkimage", "gzip", "dtc")
def test_a_fit_with_none_but_unknown_hashes_is_not_checked(tmp_path: Path) -> None:
    """A hash that this program does not know is there: it is not "no checksum", and proves
    nothing."""
    whole = made(tmp_path, "crc32").replace(b"crc32\0", b"crc99\0")
    found = the(survey(whole), "fit")
    assert found.verdict is Verdict.UNCHECKED
    assert "crc99 of kernel: NOT CHECKED" in found.checks
    assert not any("OK" in each for each in found.checks)


@pytest.mark.needs("mkimage", "gzip", "dtc")
@pytest.mark.parametrize("hashed", [True, False])
def test_a_fit_is_intact_only_when_each_image_in_it_is_proven(tmp_path: Path, hashed: bool) -> None:
    """The hash of the kernel says nothing of the first root file system beside it."""
    (tmp_path / "disk").write_bytes(random.Random(2).randbytes(20_000))
    more = 'ramdisk { data = /incbin/("disk"); type = "ramdisk"; arch = "arm"; os = "linux"; '
    more += 'compression = "none"; HASH };'.replace("HASH", 'hash { algo = "crc32"; };' * hashed)
    tree = TREE.replace("images {", f"images {{ {more}", 1).replace('"crc32"', '"HASH"')
    whole = made(tmp_path, "crc32", tree)
    layout = Layout(0x40000, (Region("kernel", 0, 0x40000, Role.KERNEL),))
    found = triage(reference(whole.ljust(0x40000, b"\xff"), layout), layout=layout)
    assert (found.kind is Kind.INTACT) == hashed
    if not hashed:
        assert found.kind is Kind.NOT_CHECKED
        assert found.regions[0].unsure >= 20_000 - 200  # bytes of 00h and FFh count for nothing
