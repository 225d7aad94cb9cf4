"""Compressed streams as the programs that define them make them, and as Linux builds its kernels.

Sources: gzip, xz, bzip2, zstd and lz4 of Debian; the kernel's settings are those of Linux,
scripts/Makefile.lib and scripts/xz_wrap.sh (from memory): `lzma -9`, `xz --check=crc32
--lzma2=dict=128MiB`, `zstd --ultra -22`, `bzip2 -9`, `lz4 -l -9`, `gzip -n -9`.
"""

from __future__ import annotations

import random
import subprocess

import pytest

from spiflash.dump.finding import Finding, StreamFacts, Verdict
from spiflash.dump.formats.streams import find_streams

# Half of it repeats, from far behind too; a real kernel would cost the test run more.
TEXT = random.Random(1).randbytes(90_000) + bytes(40_000) + b"heron gauge " * 4000
TEXT += TEXT[:50_000]
VERIFIED, CONSISTENT = Verdict.VERIFIED, Verdict.CONSISTENT

WAYS = {
    **{f"gzip {n}": (("gzip", "-n", f"-{n}"), VERIFIED) for n in (1, 9)},
    **{f"xz {n}": (("xz", f"-{n}"), VERIFIED) for n in ("0", "6", "9", "9e")},
    "xz kernel": (("xz", "--check=crc32", "--arm", "--lzma2=preset=9,dict=128MiB"), VERIFIED),
    "xz none": (("xz", "-9", "--check=none"), CONSISTENT),
    "xz sha256": (("xz", "-9", "--check=sha256"), VERIFIED),
    **{f"lzma {n}": (("xz", "--format=lzma", f"-{n}"), CONSISTENT) for n in ("0", "6", "9", "9e")},
    "lzma lc0": (("xz", "--format=lzma", "--lzma1=preset=6,lc=0,lp=3,pb=1"), CONSISTENT),
    "bzip2": (("bzip2", "-9"), VERIFIED),
    **{f"zstd {n}": (("zstd", "-q", f"-{n}"), VERIFIED) for n in (1, 19)},
    "zstd kernel": (("zstd", "-q", "--ultra", "-22"), VERIFIED),
    "zstd no check": (("zstd", "-q", "--ultra", "-22", "--no-check"), CONSISTENT),
    "lz4": (("lz4", "-q", "-9", "-c"), VERIFIED),
    "lz4 kernel": (("lz4", "-q", "-l", "-9", "-c"), CONSISTENT),
}


def packed(*command: str) -> bytes:
    """What a program makes of TEXT from its standard input, so that it cannot shrink windows."""
    return subprocess.run(command, input=TEXT, check=True, capture_output=True).stdout


def around(stream: bytes, at: int = 0x1234) -> bytes:
    return b"\xff" * at + stream + random.Random(2).randbytes(999)


def one(contents: bytes) -> Finding:
    found = list(find_streams(contents))
    assert len(found) == 1, found
    return found[0]


@pytest.mark.needs("gzip", "xz", "bzip2", "zstd", "lz4")
@pytest.mark.parametrize("name", WAYS)
def test_every_setting_is_followed_to_its_end(name: str) -> None:
    command, verdict = WAYS[name]
    stream = packed(*command)
    found = one(around(stream))
    assert (found.start, found.length, found.verdict) == (0x1234, len(stream), verdict)
    facts = found.facts
    assert isinstance(facts, StreamFacts)
    assert (facts.compression, facts.unpacked, facts.complete) == (name.split()[0], len(TEXT), True)


@pytest.mark.needs("xz", "zstd")
@pytest.mark.parametrize(
    "command",
    [
        ("xz", "--lzma2=preset=1,dict=192MiB"),
        ("xz", "--x86", "--check=crc32", "--lzma2=preset=1,dict=512MiB"),
        ("zstd", "-q", "--long=28"),
        ("zstd", "-q", "--long=31", "--no-check"),
    ],
    ids=" ".join,
)
def test_what_needs_more_memory_is_not_checked(command: tuple[str, ...]) -> None:
    """It was called damaged, or not seen at all."""
    found = one(around(packed(*command)))
    assert found.verdict is Verdict.UNCHECKED
    assert found.checks[0].startswith("NOT CHECKED: it needs ")
    assert isinstance(found.facts, StreamFacts)
    assert found.facts.needs >= 192 << 20
    assert not found.facts.complete


@pytest.mark.needs("xz")
@pytest.mark.parametrize("more", ["", ",lc=1,lp=2,pb=0"])
def test_lzma_alone_is_unpacked_whatever_dictionary_its_header_asks_for(more: str) -> None:
    """Program code is full of bytes that read as such a header: each was called NOT CHECKED."""
    found = one(around(packed("xz", "--format=lzma", f"--lzma1=preset=1,dict=1536MiB{more}")))
    assert found.verdict is Verdict.CONSISTENT
    assert isinstance(found.facts, StreamFacts)
    assert (found.facts.unpacked, found.facts.complete) == (len(TEXT), True)
    header = bytes([0x5D]) + (1536 << 20).to_bytes(4, "little") + b"\xff" * 8
    noise = header + b"\0" + random.Random(4).randbytes(3000)
    assert all(each.kind != "lzma" for each in find_streams(noise))


@pytest.mark.needs("xz", "zstd", "gzip", "lz4", "bzip2")
@pytest.mark.parametrize(
    "command", [WAYS[n][0] for n in ("gzip 9", "xz 9", "zstd kernel", "lz4", "bzip2")], ids=str
)
def test_a_wrong_bit_is_damage_also_at_the_highest_setting(command: tuple[str, ...]) -> None:
    stream = bytearray(packed(*command))
    stream[len(stream) // 2] ^= 0x10
    assert one(around(bytes(stream))).verdict is Verdict.DAMAGED
