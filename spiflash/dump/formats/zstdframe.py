"""zstd frames (RFC 8878), each unpacked to its end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from spiflash.dump.finding import Finding, Span
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import places
from spiflash.dump.formats.stream import StreamFormat, find_streams

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
