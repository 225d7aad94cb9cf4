"""Unpacking single blocks of a compressed file system, each of a known greatest size."""

from __future__ import annotations

import lzma
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import lz4.block
import zstandard

from spiflash.dump.formats import lzo
from spiflash.dump.formats.unpack import MEMORY


class BlockError(ValueError):
    """A block does not unpack, is too long, or its checksum fails."""


@dataclass(frozen=True, slots=True)
class Unpacked:
    """The contents, whether a checksum of theirs held, and how many bytes at the end of the
    packed block no checksum looks at in full."""

    contents: bytes
    vouched: bool
    loose_tail: int = 0


def _zlib(packed: bytes, limit: int) -> Unpacked:
    decoder = zlib.decompressobj()
    contents = decoder.decompress(packed, limit + 1)
    if not decoder.eof or decoder.unused_data:
        raise BlockError("ends early or late")
    return Unpacked(contents, True, loose_tail=5)


def _xz(packed: bytes, limit: int) -> Unpacked:
    decoder = lzma.LZMADecompressor(lzma.FORMAT_XZ, MEMORY)
    contents = decoder.decompress(packed, limit + 1)
    if not decoder.eof or decoder.unused_data:
        raise BlockError("ends early or late")
    return Unpacked(contents, decoder.check != lzma.CHECK_NONE)


def _lzma(packed: bytes, limit: int) -> Unpacked:
    decoder = lzma.LZMADecompressor(lzma.FORMAT_ALONE, MEMORY)
    contents = decoder.decompress(packed, limit + 1)
    size = int.from_bytes(packed[5:13], "little")
    if not decoder.eof and len(contents) != size:
        raise BlockError("ends early")
    return Unpacked(contents, False)


def _zstd(packed: bytes, limit: int) -> Unpacked:
    parameters = zstandard.get_frame_parameters(packed)
    # The binding makes room for what the header claims.
    if parameters.content_size > limit and parameters.content_size != zstandard.CONTENTSIZE_UNKNOWN:
        raise BlockError("claims too much")
    decoder = zstandard.ZstdDecompressor(max_window_size=MEMORY)
    contents = decoder.decompress(packed, max_output_size=limit + 1, allow_extra_data=False)
    return Unpacked(contents, parameters.has_checksum)


def _lz4(packed: bytes, limit: int) -> Unpacked:
    return Unpacked(lz4.block.decompress(packed, uncompressed_size=limit), False)


def _lzo(packed: bytes, limit: int) -> Unpacked:
    return Unpacked(lzo.unpack(packed, limit), False)


_UNPACKERS: dict[str, Callable[[bytes, int], Unpacked]] = {
    "gzip": _zlib,
    "lzma": _lzma,
    "lzo": _lzo,
    "xz": _xz,
    "lz4": _lz4,
    "zstd": _zstd,
}
_FAILURES = (
    *(zlib.error, lzma.LZMAError, lz4.block.LZ4BlockError, zstandard.ZstdError),
    *(ValueError, EOFError, MemoryError, RuntimeError),
)

COST = {"lzo": 64, "lzma": 4, "xz": 4}
"""What a byte costs beside one of gzip, lz4 or zstd, roughly; 1 where not named."""


def unpacked(compression: str, packed: bytes, limit: int) -> Unpacked:
    """A block of `compression` that holds at most `limit` bytes; BlockError when it does not."""
    try:
        result = _UNPACKERS[compression](packed, limit)
    except _FAILURES as error:
        raise BlockError(str(error)) from None
    if len(result.contents) > limit:
        raise BlockError("too long")
    return result
