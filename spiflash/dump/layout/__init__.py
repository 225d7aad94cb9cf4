"""Regions and layouts as values, and the layout file, which is TOML with one table a region:

    # Flash layout. Addresses and lengths in bytes: a number, or text such as "64K" or "2M".
    layout = 1                     # the version of this format
    size = "8M"                    # of the whole flash
    source = "where this layout comes from"          # may be left out

    [[region]]
    name = "factory"               # printable, without spaces; each name once
    start = 0x050000
    length = "64K"
    role = "own"                   # may be left out; see Role
    keep = true                    # this board's own; may be left out: true for role "own"

    [[group]]                      # a further name for a range that overlaps regions
    name = "firmware"
    start = 0x070000
    length = 0x390000

Regions may be in any order and leave gaps, but must not overlap. Every value must be on one line,
so that an error can name it.
"""

from __future__ import annotations

import bisect
import enum
import itertools
import re
from dataclasses import dataclass
from typing import Any, NoReturn

from spiflash.errors import LayoutError
from spiflash.spans import Sized
from spiflash.text import address, counted
from spiflash.toml_text import KeyPath, TomlText

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
class Region(Sized):
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
    def is_own(self) -> bool:
        """Whether it belongs to the board rather than to the firmware."""
        return self.keep or self.role is Role.OWN


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
                raise ValueError(f"{region.name} begins before {address(reached)}")
            reached = region.end
        for region in self.named:
            if not NAME.fullmatch(region.name):
                raise ValueError(f"{region.name!r} cannot be the name of a region")
            if region.start < 0 or region.length < 1 or region.end > self.size:
                raise ValueError(f"{region.name} is not within a flash of {self.size} bytes")
        if len({region.name for region in self.named}) < len(self.named):
            raise ValueError("two regions have the same name")

    @property
    def named(self) -> tuple[Region, ...]:
        """Regions, then groups: everything that has a name."""
        return self.regions + self.groups

    @property
    def kept(self) -> tuple[Region, ...]:
        """The regions that are the board's own."""
        return tuple(region for region in self.regions if region.keep)

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """(start, end) of what is in no region."""
        found = []
        reached = 0
        for region in (*self.regions, Region("end", self.size, 0)):
            if region.start > reached:
                found.append((reached, region.start))
            reached = region.end
        return tuple(found)

    @property
    def with_gaps(self) -> list[Region]:
        """The regions and, with a name by its address, what is in no region; ascending."""
        gaps = [Region(f"gap-{low:06X}h", low, high - low) for low, high in self.gaps]
        return sorted((*self.regions, *gaps), key=lambda region: region.start)

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


# Layout files ------------------------------------------------------------------------------------

VERSION = 1

_MOST = 4096
_TOP = {"layout", "size", "source", "region", "group"}
_KEYS = {"name", "start", "length", "role", "keep"}


def layout_text(layout: Layout) -> str:
    """The file that `read_layout` reads back to an equal layout."""
    lines = [
        "# Flash layout. Addresses and lengths are in bytes.",
        f"layout = {VERSION}",
        f"size = {layout.size:#x}",
        f"source = {_quoted(layout.source)}",
    ]
    for table, regions in (("region", layout.regions), ("group", layout.groups)):
        for region in regions:
            lines += [
                "",
                f"[[{table}]]",
                f'name = "{region.name}"',
                f"start = {region.start:#010x}",
                f"length = {region.length:#010x}",
                f'role = "{region.role.value}"',
                f"keep = {str(region.keep).lower()}",
            ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A basic string of TOML; what is not plain ASCII becomes an escape."""
    return '"' + "".join(_escaped(character) for character in text) + '"'


def _escaped(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    return character if " " <= character <= "~" else f"\\U{ord(character):08x}"


def read_layout(text: str, name: str) -> Layout:
    """The layout in `text`; `name` is what messages call the file.

    Raises `LayoutError` that names file and line.
    """
    return _Reader(text, name).layout()


class _Reader(TomlText):
    """One layout file."""

    AMOUNTS = '0x40000, "64K" or "2M"'

    def layout(self) -> Layout:
        self.known(self.data, (), _TOP)
        version = self.data.get("layout")
        if version != VERSION or isinstance(version, bool):
            self.refuse(self.line((), "layout"), f"the file must say layout = {VERSION}")
        size = self.amount(self.data, (), "size")
        if size == 0:
            self.refuse(self.line((), "size"), "the size must not be 0")
        source = self.data.get("source", f"layout file {self.name}")
        if not isinstance(source, str):
            self.refuse(self.line((), "source"), "source must be a text in quotes")
        regions = self.regions("region", size)
        groups = self.regions("group", size)
        self.refuse_overlaps(regions)
        self.refuse_repeated_names([*regions, *groups])
        return Layout(
            size,
            tuple(sorted((region for region, _ in regions), key=lambda each: each.start)),
            tuple(region for region, _ in groups),
            source,
        )

    def regions(self, table: str, size: int) -> list[tuple[Region, int]]:
        """Each region of one sort with the line on which it begins."""
        entries = self.tables(table)
        if len(entries) > _MOST:
            self.refuse(self.line((), table), f"there are more than {_MOST:,} of them")
        return [(self.region(each, at, size), self.line(at)) for each, at in entries]

    def region(self, entry: dict[str, Any], at: KeyPath, size: int) -> Region:
        self.known(entry, at, _KEYS)
        name = entry.get("name")
        if not isinstance(name, str) or not NAME.fullmatch(name):
            self.refuse(
                self.line(at, "name"),
                "name must have 1 to 64 printable ASCII characters, without spaces, quotes and "
                "backslashes",
            )
        start = self.amount(entry, at, "start")
        length = self.amount(entry, at, "length")
        if length == 0:
            self.refuse(self.line(at, "length"), "the length must not be 0")
        if start + length > size:
            over = counted(start + length - size, "byte")
            self.refuse(self.line(at, "length"), f"{name} ends {over} after the end of the flash")
        role = entry.get("role", "other")
        if role not in {each.value for each in Role}:
            known = ", ".join(each.value for each in Role)
            self.refuse(self.line(at, "role"), f"unknown role; the roles are: {known}")
        keep = entry.get("keep", role == Role.OWN.value)
        if not isinstance(keep, bool):
            self.refuse(self.line(at, "keep"), "keep must be true or false")
        return Region(name, start, length, Role(role), keep)

    def refuse_overlaps(self, regions: list[tuple[Region, int]]) -> None:
        ordered = sorted(regions, key=lambda each: each[0].start)
        for (first, _), (second, line) in itertools.pairwise(ordered):
            if second.start < first.end:
                self.refuse(line, f"{second.name} overlaps {first.name}")

    def refuse_repeated_names(self, regions: list[tuple[Region, int]]) -> None:
        seen: set[str] = set()
        for region, line in regions:
            if region.name in seen:
                self.refuse(line, f"the name {region.name} is used twice")
            seen.add(region.name)

    def refuse(self, line: int, problem: str) -> NoReturn:
        raise LayoutError(
            f"{self.name}, line {line}: {problem}.",
            state="Nothing was changed.",
            remedy="Correct the file, or make a new one with 'spiflash audit FILE --save NEW'.",
        )
