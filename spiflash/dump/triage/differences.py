"""How a region differs from what it should hold: bits, blanks, places."""

from __future__ import annotations

import numpy as np

from spiflash.dump.differences import differing, find_shifts, swapped
from spiflash.dump.layout.region import Region
from spiflash.dump.triage.alone import (
    MOST_PLACES,
)
from spiflash.dump.triage.likeness import alike, blank_since, blank_until
from spiflash.dump.triage.result import Kind, RegionFinding
from spiflash.spans import SECTOR, Span
from spiflash.text import counted

_FEW = 64
"""Wrong bits up to which a region has aged or was read badly rather than been written."""


def places_of(region: Region, chunk: bytes, right: bytes) -> tuple[Span, ...]:
    found: list[Span] = []
    for place in differing(chunk, right).tolist():
        start = region.start + place * SECTOR
        end = min(start + SECTOR, region.end)
        if found and found[-1][1] == start:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return tuple(found)


def by_bits(
    region: Region, chunk: bytes, right: bytes, places: tuple[Span, ...]
) -> RegionFinding | None:
    a, b = np.frombuffer(chunk, np.uint8), np.frombuffer(right, np.uint8)
    wrong = np.flatnonzero(a != b)
    bits = int(np.unpackbits(a[wrong] ^ b[wrong]).sum())
    if bits <= _FEW:
        where = tuple((region.start + int(at), region.start + int(at) + 1) for at in wrong)
        return RegionFinding(
            region, Kind.BIT_ROT, f"{counted(bits, 'bit')} wrong", where[:MOST_PLACES]
        )
    if (a[wrong] == 0xFF).all():
        start, end = region.start + int(wrong[0]), region.start + int(wrong[-1]) + 1
        # An erase takes whole sectors: a blank that begins within one was left by a write.
        begins = start - region.start - blank_since(chunk, int(wrong[0]))
        if start % SECTOR and begins == 0 and blank_until(chunk, int(wrong[0])) >= int(wrong[-1]):
            return RegionFinding(
                region,
                Kind.INTERRUPTED,
                f"right up to {start:06X}h, then blank up to {end - 1:06X}h",
                ((start, end),),
                start,
            )
        return RegionFinding(region, Kind.ERASED, "sectors of it are blank", places)
    if ((a & b) == b).all():
        return RegionFinding(
            region,
            Kind.HALF_ERASED,
            "bits of it have gone from 0 to 1 and none the other way: an erase that was cut short",
            places,
        )
    return None


def out_of_place(region: Region, chunk: bytes, right: bytes) -> RegionFinding | None:
    where = ((region.start, region.end),)
    # What is the same either way round, such as zeros, tells nothing.
    enough = max(0.5, alike(chunk, right))
    for width, words in ((2, "pairs"), (4, "fours")):
        if alike(swapped(chunk, width), right) > enough:
            return RegionFinding(region, Kind.SWAPPED, f"bytes swapped in {words}", where)
    for shift in find_shifts(right, chunk, differing(right, chunk)):
        back = chunk[shift:] if shift > 0 else b"\xff" * -shift + chunk
        if alike(back.ljust(len(chunk), b"\xff")[: len(chunk)], right) > enough:
            at = region.start + shift
            return RegionFinding(
                region, Kind.SHIFTED, f"its contents begin at {at:06X}h", where, shift=shift
            )
    return None
