"""What the contents of two dumps say of their differences: checksums, own items, moves."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.compare.result import ByteChange, Difference, Moved, OwnChange, Says
from spiflash.dump.coverage import levels
from spiflash.dump.finding import Finding, Verdict, environments
from spiflash.dump.identity import OwnItem

_FEW = 16
"""Differing bytes of one range of sectors that are shown one by one."""

_MOST = 64
_BOARD = ("mac", "serial")
_SAYS = {3: Says.HOLDS, 4: Says.FAILS}


def single_bytes(
    before: bytes,
    after: bytes,
    found: Sequence[Difference],
    first: Sequence[Finding],
    second: Sequence[Finding],
) -> tuple[ByteChange, ...]:
    """Single bytes where few differ, with what each side's checksums say; at most 64."""
    few = [each for each in found if each.bytes_differing <= _FEW]
    if not few:
        return ()
    mine, theirs = levels(len(before), first), levels(len(after), second)
    changes: list[ByteChange] = []
    for each in few:
        for at in _places(before, after, each.start, each.end):
            if len(changes) == _MOST:
                return tuple(changes)
            changes.append(
                ByteChange(
                    at,
                    before[at],
                    after[at],
                    _SAYS.get(int(mine[at]), Says.NOTHING),
                    _SAYS.get(int(theirs[at]), Says.NOTHING),
                )
            )
    return tuple(changes)


def _places(before: bytes, after: bytes, start: int, end: int) -> list[int]:
    a: NDArray[np.uint8] = np.frombuffer(before, np.uint8)[start:end]
    b: NDArray[np.uint8] = np.frombuffer(after, np.uint8)[start:end]
    places: list[int] = (np.flatnonzero(a != b) + start).tolist()
    return places


def own_changes(first: Sequence[OwnItem], second: Sequence[OwnItem]) -> tuple[OwnChange, ...]:
    """Addresses and serial numbers that differ, by their places."""
    mine = {each.start: each for each in first if each.kind in _BOARD}
    theirs = {each.start: each for each in second if each.kind in _BOARD}
    changes = []
    for at in sorted({*mine, *theirs}):
        a, b = mine.get(at), theirs.get(at)
        if a is not None and b is not None and a.text == b.text:
            continue
        one = a or b
        assert one is not None
        changes.append(
            OwnChange(at, one.kind, one.name, a.text if a else None, b.text if b else None)
        )
    return tuple(changes[:_MOST])


def moves(
    before: bytes, after: bytes, first: Sequence[Finding], second: Sequence[Finding]
) -> tuple[Moved, ...]:
    """Items with a checksum that A holds at one place and B, not A, at another."""
    return tuple(_moves(before, after, first, second))[:_MOST]


def _moves(
    before: bytes, after: bytes, first: Sequence[Finding], second: Sequence[Finding]
) -> Iterator[Moved]:
    here = {(each.kind, each.start) for each in first}
    there = {(each.kind, each.start) for each in second}
    gone = [each for each in first if _whole(each) and (each.kind, each.start) not in there]
    new = {
        (each.kind, _digest(after, each)): each
        for each in second
        if _whole(each) and (each.kind, each.start) not in here
    }
    for each in gone:
        other = new.get((each.kind, _digest(before, each)))
        if other is None and each.kind == "environment":
            other = _same_variables(each, second, here)
        if other is not None:
            yield Moved(each.title, each.start, other.start)


def _whole(finding: Finding) -> bool:
    return finding.verdict is Verdict.VOUCHED and finding.parent is None


def _digest(contents: bytes, finding: Finding) -> bytes:
    span = memoryview(contents)[finding.start : finding.end]
    return hashlib.sha256(span).digest()


def _same_variables(
    finding: Finding, others: Sequence[Finding], known: set[tuple[str, int]]
) -> Finding | None:
    """An environment with the same variables in another size or form."""
    (mine,) = environments([finding])
    for other in others:
        if other.kind == "environment" and ("environment", other.start) not in known:
            (theirs,) = environments([other])
            if theirs.by_name == mine.by_name:
                return other
    return None
