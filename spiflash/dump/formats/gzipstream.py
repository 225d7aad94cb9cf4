"""gzip streams (RFC 1952), each unpacked to its end."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from spiflash.dump.finding import Finding, Span
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import places
from spiflash.dump.formats.stream import StreamFormat, find_streams

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
