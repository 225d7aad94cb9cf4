"""Compressed streams, each unpacked to its end: gzip, xz, LZMA alone, bzip2, zstd and lz4.

Sources: gzip RFC 1952; "The .xz File Format" 1.2 (Tukaani); zstd RFC 8878; lz4 frame format 1.6;
the headers of LZMA alone and bzip2 from memory. The tests compare with the programs that define
them, at every level and with the settings of the Linux kernel's own build.

What needs more memory than a survey may take, or more time, is NOT CHECKED: no sign of damage.
"""

from __future__ import annotations

import itertools
import re
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from zlib import crc32

import lz4.block
import lz4.frame
import numpy as np
import zstandard

from spiflash.dump.finding import Finding, StreamFacts, Verdict
from spiflash.dump.formats import Budget, mended, near_places, one_by_one, outside, places, unpack
from spiflash.dump.formats.unpack import End, Outcome
from spiflash.spans import Span
from spiflash.text import counted

_ATTEMPT = 4096  # units for the attempt alone
_DOUBT = 64  # bytes of contents below which a failing decompressor may have seen no stream
_MOST_MENDED = 500
_MOST = 600  # findings of one kind, so that a flood of one does not hide another


@dataclass(frozen=True, slots=True)
class _Kind:
    """One kind of stream.

    `magic` begins it, and `plausible` says whether a header can be there; LZMA alone has no magic.
    `check` names the checksum of the contents, empty for none. `head` is the length of the header
    that no checksum covers; `loose` how many bytes follow the one near the end that none looks at
    in full, None where there is no such byte. `proven` says whether the header proves itself.
    `needs` is the memory in bytes that it asks for. `weight` is what a byte costs beside one of
    gzip, roughly.
    """

    kind: str
    title: str
    magic: bytes
    plausible: Callable[[bytes, int], bool]
    check: Callable[[bytes, int], str]
    needs: Callable[[bytes, int], int] = lambda contents, at: 0
    head: Callable[[bytes, int], int] = lambda contents, at: 0
    proven: Callable[[bytes, int], bool] = lambda contents, at: True
    loose: int | None = None
    weight: int = 1

    def starts(self, contents: bytes) -> Iterator[int]:
        if not self.magic:
            return _lzma_starts(contents)
        return (at for at in places(contents, self.magic) if self.plausible(contents, at))


_GZIP = re.compile(rb"\x1f\x8b\x08[\0-\x1f].{4}[\0\2\4][\0-\x0d\xff]", re.DOTALL)


def _gzip_head(contents: bytes, at: int) -> int:
    flags, after = contents[at + 3], at + 10
    if flags & 4:
        after += 2 + int.from_bytes(contents[after : after + 2], "little")
    for flag in (8, 16):
        if flags & flag:
            after = contents.find(b"\0", after) + 1 or len(contents)
    return after + (2 if flags & 2 else 0) - at


_XZ = b"\xfd7zXZ\0"
_XZ_CHECKS = {0: "", 1: "CRC-32", 4: "CRC-64", 10: "SHA-256"}
_LZMA2 = 0x21


def _xz_header_holds(header: bytes) -> bool:
    return (
        len(header) == 12
        and header[:6] == _XZ
        and crc32(header[6:8]) == int.from_bytes(header[8:12], "little")
    )


def _xz_needs(contents: bytes, at: int) -> int:
    """The dictionary of the first block: sections 3.1 and 5.3.1 of the format."""
    header = contents[at + 12 : at + 12 + 1024]
    try:
        place = 2 + sum(_number(header, 2)[1] for flag in (0x40,) if header[1] & flag)
        if header[1] & 0x80:
            place += _number(header, place)[1]
        for _ in range((header[1] & 3) + 1):
            name, length = _number(header, place)
            size, more = _number(header, place + length)
            place += length + more
            if name == _LZMA2 and size == 1:
                bits = header[place] & 0x3F
                return (2 | bits & 1) << (bits // 2 + 11)
            place += size
    except IndexError:
        pass
    return 0


def _number(raw: bytes, at: int) -> tuple[int, int]:
    """A number of variable length, and how many bytes it takes."""
    value = 0
    for index in range(9):
        byte = raw[at + index]
        value |= (byte & 0x7F) << (7 * index)
        if not byte & 0x80:
            return value, index + 1
    raise IndexError


_LZMA_LARGEST = 256 << 20
_LZMA_UNKNOWN = (1 << 64) - 1
_PIECE = 1 << 20
# (pb * 5 + lp) * 9 + lc, lc + lp at most 4 as liblzma requires; all three zero is left out, since
# zeros are everywhere.
_PARAMETERS = np.zeros(256, dtype=bool)
_PARAMETERS[
    [
        (pb * 5 + lp) * 9 + lc
        for pb in range(5)
        for lp in range(5)
        for lc in range(5 - lp)
        if pb or lp or lc
    ]
] = True


def _lzma_starts(contents: bytes) -> Iterator[int]:
    """Where 13 bytes can be a header, and a zero follows, as in every stream: parameters, a
    dictionary that is a power of two or three quarters of one, a size or none."""
    data = np.frombuffer(contents, dtype=np.uint8)
    for low in range(0, max(len(data) - 17, 0), _PIECE):
        part = data[low : low + _PIECE + 17]
        size = len(part) - 17
        if size < 1:
            return
        fits = _PARAMETERS[part[:size]] & (part[1 : 1 + size] == 0) & (part[13 : 13 + size] == 0)
        for at in (np.flatnonzero(fits) + low).tolist():
            dictionary, length = struct.unpack_from("<IQ", contents, at + 1)
            step = dictionary & -dictionary
            if (
                dictionary >= 4096
                and dictionary in (step, 3 * step)
                and (0 < length <= _LZMA_LARGEST or length == _LZMA_UNKNOWN)
            ):
                yield at


_BZIP2_BLOCK = int.from_bytes(bytes.fromhex("314159265359"), "big")


def _bzip2_begins(contents: bytes, at: int) -> bool:
    """Whether a stream with at least one block begins, whose mark may have one bit wrong."""
    block = contents[at + 4 : at + 10]
    wrong = int.from_bytes(block, "big") ^ _BZIP2_BLOCK
    return len(block) == 6 and contents[at + 3] in b"123456789" and wrong.bit_count() <= 1


_ZSTD = bytes.fromhex("28b52ffd")
_ZSTD_BLOCKS = 1000


def _zstd_head(contents: bytes, at: int) -> int:
    """Length of magic and frame header; RFC 8878, section 3.1.1.1."""
    flags = contents[at + 4]
    single = flags >> 5 & 1
    size = (single, 2, 4, 8)[flags >> 6]
    return 5 + (1 - single) + (0, 1, 2, 4)[flags & 3] + size


def _zstd_needs(contents: bytes, at: int) -> int:
    try:
        return int(zstandard.get_frame_parameters(contents[at : at + 18]).window_size)
    except zstandard.ZstdError:
        return 0


def _zstd_end(contents: bytes, at: int) -> int | None:
    """Where the chain of block headers ends; None where it is broken."""
    summed = contents[at + 4] & 4
    at += _zstd_head(contents, at)
    for _ in range(_ZSTD_BLOCKS):
        header = int.from_bytes(contents[at : at + 3], "little")
        last, kind, size = header & 1, header >> 1 & 3, header >> 3
        if at + 3 > len(contents) or kind == 3 or size > 128 << 10:
            return None
        at += 3 + (1 if kind == 1 else size)
        if last:
            end = at + summed
            return end if end <= len(contents) else None
    return None


_LZ4 = bytes.fromhex("04224d18")
_LZ4_OLDER = bytes.fromhex("02214c18")
_LZ4_BLOCK = 8 << 20


def _lz4_header_holds(header: bytes) -> bool:
    try:
        lz4.frame.get_frame_info(header)
    except (RuntimeError, ValueError):
        return False
    return header[:4] == _LZ4 and not header[4] & 1


_KINDS = (
    _Kind(
        *("gzip", "gzip stream", b"\x1f\x8b\x08"),
        lambda contents, at: _GZIP.match(contents, at) is not None,
        check=lambda contents, at: "CRC-32 and size",
        head=_gzip_head,
        proven=lambda contents, at: False,
        loose=8,
    ),
    _Kind(
        *("xz", "xz stream", _XZ),
        lambda contents, at: _xz_header_holds(contents[at : at + 12]),
        check=lambda contents, at: _XZ_CHECKS.get(contents[at + 7], ""),
        needs=_xz_needs,
        weight=4,
    ),
    _Kind(
        *("lzma", "lzma stream", b""),
        lambda contents, at: True,
        check=lambda contents, at: "",
        head=lambda contents, at: 13,
        proven=lambda contents, at: False,
        weight=4,
    ),
    _Kind(
        *("bzip2", "bzip2 stream", b"BZh"),
        _bzip2_begins,
        check=lambda contents, at: "CRC-32 of each block",
        head=lambda contents, at: 4,
        loose=0,
        weight=8,
    ),
    _Kind(
        *("zstd", "zstd frame", _ZSTD),
        # The reserved bit of the header is zero; no stream of a board uses a dictionary.
        lambda contents, at: at + 9 < len(contents) and not contents[at + 4] & 0b1011,
        check=lambda contents, at: "XXH64" if contents[at + 4] & 4 else "",
        needs=_zstd_needs,
        head=lambda contents, at: _zstd_head(contents, at) + 3,  # the first block's header too
        proven=lambda contents, at: _zstd_end(contents, at) is not None,
    ),
    _Kind(
        *("lz4", "lz4 frame", _LZ4),
        lambda contents, at: at + 7 <= len(contents) and _lz4_header_holds(contents[at : at + 19]),
        check=lambda contents, at: "XXH32" if contents[at + 4] & 0x14 else "",
        head=lambda contents, at: 4,
    ),
)


def find_streams(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Every stream, kind by kind. VERIFIED where a checksum of the contents is OK; DAMAGED
    where it fails, or a header would be OK with one bit flipped; UNCHECKED where it needs too much
    memory or time; CONSISTENT where it unpacks and has no checksum."""
    budget = unpack.allowance(contents)
    for kind in _KINDS:
        yield from itertools.islice(_of_kind(kind, contents, packed, budget), _MOST)
    yield from _broken_heads(contents, packed)
    yield from _older_lz4(contents, packed, budget)


def _of_kind(
    kind: _Kind, contents: bytes, packed: Sequence[Span], budget: Budget
) -> Iterator[Finding]:
    done = 0
    for at in outside(kind.starts(contents), packed):
        if at < done:
            continue
        needs = kind.needs(contents, at)
        if needs > unpack.MEMORY:
            yield _unchecked(kind, contents, at, needs, f"it needs {needs >> 20} MiB of memory")
            continue
        if not budget.spend(_ATTEMPT * kind.weight):
            if kind.proven(contents, at):
                yield _unchecked(kind, contents, at, 0, "too many streams in this dump")
            continue
        outcome = unpack.drive(unpack.DECODERS[kind.kind](), contents, at, budget, kind.weight)
        finding = _judged(kind, contents, at, outcome)
        if finding is not None:
            yield finding
            done = finding.end if outcome.end is End.COMPLETE else at + 1


def _unchecked(kind: _Kind, contents: bytes, at: int, needs: int, why: str) -> Finding:
    check = kind.check(contents, at)
    end = _zstd_end(contents, at) if kind.kind == "zstd" else None
    return Finding(
        at,
        (end or min(at + 16, len(contents))) - at,
        kind.kind,
        f"{kind.title}, NOT CHECKED",
        Verdict.UNCHECKED,
        (f"NOT CHECKED: {why}",),
        (("checksum", check or "none"),),
        facts=StreamFacts(kind.kind, 0, False, check, needs),
    )


def _judged(kind: _Kind, contents: bytes, at: int, outcome: Outcome) -> Finding | None:
    check = kind.check(contents, at)
    complete = outcome.end is End.COMPLETE
    certain = not complete and kind.proven(contents, at)
    verdict, said = Verdict.CONSISTENT, "unpacks to the end; its contents have no checksum"
    uncovered: tuple[Span, ...] = ()
    length = outcome.consumed
    if complete:
        if kind.kind == "lzma" and outcome.produced < _DOUBT:
            return None
        if check:
            verdict, said = Verdict.VERIFIED, f"{check} of the unpacked contents OK"
            end = at + outcome.consumed
            uncovered = ((at, at + kind.head(contents, at)),)
            if kind.loose is not None:
                uncovered += ((end - kind.loose - 1, end - kind.loose),)
    elif outcome.end is End.LIMIT:
        if outcome.produced < _DOUBT:
            return None
        verdict = Verdict.UNCHECKED
        said = f"NOT CHECKED: unpacked to {outcome.produced:,} bytes and no further"
    elif not certain and outcome.produced < _DOUBT and not check:
        return None
    elif not certain and outcome.produced < _DOUBT:
        said = "the header is plausible, what follows does not unpack: damaged, or not a stream"
        length = min(length, 16)
    elif check or certain:
        verdict = Verdict.DAMAGED
        said = (
            f"cut off at the end of the dump after {outcome.produced:,} bytes"
            if outcome.end is End.CUT
            else f"fails to unpack, or {check or 'a checksum'} fails, within this range"
        )
    else:
        return None
    return Finding(
        at,
        length,
        kind.kind,
        kind.title,
        verdict,
        (said,),
        (("unpacked", f"{outcome.produced} bytes"), ("checksum", check or "none")),
        uncovered=tuple(span for span in uncovered if span[0] < span[1]),
        facts=StreamFacts(
            kind.kind,
            outcome.produced,
            complete,
            check,
            archive=complete and kind.kind == "gzip" and unpack.begins_archive(contents, at),
        ),
    )


def _broken_heads(contents: bytes, packed: Sequence[Span]) -> Iterator[Finding]:
    """Headers of xz and lz4 whose own checksum would be OK with one bit flipped."""
    for kind, title, magic, length, holds in (
        ("xz", "xz stream", _XZ, 12, _xz_header_holds),
        ("lz4", "lz4 frame", _LZ4, 15, _lz4_header_holds),
    ):
        budget = Budget(_MOST_MENDED)
        near = near_places(contents, magic) if kind == "xz" else []
        for at in outside(sorted({*places(contents, magic), *near}), packed):
            header = contents[at : at + length]
            whole = contents[at : at + 19] if kind == "lz4" else header
            if len(header) > 6 and not holds(whole) and mended(header, holds, budget):
                checks = ("one bit of the header is wrong: with it flipped, its checksum is OK",)
                yield Finding(at, length, kind, title, Verdict.DAMAGED, checks)


def _older_lz4(contents: bytes, packed: Sequence[Span], budget: Budget) -> Iterator[Finding]:
    """Streams in the form that kernels are packed in, whose first block unpacks: a magic number,
    then blocks of 8 MiB of contents each but the last, with their packed sizes before them."""
    starts = outside(places(contents, _LZ4_OLDER), packed)
    return one_by_one(starts, lambda at: _older(contents, at, budget))


def _older(contents: bytes, at: int, budget: Budget) -> Finding | None:
    end, blocks, produced = at + 4, 0, 0
    while end + 4 <= len(contents):
        size = int.from_bytes(contents[end : end + 4], "little")
        block = contents[end + 4 : end + 4 + size] if size <= 2 * _LZ4_BLOCK else b""
        if len(block) != size or not size or not budget.spend(_LZ4_BLOCK // 4 + size):
            break
        try:
            length = len(lz4.block.decompress(block, uncompressed_size=_LZ4_BLOCK))
        except (lz4.block.LZ4BlockError, ValueError, MemoryError):
            break
        end, blocks, produced = end + 4 + size, blocks + 1, produced + length
        if length < _LZ4_BLOCK:
            break
    if produced < _DOUBT:
        return None
    return Finding(
        at,
        end - at,
        "lz4",
        "lz4 stream, older form",
        Verdict.CONSISTENT,
        (f"{counted(blocks, 'block')} unpack; this form has no checksum",),
        (("unpacked", f"{produced} bytes"), ("checksum", "none")),
        facts=StreamFacts("lz4", produced, True, ""),
    )
