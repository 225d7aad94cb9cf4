"""Partition tables as a dump states them, before they become a layout.

What a dump says is untrusted: names are cut and made printable, ranges may overlap or leave the
flash.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from spiflash.dump.layout.region import Layout, Region
from spiflash.dump.layout.roles import role_of

MOST = 128
"""Partitions read from one table; real ones have a dozen."""

_UNFIT = re.compile(r"[^!#-\[\]-~]")


@dataclass(frozen=True, slots=True)
class Partition:
    """A named range in bytes, as stated."""

    name: str
    start: int
    length: int

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.length


def layout_of(partitions: Iterable[Partition], size: int, source: str) -> Layout:
    """The layout of a flash of `size` bytes that `partitions` describe.

    Where partitions overlap, the shorter ones become regions and the others groups: a table may
    name kernel and root file system and, once more, both together. What lies beyond the flash
    is cut off.
    """
    regions: list[Region] = []
    groups: list[Region] = []
    taken: set[str] = set()
    ordered = list(partitions)[:MOST]
    for partition in sorted(ordered, key=lambda each: (each.length, each.start)):
        start, end = max(partition.start, 0), min(partition.end, size)
        if start >= end:
            continue
        name = _unused(_UNFIT.sub("_", partition.name)[:48] or "unnamed", taken)
        role, keep = role_of(name)
        region = Region(name, start, end - start, role, keep)
        overlaps = any(each.start < end and start < each.end for each in regions)
        (groups if overlaps else regions).append(region)
    return Layout(
        size,
        tuple(sorted(regions, key=lambda region: region.start)),
        tuple(sorted(groups, key=lambda region: (region.start, region.length))),
        source,
    )


def _unused(name: str, taken: set[str]) -> str:
    chosen, number = name, 2
    while chosen in taken:
        chosen, number = f"{name}-{number}", number + 1
    taken.add(chosen)
    return chosen
