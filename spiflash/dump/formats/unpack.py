"""Decompressors with one interface and a bound: whole streams, and single blocks of file systems.

A stream is unpacked to learn where it ends and whether it is whole; its contents are not kept. The
decompressors are the standard library's and two well-kept bindings. LZO1X is written here because
no wheel of a binding exists: Linux, Documentation/staging/lzo.rst (from memory; the tests compare
with `mksquashfs -comp lzo` and `unsquashfs`). It runs at some megabytes a second and has no
checksum: unpacking to the right size is a sign, not a proof.
"""

from __future__ import annotations

import bz2
import enum
import lzma
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import lz4.block
import lz4.frame
import zstandard

from spiflash.dump.formats import Budget

# Streams -----------------------------------------------------------------------------------------

MEMORY = 128 << 20
"""Bytes of dictionary or window that a stream may ask for: what `zstd --ultra -22` and the Linux
kernel's own `xz` ask for at the most, and twice that of `xz -9` (their manual pages). Only what is
unpacked is ever touched of it. What asks for more is NOT CHECKED."""

_LIMIT = MEMORY + (1 << 20)
"""For liblzma, which counts its own state as well."""

_STEP = 256
_FIRST_STEP, _FIRST = 16, 1024  # finer at first: what counts is how much came out before an error
_PIECE = 1 << 20
_ERRORS = (zlib.error, lzma.LZMAError, OSError, EOFError, ValueError, RuntimeError)
_STREAM_FAILURES = (*_ERRORS, zstandard.ZstdError)


class End(enum.Enum):
    """How unpacking ended."""

    COMPLETE = "complete"
    FAILED = "failed"
    CUT = "cut off at the end of the dump"
    LIMIT = "longer than this survey unpacks"


@dataclass(frozen=True, slots=True)
class Outcome:
    """`consumed` bytes of input gave `produced` bytes.

    For FAILED the damage is in the `consumed` bytes; they end less than 256 bytes
    after the place where the decompressor failed.
    """

    end: End
    consumed: int
    produced: int


class Decoder(Protocol):
    """What `bz2` and `lzma` of the standard library offer."""

    @property
    def eof(self) -> bool: ...
    @property
    def needs_input(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decompress(self, data: bytes, max_length: int = -1) -> bytes: ...


class _Wrapped:
    """A decompressor that does not say whether it needs input."""

    needs_input = True
    _inner: Any

    @property
    def eof(self) -> bool:
        return bool(self._inner.eof)

    @property
    def unused_data(self) -> bytes:
        return bytes(self._inner.unused_data)


class _Zlib(_Wrapped):
    """`zlib` as a Decoder."""

    def __init__(self, window: int) -> None:
        self._inner = zlib.decompressobj(window)

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        tail = self._inner.unconsumed_tail
        piece = self._inner.decompress(tail + data if tail else data, max(max_length, 0))
        # After a full piece more may be waiting, even when all input is taken.
        self.needs_input = not self._inner.unconsumed_tail
        return bytes(piece)


class _Zstd(_Wrapped):
    """`zstandard` as a Decoder.

    It knows no bound for one step's output, but a block of four bytes gives at most 128 KiB, so
    that the 256 bytes of a step give at most 8 MiB.
    """

    def __init__(self) -> None:
        self._inner = zstandard.ZstdDecompressor(max_window_size=MEMORY).decompressobj()

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        return bytes(self._inner.decompress(data)) if data else b""


class _Lzma(_Wrapped):
    """`lzma` for LZMA alone, as a Decoder.

    A dictionary larger than MEMORY is cut down to it: contents that are not longer never reach
    back further, whatever the header asks for.
    """

    def __init__(self) -> None:
        self._inner = lzma.LZMADecompressor(lzma.FORMAT_ALONE, _LIMIT)
        self._header = True

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        if self._header and int.from_bytes(data[1:5], "little") > MEMORY:
            data = data[:1] + MEMORY.to_bytes(4, "little") + data[5:]
        self._header = False
        piece = bytes(self._inner.decompress(data, max_length))
        self.needs_input = bool(self._inner.needs_input)
        return piece


DECODERS: dict[str, Callable[[], Decoder]] = {
    "gzip": lambda: _Zlib(31),  # checks CRC-32 and size, as RFC 1952 says
    "xz": lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ, _LIMIT),
    "lzma": _Lzma,
    "bzip2": bz2.BZ2Decompressor,
    "zstd": _Zstd,
    "lz4": lz4.frame.LZ4FrameDecompressor,
}
"""By the kind of stream."""


def drive(decoder: Decoder, contents: bytes, at: int, budget: Budget, weight: int = 1) -> Outcome:
    """Unpack from `at`, spending `weight` units of `budget` for each byte taken or given."""
    fed, produced = at, 0
    try:
        while not decoder.eof:
            data = b""
            if decoder.needs_input:
                if fed >= len(contents):
                    return Outcome(End.CUT, len(contents) - at, produced)
                step = _STEP if fed - at >= _FIRST else _FIRST_STEP
                data = contents[fed : fed + step]
                fed += len(data)
            piece = decoder.decompress(data, _PIECE)
            produced += len(piece)
            if not budget.spend((len(piece) + len(data) + 64) * weight):
                return Outcome(End.LIMIT, fed - at, produced)
    except MemoryError:
        return Outcome(End.LIMIT, fed - at, produced)
    except _STREAM_FAILURES as error:
        # A later block may ask for more than the first. CPython gives liblzma's status as text
        # alone; the tests compare it with the real library.
        if isinstance(error, lzma.LZMAError) and "emory usage limit" in str(error):
            return Outcome(End.LIMIT, fed - at, produced)
        return Outcome(End.FAILED, fed - at, produced)
    return Outcome(End.COMPLETE, fed - len(decoder.unused_data) - at, produced)


def allowance(contents: bytes) -> Budget:
    """What the search for streams, or for one kind of file system, may spend: some seconds at the
    most, in bytes of gzip.

    Enough for the greatest block of bzip2, 46 MB, in the smallest dump, and for an `xz` kernel
    that fills a 16 MiB flash.
    """
    return Budget((448 << 20) + 32 * len(contents))


# LZO1X -------------------------------------------------------------------------------------------


class LzoError(ValueError):
    """The bytes are no LZO1X stream, or give more than was allowed."""


def unpack_lzo(packed: bytes, limit: int) -> bytes:
    """The contents of a whole stream, at most `limit` bytes; LzoError otherwise."""
    try:
        return _unpack_lzo(packed, limit)
    except IndexError:
        raise LzoError("ends early") from None


def _unpack_lzo(packed: bytes, limit: int) -> bytes:
    out = bytearray()
    at, state = 0, 0
    if packed[0] > 17:
        at = 1 + packed[0] - 17
        out += _lzo_literals(packed, 1, at)
        state = min(at - 1, 4)
    while True:
        code = packed[at]
        at += 1
        if code >= 64:
            length = (code >> 5) + 1
            distance = (packed[at] << 3) + (code >> 2 & 7) + 1
            at += 1
            follow = code & 3
        elif code >= 16:
            mask = 31 if code >= 32 else 7
            length, at = _lzo_length(packed, at, code & mask, mask)
            length += 2
            word = packed[at] | packed[at + 1] << 8
            at += 2
            follow = word & 3
            distance = (word >> 2) + 1
            if code < 32:
                distance += 16383 + ((code & 8) << 11)
                if distance == 16384:
                    if at != len(packed) or length != 3:
                        raise LzoError("ends before its input")
                    return bytes(out)
        elif state == 0:
            length, at = _lzo_length(packed, at, code, 15)
            out += _lzo_literals(packed, at, at + length + 3)
            at += length + 3
            state = 4
            if len(out) > limit:
                raise LzoError("too long")
            continue
        else:
            far = 2049 if state == 4 else 1
            distance = (packed[at] << 2) + (code >> 2) + far
            length = 3 if state == 4 else 2
            at += 1
            follow = code & 3
        start = len(out) - distance
        if start < 0 or len(out) + length > limit:
            raise LzoError("points before the beginning, or too long")
        if distance >= length:
            out += out[start : start + length]
        else:  # the copy overlaps itself: a repeating pattern
            out += (out[start:] * (length // distance + 1))[:length]
        if follow:
            out += _lzo_literals(packed, at, at + follow)
            at += follow
        state = follow


def _lzo_length(packed: bytes, at: int, bits: int, most: int) -> tuple[int, int]:
    """A length that may continue in further bytes, and the offset after them."""
    if bits:
        return bits, at
    length = most
    while not packed[at]:
        length += 255
        at += 1
    return length + packed[at], at + 1


def _lzo_literals(packed: bytes, start: int, end: int) -> bytes:
    if end > len(packed):
        raise LzoError("ends early")
    return packed[start:end]


# Blocks ------------------------------------------------------------------------------------------


class BlockError(ValueError):
    """A block does not unpack, is too long, or its checksum fails."""


@dataclass(frozen=True, slots=True)
class Unpacked:
    """The contents, whether a checksum of theirs is OK, and how many bytes at the end of the
    packed block no checksum looks at in full."""

    contents: bytes
    verified: bool
    loose_tail: int = 0


def _whole(decoder: Any, packed: bytes, limit: int) -> bytes:
    contents = bytes(decoder.decompress(packed, limit + 1))
    if not decoder.eof or decoder.unused_data:
        raise BlockError("ends early or late")
    return contents


def _xz_block(packed: bytes, limit: int) -> Unpacked:
    decoder = lzma.LZMADecompressor(lzma.FORMAT_XZ, MEMORY)
    contents = _whole(decoder, packed, limit)
    return Unpacked(contents, decoder.check != lzma.CHECK_NONE)


def _lzma_block(packed: bytes, limit: int) -> Unpacked:
    decoder = lzma.LZMADecompressor(lzma.FORMAT_ALONE, MEMORY)
    contents = decoder.decompress(packed, limit + 1)
    size = int.from_bytes(packed[5:13], "little")
    if not decoder.eof and len(contents) != size:
        raise BlockError("ends early")
    return Unpacked(contents, False)


def _zstd_block(packed: bytes, limit: int) -> Unpacked:
    parameters = zstandard.get_frame_parameters(packed)
    # The binding makes room for what the header claims.
    if parameters.content_size > limit and parameters.content_size != zstandard.CONTENTSIZE_UNKNOWN:
        raise BlockError("claims too much")
    decoder = zstandard.ZstdDecompressor(max_window_size=MEMORY)
    contents = decoder.decompress(packed, max_output_size=limit + 1, allow_extra_data=False)
    return Unpacked(contents, parameters.has_checksum)


_UNPACKERS: dict[str, Callable[[bytes, int], Unpacked]] = {
    "gzip": lambda packed, limit: Unpacked(_whole(zlib.decompressobj(), packed, limit), True, 5),
    "lzma": _lzma_block,
    "lzo": lambda packed, limit: Unpacked(unpack_lzo(packed, limit), False),
    "xz": _xz_block,
    "lz4": lambda packed, limit: Unpacked(lz4.block.decompress(packed, limit), False),
    "zstd": _zstd_block,
}
_BLOCK_FAILURES = (
    *(zlib.error, lzma.LZMAError, lz4.block.LZ4BlockError, zstandard.ZstdError),
    *(ValueError, EOFError, MemoryError, RuntimeError),
)

BLOCK_COST = {"lzo": 64, "lzma": 4, "xz": 4}
"""What a byte costs beside one of gzip, lz4 or zstd, roughly; 1 where not named."""


def unpack_block(compression: str, packed: bytes, limit: int) -> Unpacked:
    """A block of `compression` that holds at most `limit` bytes; BlockError when it does not."""
    try:
        result = _UNPACKERS[compression](packed, limit)
    except _BLOCK_FAILURES as error:
        raise BlockError(str(error)) from None
    if len(result.contents) > limit:
        raise BlockError("too long")
    return result


def begins_archive(contents: bytes, at: int) -> bool:
    """Whether a whole gzip stream holds a cpio archive, as an initramfs by itself does."""
    head = zlib.decompressobj(wbits=31).decompress(contents[at : at + (64 << 10)], 110)
    return re.fullmatch(rb"07070[12][0-9a-fA-F]{104}", head) is not None
