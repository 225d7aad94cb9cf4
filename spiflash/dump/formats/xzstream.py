"""xz streams ("The .xz File Format" 1.2, Tukaani), each unpacked to its end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import mended, near_places, outside, places
from spiflash.dump.formats.stream import StreamFormat, find_streams

_XZ = b"\xfd7zXZ\0"
_XZ_CHECKS = {0: "", 1: "CRC-32", 4: "CRC-64", 10: "SHA-256"}


def _xz_header_holds(header: bytes) -> bool:
    return (
        len(header) == 12
        and header[:6] == _XZ
        and crc32(header[6:8]) == int.from_bytes(header[8:12], "little")
    )


_XZ_FORMAT = StreamFormat(
    "xz",
    "xz stream",
    unpack.xz_decoder,
    lambda contents, at: _XZ_CHECKS.get(contents[at + 7], ""),
    lambda contents, at: 0,
    tail_at=0,
    tail=0,
    certain=lambda contents, at: True,
)


def find_xz(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Streams whose header CRC holds, or would with one bit turned (DAMAGED)."""
    whole: list[int] = []
    doubtful = list(outside(near_places(contents, _XZ), packed))
    for at in outside(places(contents, _XZ), packed):
        (whole if _xz_header_holds(contents[at : at + 12]) else doubtful).append(at)
    yield from find_streams(_XZ_FORMAT, contents, whole, packed)
    budget = Budget(500)
    for at in doubtful:
        if mended(contents[at : at + 12], _xz_header_holds, budget):
            checks = ("one bit of the header is wrong: with it turned, the header CRC holds",)
            yield Finding(at, 12, "xz", "xz stream", Verdict.DAMAGED, checks)
