"""Text that looks like an environment in every sector cannot make the search go on for long."""

from __future__ import annotations

import binascii

import pytest

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats.environment import find_environments
from tests.effort import effort

HALF = 4 << 20
LIMIT = 6.0
"""Seconds of processor time for 8 MiB; generous, the unbounded search took several times it."""


def environment(size: int) -> bytes:
    """An environment with one copy, by the layout of U-Boot's `struct environment_s`."""
    body = b"bootcmd=sf probe 0\0bootdelay=3\0baudrate=115200\0\0".ljust(size - 4, b"\xff")
    return binascii.crc32(body).to_bytes(4, "little") + body


@pytest.mark.parametrize(
    "text",
    [b"bootcmd=\0a=b\0c=d\0", b"a=b\0", b"a=bcdefg", b"bootcmd=a\0" * 409 + b"a=\0\0\0\0"],
    ids=["short", "shorter", "no end", "many"],
)
@pytest.mark.parametrize("size", [4096, 65536, 262144])
def test_real_ones_are_found_behind_hostile_text(text: bytes, size: int) -> None:
    real = environment(size)
    hostile = (text * (HALF // len(text) + 1))[:HALF]
    contents = hostile + real + b"\xff" * (HALF - size)
    found: list[Finding] = []
    assert effort(lambda: found.extend(find_environments(contents))) < LIMIT
    assert (HALF, size, Verdict.VERIFIED) in [
        (each.start, each.length, each.verdict) for each in found
    ]
