"""bzip2 streams, each unpacked to its end; the layout is from memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from spiflash.dump.finding import Finding, Span
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import places
from spiflash.dump.formats.stream import StreamFormat, find_streams

_COSTLY = 4  # bzip2 unpacks several times slower than the others
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
