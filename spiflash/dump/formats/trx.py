"""TRX containers of some routers: a header of 28 or 32 bytes, a CRC-32 without final inversion.

Layout: common practice, no source: magic, length, CRC over everything from the twelfth byte to
the length, flags and version, then three (version 1) or four (version 2) offsets of partitions.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32_uninverted
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import outside, places

_MAGIC = b"HDR0"
_HEADERS = {1: 28, 2: 32}


def find_trx(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Containers whose header makes sense; the magic number itself is not covered."""
    budget = Budget(4 * len(contents))
    done = 0
    for at in outside(places(contents, _MAGIC), packed):
        finding = _read(contents, at, budget) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end if finding.verdict is Verdict.VOUCHED else at + 1


def _read(contents: bytes, at: int, budget: Budget) -> Finding | None:
    if at + 32 > len(contents):
        return None
    length, stored, _, version = struct.unpack_from("<IIHH", contents, at + 4)
    offsets = struct.unpack_from("<4I", contents, at + 16)
    whole = 28 < length <= len(contents) - at
    holds = (
        whole
        and budget.spend(length)
        and crc32_uninverted(memoryview(contents)[at + 12 : at + length]) == stored
    )
    used = offsets[: 3 if version == 1 else 4]
    sensible = offsets[0] in _HEADERS.values() and all(
        each == 0 or 28 <= each < 64 << 20 for each in used
    )
    if not holds and not (version in _HEADERS and sensible):
        return None
    pieces = ", ".join(f"{each:X}h" for each in used if each)
    said = "holds" if holds else "fails" if whole else "cannot hold: cut off, or a wrong length"
    return Finding(
        at,
        length if whole else 28,
        "trx",
        f"TRX container, version {version}",
        Verdict.VOUCHED if holds else Verdict.DAMAGED,
        (f"CRC-32 from the twelfth byte on {said}",),
        (("length", f"{length} bytes"), ("pieces at", pieces)),
        uncovered=((at, at + 4),) if holds else (),
    )
