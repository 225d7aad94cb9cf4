"""Layout files: TOML, one table a region.

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

Regions may stand in any order and leave gaps, but not overlap. Every value stands on one line,
so that an error can name it.
"""

from __future__ import annotations

import itertools
from typing import Any, NoReturn

from spiflash.dump.layout.region import NAME, Layout, Region, Role
from spiflash.dump.lined_toml import LinedToml
from spiflash.errors import LayoutError

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


class _Reader(LinedToml):
    """One layout file."""

    AMOUNTS = '0x40000, "64K" or "2M"'

    def layout(self) -> Layout:
        for key in self.data:
            if key not in _TOP:
                self.refuse(self.line(None, key), f"“{key[:40]}” means nothing here")
        version = self.data.get("layout")
        if version != VERSION or isinstance(version, bool):
            self.refuse(self.line(None, "layout"), f"this must say layout = {VERSION}")
        size = self.amount(self.data, None, "size")
        if size == 0:
            self.refuse(self.line(None, "size"), "a flash of no bytes")
        source = self.data.get("source", f"layout file {self.name}")
        if not isinstance(source, str):
            self.refuse(self.line(None, "source"), "source is not text")
        regions = self.regions("region", size)
        groups = self.regions("group", size)
        self.refuse_overlaps(regions)
        self.refuse_namesakes([*regions, *groups])
        return Layout(
            size,
            tuple(sorted((region for region, _ in regions), key=lambda each: each.start)),
            tuple(region for region, _ in groups),
            source,
        )

    def regions(self, table: str, size: int) -> list[tuple[Region, int]]:
        """Each region of one sort with the line on which it begins."""
        entries = self.data.get(table, [])
        if not isinstance(entries, list) or not all(isinstance(each, dict) for each in entries):
            self.refuse(self.line(None, table), f"write [[{table}]] above each {table}")
        if len(entries) > _MOST:
            self.refuse(self.line(None, table), f"more than {_MOST} of them")
        return [
            (self.region(each, (table, index), size), self.line((table, index), None))
            for index, each in enumerate(entries)
        ]

    def region(self, entry: dict[str, Any], place: tuple[str, int], size: int) -> Region:
        for key in entry:
            if key not in _KEYS:
                self.refuse(self.line(place, key), f"“{key[:40]}” means nothing here")
        name = entry.get("name")
        if not isinstance(name, str) or not NAME.fullmatch(name):
            self.refuse(
                self.line(place, "name"),
                "a name of 1 to 64 printable ASCII characters without spaces, quotes and "
                "backslashes is needed",
            )
        start = self.amount(entry, place, "start")
        length = self.amount(entry, place, "length")
        if length == 0:
            self.refuse(self.line(place, "length"), f"{name} has no bytes")
        if start + length > size:
            over = start + length - size
            self.refuse(self.line(place, "length"), f"{name} ends {over} bytes behind the flash")
        role = entry.get("role", "other")
        if role not in {each.value for each in Role}:
            known = ", ".join(each.value for each in Role)
            self.refuse(self.line(place, "role"), f"no such role; there are: {known}")
        keep = entry.get("keep", role == Role.OWN.value)
        if not isinstance(keep, bool):
            self.refuse(self.line(place, "keep"), "keep is true or false")
        return Region(name, start, length, Role(role), keep)

    def refuse_overlaps(self, regions: list[tuple[Region, int]]) -> None:
        ordered = sorted(regions, key=lambda each: each[0].start)
        for (first, _), (second, line) in itertools.pairwise(ordered):
            if second.start < first.end:
                self.refuse(line, f"{second.name} overlaps {first.name}")

    def refuse_namesakes(self, regions: list[tuple[Region, int]]) -> None:
        seen: set[str] = set()
        for region, line in regions:
            if region.name in seen:
                self.refuse(line, f"the name {region.name} is taken")
            seen.add(region.name)

    def refuse(self, number: int, problem: str) -> NoReturn:
        raise LayoutError(
            f"{self.name}, line {number}: {problem}.",
            state="Nothing was changed.",
            remedy="Correct the file, or make a new one with 'spiflash audit FILE --save NEW'.",
        )
