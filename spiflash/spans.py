"""Byte ranges: (start, end) pairs, end excluded. Pure; every room may import it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SECTOR = 4096
"""Bytes in the unit in which readings are compared and results are reported."""

Span = tuple[int, int]
"""A byte range: its start, and the address after its last byte."""

Spans = tuple[Span, ...]
"""Byte ranges in address order that neither overlap nor touch."""


class _Ends(Protocol):
    @property
    def start(self) -> int: ...
    @property
    def end(self) -> int: ...


class Ranged:
    """Base of what has a `start` and an `end`, the address after its last byte."""

    __slots__ = ()

    @property
    def span(self: _Ends) -> Span:
        """(start, end)."""
        return self.start, self.end

    def holds(self: _Ends, address: int) -> bool:
        """Whether the byte at `address` is in it."""
        return self.start <= address < self.end

    def meets(self: _Ends, other: _Ends) -> bool:
        """Whether it shares a byte with `other`."""
        return self.start < other.end and other.start < self.end

    def of(self: _Ends, contents: bytes) -> bytes:
        """Its bytes in `contents`, as far as these reach."""
        return contents[self.start : self.end]


class Sized(Ranged):
    """Base of what has a `start` and a `length`, both in bytes."""

    __slots__ = ()
    start: int
    length: int

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.length


def spans_of(items: Iterable[_Ends]) -> list[Span]:
    """The range of each."""
    return [(each.start, each.end) for each in items]


def meets_any(span: Span, others: Iterable[Span]) -> bool:
    """Whether a range shares a byte with one of the others."""
    return any(start < span[1] and span[0] < end for start, end in others)


def merged(spans: Iterable[Span]) -> list[Span]:
    """The same bytes as sorted ranges that neither overlap nor touch; empty ranges go."""
    result: list[Span] = []
    for start, end in sorted(spans):
        if end <= start:
            continue
        if result and start <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((start, end))
    return result


def without(spans: Iterable[Span], holes: Iterable[Span]) -> list[Span]:
    """The bytes of `spans` that are in none of `holes`: sorted ranges without overlap."""
    left: list[Span] = []
    blocked = merged(holes)
    first = 0
    for start, end in merged(spans):
        while first < len(blocked) and blocked[first][1] <= start:
            first += 1
        index, at = first, start
        while index < len(blocked) and blocked[index][0] < end:
            if blocked[index][0] > at:
                left.append((at, blocked[index][0]))
            at = max(at, blocked[index][1])
            index += 1
        if at < end:
            left.append((at, end))
    return left


def sectors_in(spans: Iterable[Span]) -> list[int]:
    """Addresses of the sectors that the ranges touch, ascending, each once."""
    found: set[int] = set()
    for start, end in spans:
        found.update(range(start // SECTOR * SECTOR, end, SECTOR))
    return sorted(found)


def joined(contents: bytes | bytearray, spans: Iterable[Span]) -> bytes:
    """What the contents hold in the ranges, one after the other."""
    return b"".join(contents[start:end] for start, end in spans)


def laid(contents: bytes, spans: Iterable[Span], data: bytes) -> bytes:
    """The contents with `data` in the ranges, one after the other."""
    result = bytearray(contents)
    at = 0
    for start, end in spans:
        result[start:end] = data[at : at + end - start]
        at += end - start
    return bytes(result)


def rows(contents: bytes, unit: int = SECTOR) -> npt.NDArray[np.uint8]:
    """The contents (whole units) as an array with one row a sector, or a `unit` of other size."""
    import numpy as np  # commands that read no contents do without

    return np.frombuffer(contents, np.uint8).reshape(-1, unit)


def differing(one: bytes, other: bytes) -> list[int]:
    """Offsets of the sectors in which two contents (of one length, whole sectors) differ."""
    unlike = (rows(one) != rows(other)).any(axis=1)
    return [int(index) * SECTOR for index in unlike.nonzero()[0]]


def sector_spans(sectors: Iterable[int]) -> list[Span]:
    """Sectors, by their addresses, as ranges."""
    return merged((start, start + SECTOR) for start in sectors)
