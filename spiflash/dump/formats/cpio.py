"""cpio archives as the kernel unpacks them into its first root file system.

Layout: Linux, Documentation/driver-api/early-userspace/buffer-format.rst; the tests compare with
`cpio`. Headers are hexadecimal text without a checksum. With the magic 070702 each file has the
sum of its bytes; 070701 vouches for nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from spiflash.dump.budget import Budget
from spiflash.dump.facts import FileSystemFacts
from spiflash.dump.finding import Finding, Span, Verdict, merged, without
from spiflash.dump.formats.magic import outside, places
from spiflash.text import counted

_HEAD = 110
_TRAILER = b"TRAILER!!!\0"
_LONGEST_NAME = 4096
_DIGITS = frozenset(b"0123456789abcdefABCDEF")
_FEWEST = 3
"""Entries of an archive whose end is lost: fewer may be text that speaks of the magic number."""


def find_cpio(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Archives from their first header to the trailer."""
    done = 0
    budget = Budget(200_000)  # entries
    for at in outside(places(contents, b"07070"), packed):
        finding = _read(contents, at, budget) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _read(contents: bytes, start: int, budget: Budget) -> Finding | None:
    at, files, whole = start, 0, False
    sums: list[tuple[Span, int]] = []
    while not whole and budget.spend(1):
        head = _header(contents, at)
        if head is None:
            break
        size, name_size, total = head
        name = at + _HEAD
        data = start + (name + name_size - start + 3 & ~3)
        end = start + (data + size - start + 3 & ~3)
        if data + size > len(contents) or contents[data - 1 : data] > b"\0":
            break
        whole = contents[name : name + name_size] == _TRAILER
        files += not whole
        if total is not None and size:
            sums.append(((data, data + size), total))
        at = min(end, len(contents))
    if not (whole or files >= _FEWEST):
        return None
    held = [span for span, total in sums if _sum(contents, span) == total]
    damage = merged(without([span for span, _ in sums], held))
    verdict = Verdict.DAMAGED if damage else Verdict.VOUCHED if held else Verdict.CONSISTENT
    checks = [f"{counted(files, 'header')} of the usual form, each where the one before says"]
    checks.append("ends with its trailer" if whole else "its trailer is not there")
    if sums:
        checks.append(f"sums of {len(held):,} of {counted(len(sums), 'file')} hold")
    return Finding(
        start,
        at - start,
        "cpio",
        "cpio archive",
        verdict,
        tuple(checks),
        (("entries", f"{files:,}"),),
        uncovered=tuple(without([(start, at)], [*held, *damage])) if sums else (),
        damage=tuple(damage),
        facts=FileSystemFacts(at - start),
    )


def _header(contents: bytes, at: int) -> tuple[int, int, int | None] | None:
    """(size of the file, of its name, sum of its bytes where it has one); None for no header."""
    raw = contents[at : at + _HEAD]
    if len(raw) < _HEAD or raw[:6] not in (b"070701", b"070702") or not _DIGITS.issuperset(raw):
        return None
    size, name_size, total = (int(raw[low : low + 8], 16) for low in (54, 94, 102))
    if not 1 <= name_size <= _LONGEST_NAME:
        return None
    if contents[at + _HEAD + name_size - 1 : at + _HEAD + name_size] != b"\0":
        return None
    return size, name_size, total if raw[:6] == b"070702" else None


def _sum(contents: bytes, span: Span) -> int:
    data = np.frombuffer(contents, dtype=np.uint8, count=span[1] - span[0], offset=span[0])
    return int(data.sum(dtype=np.uint64)) & 0xFFFFFFFF
