"""Streams of LZMA alone, each unpacked to its end; the layout of the header is from memory."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.finding import Finding, Span
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import places
from spiflash.dump.formats.stream import DOUBT, StreamFormat, find_streams

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
