"""The survey of the demo board, and of contents made to break it."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hwmocks.boards import heron
from spiflash.dump.audit import MOST, survey
from spiflash.dump.coverage import coverage
from spiflash.dump.finding import Verdict
from spiflash.dump.symptoms import symptoms
from tests.effort import effort

MIB = 1 << 20


def summary(contents: bytes) -> list[tuple[int, str, Verdict]]:
    return [
        (f.start, f.kind, f.verdict) for f in survey(contents) if f.kind not in ("blank", "dense")
    ]


def test_the_factory_image() -> None:
    found = summary(heron.heron_factory())
    for expected in (
        (0x040000, "environment", Verdict.VERIFIED),
        (0x060000, "devicetree", Verdict.CONSISTENT),
        (0x070000, "uboot-image", Verdict.VERIFIED),
        (0x200000, "squashfs", Verdict.VERIFIED),
        (0x400000, "jffs2", Verdict.VERIFIED),
        (0x440000, "jffs2", Verdict.VERIFIED),
    ):
        assert expected in found
    assert {kind for _, kind, _ in found} == {
        *("banner", "environment", "devicetree", "uboot-image", "squashfs", "jffs2", "lzma"),
        "default-environment",
    }


def test_a_survey_of_the_whole_flash_is_quick() -> None:
    contents = heron.heron_factory()
    assert effort(lambda: survey(contents)) < 1.5


def test_the_banners() -> None:
    texts = [dict(f.details)["text"] for f in survey(heron.heron_open()) if f.kind == "banner"]
    assert texts == [
        "U-Boot SPL 2024.04 (May 18 2024 - 00:00:00 +0000)",
        "U-Boot 2024.04 (May 18 2024 - 00:00:00 +0000) heron-open",
    ]


def test_the_environment_of_a_variant_is_verified() -> None:
    (environment,) = [f for f in survey(heron.heron_variant(9)) if f.kind == "environment"]
    assert environment.verdict is Verdict.VERIFIED
    assert dict(environment.details)["ethaddr"] == "00:00:5e:00:53:09"


def test_the_passphrase_is_in_the_dump_and_in_no_finding() -> None:
    contents = heron.heron_factory()
    assert b"invented-passphrase" in contents
    assert "passphrase" not in repr(survey(contents))


def test_blank_runs_are_whole_sectors() -> None:
    contents = bytearray(b"\xff" * 10 * 4096 + b"\xff" * 100)
    contents[3 * 4096 + 7] = 0xFE
    assert [(f.start, f.length) for f in survey(bytes(contents))] == [(0, 12288), (16384, 24576)]
    assert survey(b"\xff" * 4095) == ()


def test_findings_are_sorted() -> None:
    starts = [f.start for f in survey(heron.heron_factory())]
    assert starts == sorted(starts)


# --- contents that lie ---------------------------------------------------------------------------


def plain_crc(data: bytes) -> int:
    return zlib.crc32(data, 0xFFFFFFFF) ^ 0xFFFFFFFF


def fill(piece: bytes) -> bytes:
    return (piece * (MIB // len(piece) + 1))[:MIB]


def jffs2_header(kind: int, length: int) -> bytes:
    head = struct.pack("<HHI", 0x1985, kind, length)
    return head + struct.pack("<I", plain_crc(head))


def nested_images() -> bytes:
    """Headers with right CRCs, each of which claims all that follows."""
    images = []
    for at in range(0, MIB, 64):
        head = bytearray(
            struct.pack(">7I4B32s", 0x27051956, 0, 0, MIB - 64 - at, 0, 0, at, 5, 2, 2, 0, b"")
        )
        head[4:8] = struct.pack(">I", zlib.crc32(head))
        images.append(bytes(head))
    return b"".join(images)


def squashfs_head() -> bytes:
    return struct.pack(
        "<4sIIIIHHHHHHQQQQQQQQ",
        *(b"hsqs", 1, 1, 4096, 1, 1, 12, 0, 1, 4, 0, 0, MIB // 2, 96, 96, 96, 97, 98, 99),
    )


def tree_head() -> bytes:
    half = MIB // 2
    return struct.pack(">10I", 0xD00DFEED, half, 40, 40, 40, 17, 16, 0, half - 40, half - 40)


LIARS: dict[str, Callable[[], bytes]] = {
    "node magic": lambda: fill(bytes.fromhex("851902e0")),
    "long nodes": lambda: fill(jffs2_header(0xE002, 65536)),
    "node mixture": lambda: fill(jffs2_header(0xE002, 262144) + jffs2_header(0x2003, 12)),
    "image magic": lambda: fill(bytes.fromhex("27051956")),
    "nested images": nested_images,
    "environment starts": lambda: fill(b"0000a=" + b"b" * 4089 + b"\0"),
    "one endless variable": lambda: b"0000bootcmd=" + b"c" * MIB,
    "superblocks": lambda: fill(squashfs_head()),
    "trees": lambda: fill(tree_head()),
    "trees of nothing": lambda: fill(tree_head() + struct.pack(">3I", 4, 4, 4)),
    "trees without bottom": lambda: tree_head() + fill(struct.pack(">2I", 1, 0)),
    "banners": lambda: fill(b"U-Boot 2019.07 "),
}


@pytest.mark.parametrize("liar", LIARS)
def test_lies_take_time_in_proportion(liar: str) -> None:
    # Random contents of this size take about 5 ms and the worst of these about 0.5 s; following
    # every claim would take minutes.
    contents = LIARS[liar]()
    findings = []

    def work() -> None:
        findings.extend(survey(contents))
        coverage(contents, findings)
        symptoms(contents)

    assert effort(work) < 5
    assert all(0 <= f.start < f.end <= len(contents) for f in findings)


def test_claims_beyond_the_budget_are_not_called_verified() -> None:
    findings = [f for f in survey(nested_images()) if f.kind == "uboot-image"]
    assert len(findings) == MOST
    assert not [f for f in findings if f.verdict is Verdict.VERIFIED]


MAGICS = [
    bytes.fromhex("27051956"),
    b"hsqs",
    bytes.fromhex("d00dfeed"),
    bytes.fromhex("851902e0"),
    bytes.fromhex("19852003"),
    b"bootcmd=",
    b"U-Boot 2019.07",
    b"\xff" * 4096,
    bytes(4096),
    squashfs_head(),
    tree_head(),
    jffs2_header(0xE001, 41),
    jffs2_header(0xE002, 68),
    jffs2_header(0xE008, 32),
    jffs2_header(0xC002, 90),
    b"x=1\0",
]


@given(st.lists(st.one_of(st.sampled_from(MAGICS), st.binary(max_size=80)), max_size=12))
@settings(max_examples=150, deadline=None)
def test_any_contents_give_findings_within_bounds(pieces: list[bytes]) -> None:
    contents = b"".join(pieces)
    findings = survey(contents)
    assert all(0 <= f.start < f.end <= len(contents) for f in findings)
    result = coverage(contents, findings)
    assert result.total == len(contents)
    symptoms(contents)


SAMPLE = heron.heron_factory()[0x40000:0x62000] + heron.heron_factory()[0x400000:0x402000]


@given(st.integers(0, len(SAMPLE) - 1), st.binary(min_size=1, max_size=6), st.booleans())
@settings(max_examples=150, deadline=None)
def test_damaged_formats_never_raise(at: int, patch: bytes, cut: bool) -> None:
    contents = SAMPLE[:at] + patch + (b"" if cut else SAMPLE[at + len(patch) :])
    findings = survey(contents)
    assert all(0 <= f.start < f.end <= len(contents) for f in findings)
    if contents[:0x10000] != SAMPLE[:0x10000]:
        assert not [f for f in findings if f.start == 0 and f.verdict is Verdict.VERIFIED]


def test_random_contents() -> None:
    (finding,) = survey(random.Random(8).randbytes(4 * MIB))
    assert (finding.kind, finding.length, finding.verdict) == ("dense", 4 * MIB, Verdict.NOTED)
