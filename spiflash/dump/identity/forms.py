"""The forms of what is one board's own: MAC addresses as text and as six bytes, serial numbers,
and pieces of data among blank or zero bytes.

An address of an interface has bit 0 of its first byte clear (IEEE 802, section 8; from memory).
The formats of regions with a board's own data are not published, so this relies on what they have
in common.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator
from zlib import crc32

import numpy as np

from spiflash.dump.formats import places, runs_of
from spiflash.dump.uboot_env import Order
from spiflash.spans import Span

_TEXT = re.compile(
    rb"(?<![0-9A-Fa-f:.-])[0-9A-Fa-f]{2}(?:(?::[0-9A-Fa-f]{2}){5}|(?:-[0-9A-Fa-f]{2}){5})"
    rb"(?![0-9A-Fa-f:-])"
)
_MOST = 500
_NEIGHBOURS = 8
"""Interfaces of one board usually have addresses in a row (common practice, no source)."""

EXAMPLES = frozenset(
    bytes.fromhex(text) for text in ("deadbeef0001", "deadbeefcafe", "001122334456", "cafebabe0001")
)
"""Addresses used as examples, besides those whose bytes rise in equal steps, such as
00:11:22:33:44:55 (common practice, no source)."""

_BARE = re.compile(rb"(?<![0-9A-Za-z])[0-9A-Fa-f]{12}(?![0-9A-Za-z])")
_NAMED = re.compile(
    rb"(?:mac|hwaddr|ethaddr|bssid)[A-Za-z0-9_.-]{0,12}[\"']?[ \t]{0,2}[=:][ \t]{0,2}[\"']?$",
    re.IGNORECASE,
)


def mac_text(value: bytes) -> str:
    """Six bytes with colons, lower case."""
    return value.hex(":")


def is_plausible(value: bytes) -> bool:
    """Whether six bytes can be the address of an interface."""
    return (
        len(value) == 6
        and not value[0] & 1
        and len(set(value)) > 2
        and any(value[3:])
        and value[3:] != b"\xff\xff\xff"
        and value not in EXAMPLES
        and len({(b - a) & 0xFF for a, b in itertools.pairwise(value)}) > 1
    )


def _printable(value: bytes) -> int:
    return sum(0x20 <= byte <= 0x7E for byte in value)


def in_a_row(contents: bytes, low: int, high: int, start: int) -> list[int]:
    """The places of addresses in a row that fill a piece of data from `low` to `high`
    in a region that begins at `start`; none when they do not.

    An address may begin or end in zeros, which the piece of data leaves out.
    """
    for spare in range(3):
        end = high + spare
        # The last byte of one may be FFh as well, which looks like blank flash.
        if any(contents[high:end]) and contents[high:end] != b"\xff":
            break
        count = -(-(end - low) // 6)
        first = end - 6 * count
        values = [contents[at : at + 6] for at in range(first, end, 6)]
        if (
            1 <= count <= _NEIGHBOURS
            and first >= start
            and not any(contents[first:low])
            and (first == start or contents[first - 1] in (0x00, 0xFF))
            and all(is_plausible(value) and _printable(value) < 5 for value in values)
            and len({value[:3] for value in values}) == 1
            and (count == 1 or len(set(values)) == count)
        ):
            return list(range(first, end, 6))
    return []


def parse_bare_mac(text: bytes) -> bytes | None:
    """The six bytes of twelve hexadecimal digits that can be an address."""
    if not _BARE.fullmatch(text):
        return None
    value = bytes.fromhex(text.decode("ascii"))
    return value if is_plausible(value) else None


def find_bare(contents: bytes, start: int, end: int, *, named: bool) -> Iterator[tuple[int, bytes]]:
    """Addresses as twelve hexadecimal digits between `start` and `end`; with `named` only those
    after the name of an address."""
    for at in itertools.islice(_bare_places(contents, start, end), _MOST):
        text = contents[at : at + 12]
        value = parse_bare_mac(text)
        before = contents[max(at - 32, 0) : at]
        if value is None or text.isdigit():
            continue
        if not named or _NAMED.search(before):
            yield at, value


_DIGIT = np.zeros(256, dtype=bool)
_DIGIT[list(b"0123456789ABCDEFabcdef")] = True


def _bare_places(contents: bytes, start: int, end: int) -> Iterator[int]:
    """Where `_BARE` matches between `start` and `end`; arrays find twelve digits in a row far
    faster than a pattern that looks at every byte."""
    data = np.frombuffer(contents, dtype=np.uint8)[start:end]
    if len(data) < 12:
        return
    here = np.zeros(len(data) + 2, dtype=bool)
    here[1:-1] = _DIGIT[data]
    two = here[:-1] & here[1:]
    four = two[:-2] & two[2:]
    size = len(data) - 11
    fits = four[1 : 1 + size] & four[5 : 5 + size] & four[9 : 9 + size]
    fits &= ~here[:size] & ~here[13:]
    for at in (np.flatnonzero(fits) + start).tolist():
        if _BARE.match(contents, at, end):
            yield at


def parse_mac(text: bytes) -> bytes | None:
    """The six bytes of a text that is a plausible address and nothing else."""
    if not _TEXT.fullmatch(text):
        return None
    value = bytes.fromhex(text.replace(b"-", b":").replace(b":", b"").decode("ascii"))
    return value if is_plausible(value) else None


def find_texts(contents: bytes) -> Iterator[tuple[int, bytes]]:
    """Plausible addresses in text, the first five hundred."""
    matches = ((at, _TEXT.match(contents, at)) for at in _with_separators(contents))
    values = ((at, parse_mac(match[0])) for at, match in matches if match)
    yield from itertools.islice(((at, value) for at, value in values if value), _MOST)


def _with_separators(contents: bytes) -> list[int]:
    """Where the five separators of an address are in their places: far faster than a pattern
    that looks at every byte."""
    size = len(contents) - 16
    if size < 1:
        return []
    data = np.frombuffer(contents, dtype=np.uint8)
    found: list[int] = []
    for separator in b":-":
        here = data == separator
        fits = here[2 : 2 + size].copy()
        for offset in (5, 8, 11, 14):
            fits &= here[offset : offset + size]
        found += np.flatnonzero(fits).tolist()
    return sorted(found)


def find_binary(contents: bytes, known: Iterable[bytes]) -> Iterator[tuple[int, bytes]]:
    """The six bytes of addresses that are known from text, wherever they occur."""
    for value in sorted(set(known))[:32]:
        for at in itertools.islice(places(contents, value), _MOST):
            yield at, value


def find_neighbours(
    block: bytes, start: int, known: Iterable[bytes]
) -> Iterator[tuple[int, bytes]]:
    """Addresses in `block`, which begins at `start`, that are close to a known one."""
    known = set(known)
    for value in sorted(known)[:32]:
        number = int.from_bytes(value, "big")
        for at in places(block, value[:5]):
            other = bytes(block[at : at + 6])
            distance = abs(int.from_bytes(other, "big") - number)
            if len(other) == 6 and 0 < distance <= _NEIGHBOURS and other not in known:
                yield start + at, other


_APART = 64
"""Bytes of FFh, or of 00h, that separate two blocks."""

_SERIAL = re.compile(rb"(?=[\x21-\x7e]*\d)[A-Za-z0-9][A-Za-z0-9/_.-]{5,40}(?=[\x00\r\n\xff]|$)")
_SERIAL_WORDS = (
    *((b"erial", 1), (b"ERIAL", 1), (b"erno", 1), (b"ERNO", 1)),
    *((b"/N", 1), (b"/n", 1), (b"sn", 0), (b"SN", 0)),
)
"""Parts of the names, and how many letters are before them."""

_KEYED = re.compile(
    rb"(?<![A-Za-z])(?i:(serial(?:#|[_-]?n(?:o|um(?:ber)?))|serno|s/n)|serial|sn)"
    rb"[\"']?[ \t]{0,2}[=:>][ \t]{0,2}"
    rb"[\"']?([A-Za-z0-9][A-Za-z0-9/_.-]{3,40})(?![\x21\x23-\x26\x28-\x2b\x2d-\x3b\x3d-\x7e])"
)
"""A name, then "=", ":" or the end of an XML tag, and a value that a blank, a quote, a comma or the
next tag ends. Names that say less (the second half) need a value that looks like one."""


def data_blocks(contents: bytes, start: int, end: int) -> list[Span]:
    """The pieces of data between `start` and `end`, the first five hundred."""
    data = np.frombuffer(contents, np.uint8)[start:end]
    runs = runs_of((data != 0xFF) & (data != 0x00), _APART)[:_MOST]
    return [(start + low, start + high) for low, high in runs]


def with_checksum(contents: bytes, start: int, end: int, limit: int) -> int | None:
    """The end of a block from `start` to `end` with a checksum of its own that is OK, or None.

    Looked for in its first 64 bytes: a length (16 or 32 bits) and the CRC-32 of that
    many bytes after both, each in either byte order, next to each other.
    """
    orders: tuple[Order, ...] = ("big", "little")
    for at in range(start, min(end, start + 64), 2):
        for width, order in itertools.product((4, 2), orders):
            for length_at, sum_at in ((at, at + width), (at + 4, at)):
                length = int.from_bytes(contents[length_at : length_at + width], order)
                body = max(length_at + width, sum_at + 4)
                if 4 <= length <= min(limit - body, 1 << 16) and crc32(
                    contents[body : body + length]
                ) == int.from_bytes(contents[sum_at : sum_at + 4], order):
                    return body + length
    return None


def serial_texts(contents: bytes, start: int, end: int) -> Iterator[tuple[int, bytes]]:
    """(address, text) of what may be a serial number in a region that is the board's own:
    letters and digits, six at least, up to the end of the text."""
    raw = contents[start:end]
    for count, match in enumerate(_SERIAL.finditer(raw)):
        before = raw[match.start() - 1 : match.start()]
        if before and before.isalnum():
            continue
        if count == 50:
            return
        if is_serial(match[0]):
            yield start + match.start(), match[0]


def keyed_serials(contents: bytes) -> Iterator[tuple[int, bytes]]:
    """(address, text) of serial numbers after a name that says so, the first fifty."""
    # Looking for a word first is far faster than the pattern at every byte.
    words = ((places(contents, word), before) for word, before in _SERIAL_WORDS)
    starts = (at - back for each, back in words for at in itertools.islice(each, 20_000))
    matches = (_KEYED.match(contents, at) for at in starts if at >= 0)
    found = (
        (match.start(2), match[2])
        for match in matches
        if match and (match[1] or (len(match[2]) > 5 and is_serial(match[2])))
    )
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
        if is_plausible(value) and _printable(value) < 6:
            return place
    return None
