"""MAC addresses, as text and as six bytes.

Form: IEEE 802, section 8 (from memory): an address of an interface has bit 0 of its first byte
clear.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from spiflash.dump.formats import places

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


@dataclass(frozen=True, slots=True)
class Mac:
    """An address and where it is: `length` is 6 for bytes, 17 or 12 for text with and without
    separators."""

    at: int
    length: int
    value: bytes

    @property
    def text(self) -> str:
        """In the usual notation."""
        return spelled(self.value)


def spelled(value: bytes) -> str:
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


def is_text(value: bytes) -> bool:
    """Whether bytes are a piece of text rather than an address."""
    return sum(0x20 <= byte <= 0x7E for byte in value) >= 5


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
            and all(is_plausible(value) and not is_text(value) for value in values)
            and len({value[:3] for value in values}) == 1
            and (count == 1 or len(set(values)) == count)
        ):
            return list(range(first, end, 6))
    return []


def parse_bare(text: bytes) -> bytes | None:
    """The six bytes of twelve hexadecimal digits that can be an address."""
    if not _BARE.fullmatch(text):
        return None
    value = bytes.fromhex(text.decode("ascii"))
    return value if is_plausible(value) else None


def find_bare(contents: bytes, start: int, end: int, *, named: bool) -> Iterator[Mac]:
    """Addresses as twelve hexadecimal digits between `start` and `end`; with `named` only those
    after the name of an address."""
    for at in itertools.islice(_bare_places(contents, start, end), _MOST):
        text = contents[at : at + 12]
        value = parse_bare(text)
        before = contents[max(at - 32, 0) : at]
        if value is None or text.isdigit():
            continue
        if not named or _NAMED.search(before):
            yield Mac(at, 12, value)


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


def parse(text: bytes) -> bytes | None:
    """The six bytes of a text that is a plausible address and nothing else."""
    if not _TEXT.fullmatch(text):
        return None
    value = bytes.fromhex(text.replace(b"-", b":").replace(b":", b"").decode("ascii"))
    return value if is_plausible(value) else None


def find_texts(contents: bytes) -> Iterator[Mac]:
    """Plausible addresses in text, the first five hundred."""
    count = 0
    for at in _with_separators(contents):
        match = _TEXT.match(contents, at)
        value = parse(match[0]) if match else None
        if value is not None:
            yield Mac(at, 17, value)
            count += 1
        if count == _MOST:
            return


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


def find_binary(contents: bytes, known: Iterable[bytes]) -> Iterator[Mac]:
    """The six bytes of addresses that are known from text, wherever they occur."""
    for value in sorted(set(known))[:32]:
        for count, at in enumerate(places(contents, value)):
            if count == _MOST:
                break
            yield Mac(at, 6, value)


def find_neighbours(block: bytes, start: int, known: Iterable[bytes]) -> Iterator[Mac]:
    """Addresses in `block`, which begins at `start`, that are close to a known one."""
    known = set(known)
    for value in sorted(known)[:32]:
        number = int.from_bytes(value, "big")
        for at in places(block, value[:5]):
            other = bytes(block[at : at + 6])
            distance = abs(int.from_bytes(other, "big") - number)
            if len(other) == 6 and 0 < distance <= _NEIGHBOURS and other not in known:
                yield Mac(start + at, 6, other)
