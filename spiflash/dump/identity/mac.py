"""MAC addresses, as text and as six bytes.

Form: IEEE 802, section 8 (from memory): an address of an interface has bit 0 of its first byte
clear.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from spiflash.dump.formats.magic import places

_TEXT = re.compile(
    rb"(?<![0-9A-Fa-f:.-])[0-9A-Fa-f]{2}(?:(?::[0-9A-Fa-f]{2}){5}|(?:-[0-9A-Fa-f]{2}){5})"
    rb"(?![0-9A-Fa-f:-])"
)
_MOST = 500
_NEIGHBOURS = 8
"""Interfaces of one board usually have addresses in a row (common practice, no source)."""

EXAMPLES = frozenset(
    bytes.fromhex(text) for text in ("001122334455", "112233445566", "0123456789ab", "123456789abc")
)
"""Addresses that stand for "put yours here" (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Mac:
    """An address and where it stands: `length` is 6 for bytes, 17 for text."""

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
    )


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
    """Where the five separators of an address stand as they should: far faster than a pattern
    that has to look at every byte."""
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
    """The six bytes of addresses that are known from text, wherever they stand."""
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
