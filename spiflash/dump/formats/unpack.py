"""Unpacking compressed streams to learn where they end and whether they are sound.

The decompressors are the standard library's and two well-kept bindings; here they get one face
and a bound. Nothing that is unpacked is kept: what counts is the outcome.
"""

from __future__ import annotations

import bz2
import enum
import lzma
import zlib
from dataclasses import dataclass
from typing import Protocol

import lz4.frame
import zstandard

from spiflash.dump.budget import Budget

MEMORY = 128 << 20
"""Bytes of dictionary or window that a stream may ask for: what `zstd --ultra -22` and the Linux
kernel's own `xz` ask for at the most, and twice that of `xz -9` (their manual pages). Only what is
unpacked is ever touched of it. What asks for more is NOT CHECKED."""

_LIMIT = MEMORY + (1 << 20)
"""For liblzma, which counts its own state as well."""

_STEP = 256
_FIRST_STEP, _FIRST = 16, 1024  # finer at first: how much came out before an error tells a lot
_PIECE = 1 << 20
_ERRORS = (zlib.error, lzma.LZMAError, OSError, EOFError, ValueError, RuntimeError)
_FAILURES = (*_ERRORS, zstandard.ZstdError)


class End(enum.Enum):
    """How unpacking ended."""

    COMPLETE = "complete"
    FAILED = "failed"
    CUT = "cut off at the end of the dump"
    LIMIT = "longer than this survey unpacks"


@dataclass(frozen=True, slots=True)
class Outcome:
    """`consumed` bytes of input gave `produced` bytes.

    For FAILED the damage lies in the `consumed` bytes; they end less than 256 bytes
    behind the place where the decompressor stumbled.
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


class _Zlib:
    """`zlib` with the face of a Decoder."""

    needs_input = True

    def __init__(self, window: int) -> None:
        self._inner = zlib.decompressobj(window)

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        tail = self._inner.unconsumed_tail
        piece = self._inner.decompress(tail + data if tail else data, max(max_length, 0))
        # A full piece may leave more behind even when all input is taken.
        self.needs_input = not self._inner.unconsumed_tail
        return piece


class _Zstd:
    """`zstandard` with the face of a Decoder.

    It knows no bound for one step's output, but a block of four bytes gives at most 128 KiB, so
    that the 256 bytes of a step give at most 8 MiB.
    """

    needs_input = True

    def __init__(self) -> None:
        self._inner = zstandard.ZstdDecompressor(max_window_size=MEMORY).decompressobj()

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        return self._inner.decompress(data) if data else b""


def gzip_decoder() -> Decoder:
    """Checks CRC-32 and size, as RFC 1952 says."""
    return _Zlib(31)


def xz_decoder() -> Decoder:
    return lzma.LZMADecompressor(lzma.FORMAT_XZ, _LIMIT)


def lzma_decoder() -> Decoder:
    return lzma.LZMADecompressor(lzma.FORMAT_ALONE, _LIMIT)


def bzip2_decoder() -> Decoder:
    return bz2.BZ2Decompressor()


def zstd_decoder() -> Decoder:
    return _Zstd()


def lz4_decoder() -> Decoder:
    decoder: Decoder = lz4.frame.LZ4FrameDecompressor()
    return decoder


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
    except _FAILURES as error:
        # A later block may ask for more than the first. CPython gives liblzma's status as text
        # alone; the tests hold it against the real library.
        if isinstance(error, lzma.LZMAError) and "emory usage limit" in str(error):
            return Outcome(End.LIMIT, fed - at, produced)
        return Outcome(End.FAILED, fed - at, produced)
    return Outcome(End.COMPLETE, fed - len(decoder.unused_data) - at, produced)


def allowance(contents: bytes) -> Budget:
    """What the search for streams, or for one sort of file system, may spend: some seconds at the
    most, in bytes of gzip.

    Enough for the greatest block of bzip2, 46 MB, in the smallest dump, and for an `xz` kernel
    that fills a 16 MiB flash.
    """
    return Budget((448 << 20) + 32 * len(contents))
