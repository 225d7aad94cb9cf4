"""Compressed streams: gzip, xz, lzma, bzip2 and zstd, each unpacked to its end.

Layouts: RFC 1952 (gzip), "The .xz File Format" 1.2 (Tukaani), RFC 8878 (zstd), and from memory
bzip2 and lzma; the tests compare with the formats' own programs.
A stream is VOUCHED when the checksum of its contents held. Its header and the last, partly
used byte are not covered where no checksum looks at them.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import mended, near_places, outside, places
from spiflash.dump.formats.stream import DOUBT, StreamFormat, find_streams

_COSTLY = 4  # bzip2 unpacks several times slower than the others

# --- gzip ----------------------------------------------------------------------------------------

_GZIP = b"\x1f\x8b\x08"
_GZIP_HEAD = re.compile(rb"\x1f\x8b\x08[\0-\x1f].{4}[\0\2\4][\0-\x0d\xff]", re.DOTALL)


def _gzip_head(contents: bytes, at: int) -> int:
    flags, after = contents[at + 3], at + 10
    if flags & 4:
        after += 2 + int.from_bytes(contents[after : after + 2], "little")
    for flag in (8, 16):
        if flags & flag:
            after = contents.find(b"\0", after) + 1 or len(contents)
    return after + (2 if flags & 2 else 0) - at


_GZIP_FORMAT = StreamFormat(
    "gzip",
    "gzip stream",
    unpack.gzip_decoder,
    lambda contents, at: "CRC-32 and size",
    _gzip_head,
    tail_at=8,
    tail=1,
    certain=lambda contents, at: False,
)


def find_gzip(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Streams of RFC 1952, one finding each."""
    candidates = (at for at in places(contents, _GZIP) if _GZIP_HEAD.match(contents, at))
    return find_streams(_GZIP_FORMAT, contents, candidates, packed)


# --- xz ------------------------------------------------------------------------------------------

_XZ = b"\xfd7zXZ\0"
_XZ_CHECKS = {0: "", 1: "CRC-32", 4: "CRC-64", 10: "SHA-256"}


def _xz_header_holds(header: bytes) -> bool:
    return (
        len(header) == 12
        and header[:6] == _XZ
        and crc32(header[6:8]) == int.from_bytes(header[8:12], "little")
    )


_XZ_FORMAT = StreamFormat(
    "xz",
    "xz stream",
    unpack.xz_decoder,
    lambda contents, at: _XZ_CHECKS.get(contents[at + 7], ""),
    lambda contents, at: 0,
    tail_at=0,
    tail=0,
    certain=lambda contents, at: True,
)


def find_xz(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Streams whose header CRC holds, or would with one bit turned (DAMAGED)."""
    whole: list[int] = []
    doubtful = list(outside(near_places(contents, _XZ), packed))
    for at in outside(places(contents, _XZ), packed):
        (whole if _xz_header_holds(contents[at : at + 12]) else doubtful).append(at)
    yield from find_streams(_XZ_FORMAT, contents, whole, packed)
    budget = Budget(500)
    for at in doubtful:
        if mended(contents[at : at + 12], _xz_header_holds, budget):
            checks = ("one bit of the header is wrong: with it turned, the header CRC holds",)
            yield Finding(at, 12, "xz", "xz stream", Verdict.DAMAGED, checks)


# --- lzma alone ----------------------------------------------------------------------------------

# The three encoding parameters in one byte: the default, and those seen in boot images (common
# practice, no source). The five range-coder bytes that follow the header begin with zero.
_LZMA_PARAMETERS = (0x5D, 0x5E, 0x6C, 0x6D, 0x5A, 0x63, 0x2D, 0x2C, 0x01)
_LZMA_LARGEST = 256 << 20
_LZMA_UNKNOWN = (1 << 64) - 1


def _lzma_head(contents: bytes, at: int) -> bool:
    if at + 18 > len(contents) or contents[at + 13]:
        return False
    dictionary, size = struct.unpack_from("<IQ", contents, at + 1)
    low = dictionary & -dictionary
    return (
        4096 <= dictionary <= unpack.MEMORY
        and dictionary in (low, 3 * low)
        and (0 < size <= _LZMA_LARGEST or size == _LZMA_UNKNOWN)
    )


_LZMA_FORMAT = StreamFormat(
    "lzma",
    "lzma stream",
    unpack.lzma_decoder,
    lambda contents, at: "",
    lambda contents, at: 13,
    tail_at=0,
    tail=0,
    certain=lambda contents, at: False,
)


def find_lzma(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Streams that unpack to their end, to the size in the header where it has one."""
    heads = sorted(
        at
        for parameters in _LZMA_PARAMETERS
        for at in places(contents, bytes([parameters, 0]))
        if _lzma_head(contents, at)
    )
    for finding in find_streams(_LZMA_FORMAT, contents, heads, packed):
        if int(dict(finding.details)["unpacked"].split()[0]) >= DOUBT:
            yield finding


# --- bzip2 ---------------------------------------------------------------------------------------

_BLOCK = bytes.fromhex("314159265359")


def _bzip2_head(contents: bytes, at: int) -> bool:
    block = contents[at + 4 : at + 10]
    wrong = int.from_bytes(block, "big") ^ int.from_bytes(_BLOCK, "big")
    return contents[at + 3 : at + 4] in b"123456789" and len(block) == 6 and wrong.bit_count() <= 1


_BZIP2_FORMAT = StreamFormat(
    "bzip2",
    "bzip2 stream",
    unpack.bzip2_decoder,
    lambda contents, at: "CRC-32 of each block",
    lambda contents, at: 4,
    tail_at=0,
    tail=1,
    certain=lambda contents, at: True,
    weight=_COSTLY,
)


def find_bzip2(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Streams with at least one block."""
    candidates = (at for at in places(contents, b"BZh") if _bzip2_head(contents, at))
    return find_streams(_BZIP2_FORMAT, contents, candidates, packed)


# --- zstd ----------------------------------------------------------------------------------------

_MOST_BLOCKS = 1000
_ZSTD = bytes.fromhex("28b52ffd")


def _zstd_head(contents: bytes, at: int) -> int:
    """Length of magic and frame header; RFC 8878, section 3.1.1.1."""
    flags = contents[at + 4]
    single = flags >> 5 & 1
    size = (single, 2, 4, 8)[flags >> 6]
    return 5 + (1 - single) + (0, 1, 2, 4)[flags & 3] + size


def _zstd_chain(contents: bytes, at: int) -> bool:
    """Whether block headers lead from one to the next up to a last block."""
    at += _zstd_head(contents, at)
    for _ in range(_MOST_BLOCKS):
        header = int.from_bytes(contents[at : at + 3], "little")
        last, sort, size = header & 1, header >> 1 & 3, header >> 3
        if at + 3 > len(contents) or sort == 3 or size > 128 << 10:
            return False
        at += 3 + (1 if sort == 1 else size)
        if last:
            return at <= len(contents)
    return False


_ZSTD_FORMAT = StreamFormat(
    "zstd",
    "zstd frame",
    unpack.zstd_decoder,
    lambda contents, at: "XXH64" if contents[at + 4] & 4 else "",
    lambda contents, at: _zstd_head(contents, at) + 3,  # the first block's header too
    tail_at=0,
    tail=0,
    certain=_zstd_chain,
)


def find_zstd(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Frames; VOUCHED where they carry a content checksum."""
    candidates = (
        at
        for at in places(contents, _ZSTD)
        # The reserved bit of the header is zero; no stream of a board uses a dictionary.
        if at + 9 < len(contents) and not contents[at + 4] & 0b1011
    )
    return find_streams(_ZSTD_FORMAT, contents, candidates, packed)
