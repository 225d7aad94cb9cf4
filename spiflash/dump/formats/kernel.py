"""Kernels as they are built, without an image header around them: ARM, AArch64 and RISC-V.

Sources: Linux 6.1, Documentation/arm64/booting.rst, Documentation/riscv/boot-image-header.rst and,
for zImage, arch/arm/boot/compressed/head.S. None of them has a checksum. Raw kernels of other
processors begin with instructions that nothing marks.
"""

from __future__ import annotations

import itertools
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.dump.facts import Architecture, Holds, ImageFacts
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import outside, places
from spiflash.text import counted

_MOST = 64
_SECTOR = 4096
_SMALLEST, _LARGEST = 64 << 10, 256 << 20
_ZIMAGE = struct.pack("<I", 0x016F2818)


@dataclass(frozen=True, slots=True)
class _Header:
    """The 64 bytes that both 64-bit kernels begin with: where the magic stands in them, and the
    bytes that are zero."""

    architecture: Architecture
    magic: bytes
    at: int
    zero: slice


_HEADERS = (
    _Header(Architecture.ARM64, b"ARM\x64", 56, slice(32, 56)),
    _Header(Architecture.RISCV, b"RSC\x05", 56, slice(36, 48)),
)


def find_kernels(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Raw kernels by their headers; how far one reaches is an upper bound where the header counts
    memory that the file does not hold."""
    for header in _HEADERS:
        starts = (place - header.at for place in places(contents, header.magic))
        found = (_image(contents, at, header, packed) for at in outside(starts, packed))
        yield from itertools.islice(filter(None, found), _MOST)
    starts = (place - 0x24 for place in places(contents, _ZIMAGE))
    found = (_zimage(contents, at) for at in outside(starts, packed))
    yield from itertools.islice(filter(None, found), _MOST)


def _image(contents: bytes, at: int, header: _Header, packed: Sequence[Span]) -> Finding | None:
    raw = contents[at : at + 64] if at >= 0 else b""
    if len(raw) < 64 or any(raw[header.zero]):
        return None
    offset, size, flags = struct.unpack_from("<3Q", raw, 8)
    if offset % _SECTOR or flags >> 4 or not _SMALLEST <= size <= _LARGEST:
        return None
    # The size counts memory behind the file; blank flash or a file system ends it sooner.
    limit = min([at + size, len(contents), *(start for start, _ in packed if start > at)])
    end = _first_blank(contents, at, limit)
    return _finding(at, end, header.architecture, "kernel", f"needs {counted(size, 'byte')}")


def _first_blank(contents: bytes, at: int, limit: int) -> int:
    """Where the first blank sector begins behind `at`."""
    low = -(-at // _SECTOR) * _SECTOR
    count = max(limit - low, 0) // _SECTOR
    data = np.frombuffer(contents, np.uint8, count=count * _SECTOR, offset=low if count else 0)
    for index in range(0, count, 64):
        rows = data[index * _SECTOR : (index + 64) * _SECTOR].reshape(-1, _SECTOR)
        blank = np.flatnonzero((rows == 0xFF).all(axis=1))
        if len(blank):
            return int(low + (index + blank[0]) * _SECTOR)
    return limit


def _zimage(contents: bytes, at: int) -> Finding | None:
    if at < 0 or len(contents) < at + 0x34:
        return None
    start, end, order = struct.unpack_from("<3I", contents, at + 0x28)
    size = end - start
    # Before Linux 4.3 no word says the byte order; then the eight instructions in front are equal.
    plain = len(set(struct.unpack_from("<8I", contents, at))) <= 2
    if not (order == 0x04030201 or plain) or not _SMALLEST <= size <= len(contents) - at:
        return None
    return _finding(at, at + size, Architecture.ARM, "kernel that unpacks itself", "zImage header")


def _finding(at: int, end: int, architecture: Architecture, title: str, check: str) -> Finding:
    return Finding(
        at,
        end - at,
        "kernel",
        f"{architecture.value} {title}",
        Verdict.CONSISTENT,
        (f"header of the usual form; {check}; it has no checksum",),
        (("length", counted(end - at, "byte")),),
        facts=ImageFacts(
            name="",
            holds=Holds.KERNEL,
            architecture=architecture,
            system="Linux",
            compression="none",
            data=(at, end),
            size=end - at,
            checksum_ok=None,
        ),
    )
