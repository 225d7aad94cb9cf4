"""RomFS: big-endian words that add up to zero, over the first 512 bytes and each file header.

Layout: Linux, Documentation/filesystems/romfs.rst (from memory; the tests compare with
`genromfs`). The contents of files have no checksum.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

import numpy as np

from spiflash.dump.budget import Budget
from spiflash.dump.facts import FileSystemFacts
from spiflash.dump.finding import Finding, Span, Verdict, merged, without
from spiflash.dump.formats.magic import near_places, outside, places
from spiflash.text import counted, readable

_MAGIC = b"-rom1fs-"
_SUMMED = 512
_NAMES = 256
_MOST_FILES = 20_000


def find_romfs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """File systems whose first sum holds; DAMAGED where it fails but the rest makes sense."""
    budget = Budget(100_000)
    candidates = sorted({*places(contents, _MAGIC), *near_places(contents, _MAGIC)})
    done = 0
    for at in outside(candidates, packed):
        finding = _read(contents, at, budget) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _adds_up(raw: bytes) -> bool:
    words = np.frombuffer(raw, dtype=">u4", count=len(raw) // 4)
    return int(words.sum(dtype=np.uint64)) & 0xFFFFFFFF == 0


def _string_end(contents: bytes, at: int) -> int:
    """Behind a name and its padding to 16 bytes, counted from the name; 0 where it never ends."""
    end = contents.find(b"\0", at, at + _NAMES)
    return at + ((end - at) // 16 + 1) * 16 if end >= 0 else 0


def _read(contents: bytes, at: int, budget: Budget) -> Finding | None:
    first = _string_end(contents, at + 16)
    if not first or not budget.spend(1):
        return None
    size = int.from_bytes(contents[at + 8 : at + 12], "big")
    sized = 32 <= size <= len(contents) - at
    summed = min(size, _SUMMED) if sized else _SUMMED
    name = contents[at + 16 : contents.find(b"\0", at + 16)]
    exact = contents[at : at + 8] == _MAGIC
    held = exact and sized and _adds_up(contents[at : at + summed])
    if not exact and not sized:
        return None
    vouched: list[Span] = []
    damage: list[Span] = []
    (vouched if held else damage).append((at, min(at + summed, len(contents))))
    files = 0
    if sized:
        files = _files(contents, at, first, at + size, vouched, damage, budget)
    end = at + size if sized else damage[0][1]
    if not exact and (not files or len(damage) > 1):
        return None  # the magic number is off, and nothing else speaks for it
    checks = [f"the words of the first {summed} bytes {'add' if held else 'do not add'} up to 0"]
    checks.append(f"sums of {counted(files, 'file header')} hold; contents have no checksum")
    damage = without(damage, vouched) or damage
    return Finding(
        at,
        end - at,
        "romfs",
        "RomFS file system",
        Verdict.DAMAGED if damage else Verdict.VOUCHED,
        tuple(checks),
        (("name", readable(name, 60)), ("size", f"{size} bytes"), ("files", str(files))),
        uncovered=tuple(without([(at, end)], [*vouched, *damage])),
        damage=tuple(merged(damage)),
        facts=FileSystemFacts(size),
    )


def _files(
    contents: bytes,
    base: int,
    first: int,
    end: int,
    vouched: list[Span],
    damage: list[Span],
    budget: Budget,
) -> int:
    """Check every file header that the chains lead to; the number of those that hold."""
    waiting, seen, held = [first], set[int](), 0
    while waiting and len(seen) < _MOST_FILES and budget.spend(1):
        at = waiting.pop()
        if at in seen or not base < at <= end - 16:
            continue
        seen.add(at)
        data = _string_end(contents, at + 16) or at + 16
        span = (at, min(data, end))
        following, info = struct.unpack_from(">2I", contents, at)
        if not _adds_up(contents[span[0] : span[1]]):
            damage.append(span)
            continue
        vouched.append(span)
        held += 1
        waiting.append(base + (following & ~15))
        if following & 7 == 1:  # a directory: `info` is where its first entry lies
            waiting.append(base + info)
    return held
