"""Regions and layouts as values."""

from __future__ import annotations

import bisect
import enum
import re
from dataclasses import dataclass

from spiflash.errors import LayoutError

NAME = re.compile(r"[!#-\[\]-~]{1,64}")
"""What a region may be called: printable ASCII without spaces, quotes and backslashes."""


class Role(enum.Enum):
    """What a region is for."""

    BOOT = "boot"
    ENVIRONMENT = "environment"
    OWN = "own"  # identity and calibration, different on every board
    TREE = "devicetree"
    KERNEL = "kernel"
    ROOT = "root"
    SETTINGS = "settings"  # what the owner of the board has set
    DATA = "data"  # what the board itself has written
    SPARE = "spare"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Region:
    """`length` bytes from `start`, both in bytes.

    `keep` marks what belongs to this one board and has to survive when another board's
    contents are written.
    """

    name: str
    start: int
    length: int
    role: Role = Role.OTHER
    keep: bool = False

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Layout:
    """The regions of a flash of `size` bytes, ascending and without overlap.

    `groups` are further names for ranges that overlap regions, such as "firmware" for kernel
    and root file system together. `source` says in words where the layout comes from.
    Raises ValueError when regions overlap, leave the flash, or share a name.
    """

    size: int
    regions: tuple[Region, ...]
    groups: tuple[Region, ...] = ()
    source: str = ""

    def __post_init__(self) -> None:
        reached = 0
        for region in self.regions:
            if region.start < reached:
                raise ValueError(f"{region.name} begins before {reached:#x}")
            reached = region.end
        for region in self.named:
            if not NAME.fullmatch(region.name):
                raise ValueError(f"{region.name!r} cannot be the name of a region")
            if region.start < 0 or region.length < 1 or region.end > self.size:
                raise ValueError(f"{region.name} does not lie on a flash of {self.size} bytes")
        if len({region.name for region in self.named}) < len(self.named):
            raise ValueError("two regions have the same name")

    @property
    def named(self) -> tuple[Region, ...]:
        """Regions, then groups: everything that can be asked for by name."""
        return self.regions + self.groups

    @property
    def kept(self) -> tuple[Region, ...]:
        """The regions that are the board's own."""
        return tuple(region for region in self.regions if region.keep)

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """(start, end) of what belongs to no region."""
        found = []
        reached = 0
        for region in (*self.regions, Region("end", self.size, 0)):
            if region.start > reached:
                found.append((reached, region.start))
            reached = region.end
        return tuple(found)

    def region(self, name: str) -> Region:
        """The region or group called `name`. Raises `LayoutError` when there is none."""
        for region in self.named:
            if region.name == name:
                return region
        names = ", ".join(region.name for region in self.named) or "none"
        raise LayoutError(
            f"The layout has no region “{name}”.",
            state="Nothing was changed.",
            remedy=f"Its regions are: {names}.",
        )

    def at(self, address: int) -> Region | None:
        """The region that holds the byte at `address`; None in a gap."""
        index = bisect.bisect_right(self.regions, address, key=lambda region: region.start) - 1
        if index >= 0 and address < self.regions[index].end:
            return self.regions[index]
        return None
