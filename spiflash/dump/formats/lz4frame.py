"""lz4 frames, and the older form that kernels are packed in.

Layout: lz4 frame format 1.6 (from memory; the tests compare with `lz4` and `lz4 -l`). A frame's
header has a checksum, its contents may have one. The older form has none: a magic number, then
blocks of 8 MiB of contents each but the last, with their packed sizes before them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import lz4.block
import lz4.frame

from spiflash.dump.budget import Budget
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import mended, outside, places
from spiflash.dump.formats.stream import DOUBT, StreamFormat, find_streams
from spiflash.dump.wording import counted

_LZ4 = bytes.fromhex("04224d18")


def _lz4_header_holds(header: bytes) -> bool:
    try:
        lz4.frame.get_frame_info(header)
    except (RuntimeError, ValueError):
        return False
    return header[:4] == _LZ4 and not header[4] & 1


_LZ4_FORMAT = StreamFormat(
    "lz4",
    "lz4 frame",
    unpack.lz4_decoder,
    lambda contents, at: "XXH32" if contents[at + 4] & 0x14 else "",
    lambda contents, at: 4,
    tail_at=0,
    tail=0,
    certain=lambda contents, at: True,
)


def find_lz4(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Frames whose header checksum holds; DAMAGED where it would with one bit turned."""
    budget = Budget(500)
    whole: list[int] = []
    for at in outside(places(contents, _LZ4), packed):
        header = contents[at : at + 19]
        if len(header) > 6 and _lz4_header_holds(header):
            whole.append(at)
        elif len(header) > 6 and mended(header[:15], _lz4_header_holds, budget):
            checks = ("one bit of the header is wrong: with it turned, its checksum holds",)
            yield Finding(at, 15, "lz4", "lz4 frame", Verdict.DAMAGED, checks)
    yield from find_streams(_LZ4_FORMAT, contents, whole, packed)


_LEGACY = bytes.fromhex("02214c18")
_LEGACY_BLOCK = 8 << 20


def find_lz4_legacy(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Streams of the older form whose first block unpacks."""
    budget = unpack.allowance(contents)
    done = 0
    for at in outside(places(contents, _LEGACY), packed):
        finding = _legacy(contents, at, budget) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _legacy(contents: bytes, at: int, budget: Budget) -> Finding | None:
    end, blocks, produced = at + 4, 0, 0
    while end + 4 <= len(contents):
        size = int.from_bytes(contents[end : end + 4], "little")
        block = contents[end + 4 : end + 4 + size] if size <= 2 * _LEGACY_BLOCK else b""
        if len(block) != size or not size or not budget.spend(_LEGACY_BLOCK // 4 + size):
            break
        try:
            length = len(lz4.block.decompress(block, uncompressed_size=_LEGACY_BLOCK))
        except (lz4.block.LZ4BlockError, ValueError, MemoryError):
            break
        end, blocks, produced = end + 4 + size, blocks + 1, produced + length
        if length < _LEGACY_BLOCK:
            break
    if produced < DOUBT:
        return None
    return Finding(
        at,
        end - at,
        "lz4",
        "lz4 stream, older form",
        Verdict.CONSISTENT,
        (f"{counted(blocks, 'block')} unpack; the form has no checksum",),
        (("unpacked", f"{produced} bytes"), ("checksum", "none")),
    )
