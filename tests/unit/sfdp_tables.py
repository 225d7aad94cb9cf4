"""SFDP areas put together by hand, for the tests: nothing here knows the parser's ways.

Layouts are JESD216F's (from memory of the standard).
"""

from __future__ import annotations

from spiflash.nor.geometry import Geometry
from spiflash.nor.sfdp import Sfdp, parse

ONES = 0xFFFFFFFF
KIB = 1024
MIB = 1 << 20
TYPES_64K = (0x520F200C, 0xFF00D810)
"""8th and 9th DWORD: 4 KiB 20h, 32 KiB 52h; 64 KiB D8h, none."""
TYPES_256K = (0xFF00200C, 0xFF00D812)
"""4 KiB 20h, none; 256 KiB D8h, none."""


def put(*fields: tuple[int, int, int], fill: int = 0) -> int:
    """A DWORD from (high bit, low bit, value) fields; the other bits as in `fill`."""
    word = f"{fill:032b}"
    for high, low, value in fields:
        width = high - low + 1
        word = word[: 31 - high] + f"{value:0{width}b}" + word[32 - low :]
    assert len(word) == 32
    return int(word, 2)


FIRST = put((1, 0, 1), (2, 2, 1), (15, 8, 0x20), fill=0xFF8000E0)
MIB_8 = 8 * 1024 * 1024 * 8 - 1
ERASE_12 = put((7, 0, 12), (15, 8, 0x20), (23, 16, 15), (31, 24, 0x52))
ERASE_34 = put((7, 0, 16), (15, 8, 0xD8), (23, 16, 0), (31, 24, 0xFF))
NINE = (FIRST, MIB_8, 0, 0, 0, 0, 0, ERASE_12, ERASE_34)


def header(identity: int, length: int, pointer: int, revision: tuple[int, int] = (1, 6)) -> bytes:
    major, minor = revision
    return bytes(
        [identity & 0xFF, minor, major, length, *pointer.to_bytes(3, "little"), identity >> 8]
    )


def area(*tables: tuple[int, tuple[int, ...]], minor: int = 6, announced: int = 0) -> bytes:
    """An SFDP area: signature, one header a table, the tables one after the other."""
    count = announced or len(tables)
    at = 8 + 8 * len(tables)
    heads, bodies = b"", b""
    for identity, words in tables:
        heads += header(identity, len(words), at, (1, minor))
        body = b"".join(word.to_bytes(4, "little") for word in words)
        at += len(body)
        bodies += body
    return b"SFDP" + bytes([minor, 1, count - 1, 0xFF]) + heads + bodies


def chip(
    size: int,
    types: tuple[int, int] = TYPES_64K,
    *others: tuple[int, tuple[int, ...]],
    first: int = 0xFFF120E5,
    tail: tuple[int, ...] = (),
) -> Sfdp:
    words = (first, 8 * size - 1, 0, 0, 0, 0, 0, *types, *tail)
    return parse(area((0xFF00, words), *others))


def regions(geometry: Geometry) -> list[tuple[int, list[int]]]:
    return [
        (region.length, [geometry.erase_types[i].size for i in region.types])
        for region in geometry.regions
    ]


def check_tiling(geometry: Geometry) -> None:
    """Regions cover the chip, and every block of every type lies within its region, aligned
    by nature or being the whole region."""
    at = 0
    for region in geometry.regions:
        assert region.length > 0
        assert region.types
        for index in region.types:
            size = geometry.erase_types[index].size
            assert region.length % size == 0
            assert at % size == 0 or region.length == size
        at += region.length
    assert at == geometry.size


def layout(number: int, *parts: tuple[int, int], last: bool = False) -> tuple[int, ...]:
    """A map descriptor; parts are (length, erase type bits)."""
    head = int(last) | 2 | number << 8 | (len(parts) - 1) << 16
    return (head, *(((length // 256) - 1) << 8 | types for length, types in parts))
