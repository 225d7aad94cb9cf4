"""What a region holds that is the board's own, block by block.

The formats of such regions are not published, so this relies on what they have in common: pieces
of data among blank or zero bytes.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spiflash.dump.checksums import crc32
from spiflash.dump.formats import places
from spiflash.dump.identity.mac import is_plausible

_APART = 64
"""Bytes of FFh, or of 00h, that separate two blocks."""

_MOST = 500
_PIECE = 1 << 20
_SERIAL = re.compile(rb"(?=[\x21-\x7e]*\d)[A-Za-z0-9][A-Za-z0-9/_.-]{5,40}(?=[\x00\r\n\xff]|$)")
_SERIAL_WORDS = (b"erial", b"ERIAL", b"erno", b"ERNO", b"/N")
_KEYED = re.compile(
    rb"(?<![A-Za-z])(?i:serial(?:#|[_-]?n(?:o|um(?:ber)?))|serno|s/n)[\"']?[ \t]{0,2}[=:][ \t]{0,2}"
    rb"[\"']?([A-Za-z0-9][A-Za-z0-9/_.-]{3,40})(?![\x21\x23-\x26\x28-\x7e])"
)


@dataclass(frozen=True, slots=True)
class Block:
    """`length` bytes from `at` that are not all blank or zero."""

    at: int
    length: int


def data_blocks(contents: bytes, start: int, end: int) -> Iterator[Block]:
    """The pieces of data between `start` and `end`, the first five hundred."""
    count = 0
    low = high = start  # of the block that is being followed
    for base in range(start, end, _PIECE):
        data = np.frombuffer(contents, dtype=np.uint8)[base : min(base + _PIECE, end)]
        places = np.flatnonzero((data != 0xFF) & (data != 0x00)) + base
        if not len(places):
            continue
        breaks = np.flatnonzero(np.diff(places) > _APART)
        firsts = places[np.concatenate(([0], breaks + 1))].tolist()
        lasts = places[np.concatenate((breaks, [len(places) - 1]))].tolist()
        for first, last in zip(firsts, lasts, strict=True):
            if high > low and first - high < _APART:
                high = last + 1  # the edge of a piece does not separate blocks
                continue
            if high > low:
                yield Block(low, high - low)
                count += 1
                if count == _MOST:
                    return
            low, high = first, last + 1
    if high > low:
        yield Block(low, high - low)


def with_checksum(contents: bytes, block: Block, limit: int) -> int | None:
    """The length of a block with a checksum of its own that is OK, or None.

    Looked for in the block's first 64 bytes: a length (16 or 32 bits) and the CRC-32 of that
    many bytes after both, each in either byte order, next to each other.
    """
    for at in range(block.at, block.at + min(block.length, 64), 2):
        for width in (4, 2):
            for order in ("big", "little"):
                for length_at, sum_at in ((at, at + width), (at + 4, at)):
                    found = _covered(contents, block.at, length_at, width, sum_at, order, limit)
                    if found is not None:
                        return found
    return None


def _covered(
    contents: bytes, start: int, length_at: int, width: int, sum_at: int, order: str, limit: int
) -> int | None:
    from_bytes = _big if order == "big" else _little
    length = from_bytes(contents[length_at : length_at + width])
    body = max(length_at + width, sum_at + 4)
    if not 4 <= length <= min(limit - body, 1 << 16):
        return None
    if crc32(contents[body : body + length]) != from_bytes(contents[sum_at : sum_at + 4]):
        return None
    return body + length - start


def _big(raw: bytes) -> int:
    return int.from_bytes(raw, "big")


def _little(raw: bytes) -> int:
    return int.from_bytes(raw, "little")


def serial_texts(contents: bytes, block: Block) -> Iterator[tuple[int, bytes]]:
    """(address, text) of what may be a serial number in a region that is the board's own:
    letters and digits, six at least, up to the end of the text."""
    raw = contents[block.at : block.at + block.length]
    for count, match in enumerate(_SERIAL.finditer(raw)):
        before = raw[match.start() - 1 : match.start()]
        if before and before.isalnum():
            continue
        if count == 50:
            return
        if is_serial(match[0]):
            yield block.at + match.start(), match[0]


def keyed_serials(contents: bytes) -> Iterator[tuple[int, bytes]]:
    """(address, text) of serial numbers after a name that says so, the first fifty."""
    # Looking for a word first is far faster than the pattern at every byte.
    words = (places(contents, word) for word in _SERIAL_WORDS)
    starts = itertools.chain.from_iterable(itertools.islice(each, 20_000) for each in words)
    matches = (_KEYED.match(contents, at - 1) for at in starts if at)
    found = ((match.start(1), match[1]) for match in matches if match)
    numbers = (each for each in found if any(map(_DIGITS.__contains__, each[1])))
    yield from itertools.islice(numbers, 50)


_DIGITS = frozenset(b"0123456789")


def is_serial(text: bytes) -> bool:
    """Whether text that no name explains has the form of a serial number: two digits at least;
    with small letters only where it is a hexadecimal number or ends in four digits. This leaves
    out words of programs and noise (common practice, no source)."""
    digits = sum(map(_DIGITS.__contains__, text))
    if digits < 2 or b"/" in text:
        return False
    if text.upper() == text:
        return True
    return bool(re.fullmatch(rb"[0-9a-f]{8,}|[\x20-\x7e]*\d{4}", text))


def mac_beside(contents: bytes, at: int, length: int) -> int | None:
    """Where six bytes that can be a MAC address are right before or after a text."""
    places = [at - 6, at + length, (at + length + 3) & ~3]
    if contents[at - 2 : at] == b"\0\0" and contents[max(at - 9, 0) : at - 8] in (b"", b"\xff"):
        places.insert(0, at - 8)  # after a blank, and filled up to a multiple of 4
    for place in places:
        value = contents[place : place + 6] if place >= 0 else b""
        if is_plausible(value) and not all(0x20 <= byte <= 0x7E for byte in value):
            return place
    return None
