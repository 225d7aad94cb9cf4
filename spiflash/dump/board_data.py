"""A board's own data: ranges that move as a whole, and the items in them.

A region that is the board's own (calibration, identity) is more than the items that are known in
it, and a file system of settings is of no use in pieces: both move as a whole or not at all.
Variables of a saved environment move one by one. What is left is loose: a few bytes by
themselves, such as an address at the end of the boot code.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from spiflash.dump.audit import PACKED, Audit
from spiflash.dump.finding import BannerFacts, Finding, saved_environments
from spiflash.dump.formats import is_blank
from spiflash.dump.identity import OwnItem
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.uboot_env import Environment
from spiflash.errors import UsageError
from spiflash.spans import SECTOR, meets_any, merged, spans_of
from spiflash.text import span_of

WRITTEN = (Role.SETTINGS, Role.DATA)
"""Roles of regions that the board's owner, or the board itself, has written."""

CONTAINERS = PACKED | {
    *("uboot-image", "fit", "devicetree", "romfs", "ext", "fat", "trx", "elf"),
    *("gzip", "xz", "lzma", "bzip2", "zstd", "lz4"),
}
"""Kinds of findings that make no sense in parts."""

_MOST_UNCLAIMED = 64

_FILES = frozenset({"jffs2", "ubi", "ubifs"})
"""Kinds of file systems that a board writes to."""


class Fate(enum.StrEnum):
    """What happens to an own item."""

    STAYS = "stays"
    CARRIED = "carried over"
    VARIABLE = "into the environment"
    LEFT = "not carried over"


@dataclass(frozen=True, slots=True)
class Decision:
    """One own item and what happens to it.

    `place` is where it is afterwards, None for one that is not carried over; `whole` names
    the region that it moves with, empty when it moves by itself; `variable` the environment
    variable that it becomes. `why` gives the reason in words.
    """

    item: OwnItem
    fate: Fate
    why: str
    place: int | None = None
    whole: str = ""
    variable: str = ""

    @property
    def kept(self) -> bool:
        """Whether the board still has it afterwards."""
        return self.fate is not Fate.LEFT

    @property
    def label(self) -> str:
        """What to call it on a command line: the variable, the region, or the address."""
        if self.variable:
            return self.variable
        if self.item.kind in WHOLE_KINDS:
            return self.item.name
        return f"{self.item.start:#x}"


WHOLE_KINDS = ("region", "settings", "data region")
"""Kinds of the items that represent a whole range."""


def used_length(contents: bytes, region: Region) -> int:
    """Bytes of a region up to the last that is not FFh."""
    return len(region.of(contents).rstrip(b"\xff"))


def sound_environments(audit: Audit) -> list[Environment]:
    """The saved environments whose checksum is OK, the one that the loader takes first.

    Of a redundant pair it takes the one with the higher flag; 0 follows 255 (U-Boot,
    env/common.c, env_check_redund; from memory).
    """
    found = [each for each in saved_environments(audit.findings) if each.checksum_ok]
    turned = {each.flag for each in found} >= {0, 255}

    def rank(each: Environment) -> tuple[bool, int, int]:
        region = audit.layout.at(each.start)
        flag = 256 if turned and each.flag == 0 else each.flag or 0
        return region is None or region.role is not Role.ENVIRONMENT, -flag, each.start

    return sorted(found, key=rank)


def holds_environment(audit: Audit, region: Region) -> bool:
    """Whether a saved environment begins in a region; such a one is never moved as a whole."""
    return any(region.holds(each.start) for each in saved_environments(audit.findings))


def firmware_in(findings: Iterable[Finding], region: Region) -> list[Finding]:
    """Findings that make no sense in parts and begin in a range."""
    return [each for each in findings if each.kind in CONTAINERS and region.holds(each.start)]


def _moves_whole(audit: Audit, region: Region) -> bool:
    """Whether a region is the board's own or was written on it. One whose name says nothing is
    too, unless there is firmware in it."""
    if region.is_own or region.role in WRITTEN:
        return True
    return region.role is Role.OTHER and not firmware_in(audit.findings, region)


def whole_ranges(audit: Audit) -> list[Region]:
    """The ranges of a board that move as a whole and hold anything, by rising address."""
    found = [
        region
        for region in audit.layout.regions
        if _moves_whole(audit, region)
        and not is_blank(audit.contents, region.start, region.end)
        and region.start < len(audit.contents)
        and not holds_environment(audit, region)
    ]
    for start, end in (*_spare_ranges(audit.layout), *_behind_firmware(audit, found)):
        found += _file_systems(audit.findings, start, min(end, len(audit.contents)))
    found += _unclaimed(audit, found)
    return sorted(found, key=lambda region: region.start)


def _spare_ranges(layout: Layout) -> list[tuple[int, int]]:
    """Where nothing should be: no region, or one that is called spare."""
    spare = spans_of(each for each in layout.regions if each.role is Role.SPARE)
    return sorted((*layout.gaps, *spare))


def _behind_firmware(audit: Audit, known: Sequence[Region]) -> Iterator[tuple[int, int]]:
    """What comes after firmware in its region: many boards put their settings into the rest of
    the kernel's or root file system's partition (common practice, no source)."""
    for region in audit.layout.regions:
        found = firmware_in(audit.findings, region)
        firmware = [each.end for each in found if each.kind not in _FILES]
        if firmware and region not in known and region.role is not Role.SPARE:
            yield min(max(firmware), region.end), region.end


def _unclaimed(audit: Audit, known: Sequence[Region]) -> list[Region]:
    """Sectors that hold something although no region is meant for it and no format explains it:
    nothing says that it is firmware, so that it may be the board's own."""
    contents = audit.contents
    explained = [
        each.span
        for each in audit.findings
        if each.kind in CONTAINERS or isinstance(each.facts, Environment | BannerFacts)
    ]
    explained += spans_of(known)
    found: list[Region] = []
    for low, high in _spare_ranges(audit.layout):
        start = low if low else SECTOR  # what stands at 0 is boot code
        for at in range(start, min(high, len(contents)), SECTOR):
            end = min(at + SECTOR, high, len(contents))
            if is_blank(contents, at, end) or contents.count(0, at, end) == end - at:
                continue
            if found and found[-1].end == at:
                found[-1] = replace(found[-1], length=end - found[-1].start)
            else:
                found.append(Region(f"unclaimed@{at:06X}h", at, end - at, Role.OTHER))
    spans = merged(explained)
    return [each for each in found if not meets_any(each.span, spans)][:_MOST_UNCLAIMED]


def _file_systems(findings: Sequence[Finding], low: int, high: int) -> Iterator[Region]:
    """File systems that a board writes to, where no region claims the bytes."""
    found: list[tuple[str, int, int]] = []
    for each in findings:
        if each.kind not in _FILES or not low <= each.start < high:
            continue
        kind, start, reached = found[-1] if found else ("", low, low)
        # A log-structured file system leaves erase blocks blank.
        if each.kind == kind and each.start - reached <= 256 << 10:
            found[-1] = (kind, start, max(reached, min(each.end, high)))
        else:
            found.append((each.kind, each.start, min(each.end, high)))
    for kind, start, end in found:
        bottom, top = max(start // SECTOR * SECTOR, low), min(-(-end // SECTOR) * SECTOR, high)
        yield Region(f"{kind}@{start:06X}h", bottom, top - bottom, Role.SETTINGS)


def whole_item(audit: Audit, region: Region) -> OwnItem:
    """The item that represents a whole range."""
    titles = next(
        (each.contents for each in audit.regions if each.region.start == region.start), ()
    )
    used = used_length(audit.contents, region)
    kind = {Role.SETTINGS: "settings", Role.DATA: "data region"}.get(region.role, "region")
    return OwnItem(
        region.start,
        region.length,
        kind,
        region.name,
        titles[0] if titles else f"used up to byte {used:,}",
        region.name,
        "a region of the layout",
    )


def block_around(contents: bytes, item: OwnItem, low: int, high: int) -> tuple[int, int]:
    """The piece of data around an item, between `low` and `high`: up to 64 blank bytes on both
    sides, so that a checksum or a name beside it goes with it."""
    apart = b"\xff" * 64
    before = contents.rfind(apart, low, item.start)
    after = contents.find(apart, item.end, high)
    return (before + len(apart) if before >= 0 else low), (after if after >= 0 else high)


def matching_regions(image: Audit, region: Region, size: int) -> list[Region]:
    """The regions of an image for a chip of `size` bytes whose role is that of a range."""
    own = region.is_own
    return [
        each
        for each in image.layout.regions
        if (each.is_own if own else each.role is region.role)
        and each.end <= size
        and not holds_environment(image, each)
    ]


def found_in(image: Audit, region: Region) -> str:
    """In words what an image has in a range."""
    for each in image.findings:
        if each.meets(region) and each.kind in CONTAINERS | {"environment"}:
            return f"{each.title} at {each.start:06X}h"
    claim = next((each for each in image.layout.regions if each.meets(region)), None)
    return f"contents of its own ({claim.name})" if claim else "contents of its own"


def layout_for(image: Layout, kept: Sequence[Region], size: int) -> Layout:
    """The image's layout for a chip of `size` bytes, with every kept range as a region: what the
    merged image is audited by."""
    taken = {each.name for each in kept}
    named = [
        region
        for region in image.regions
        if region.end <= size
        and region.name not in taken
        and not any(region.meets(each) for each in kept)
    ]
    ours = [replace(each, keep=each.keep or each.role is Role.OTHER) for each in kept]
    regions = sorted((*ours, *named), key=lambda region: region.start)
    return Layout(size, tuple(regions), source=image.source)


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a person wants otherwise than it would be done.

    `keep` are ranges to be kept whatever the image has there: a region of the board, a range
    such as 0x50000+0x1000, or REGION=REGION with the image's region to put it into. `drop` are
    items not to be carried over: a region, a variable, or an address. `values` are variables to
    be set in the image's environment.
    """

    keep: tuple[str, ...] = ()
    drop: tuple[str, ...] = ()
    values: Mapping[str, str] = field(default_factory=dict)

    def kept_ranges(self, board: Layout, more: Sequence[Region] = ()) -> list[tuple[Region, str]]:
        """(range on the board, region of the image to put it into or "") of each `keep`; `more`
        are ranges with a name that no region of the layout is.

        Raises `LayoutError` for a region that the board does not have, `UsageError` for a range
        that is not on it.
        """
        found = []
        for wish in self.keep:
            name, _, target = wish.partition("=")
            typed = span_of(name)
            if typed is None:
                region = next((e for e in more if e.name == name), None) or board.region(name)
            else:
                start, length = typed[0], typed[1] - typed[0]
                if length < 1 or typed[1] > board.size:
                    raise wish_error(f"The range {name} is not on this chip.")
                region = Region(name, start, length, Role.OWN, True)
            found.append((region, target))
        return found

    def drops(self, item: OwnItem) -> bool:
        """Whether an item that moves by itself is not to be carried over."""
        return any(wish == item.name or _address(wish) == item.start for wish in self.drop)

    def check(self, board: Audit, whole: Sequence[Region]) -> None:
        """Raise `UsageError` for what cannot be dropped."""
        for wish in self.drop:
            if any(each.name == wish for each in whole):
                continue
            found = [e for e in board.own if wish == e.name or _address(wish) == e.start]
            if not found:
                raise wish_error(f"This board has no item of its own called {wish}.")
            for region in whole:
                if all(region.holds(each.start) for each in found):
                    raise wish_error(
                        f"{wish} is a part of {region.name}, which is kept or dropped as a whole."
                    )
        both = set(self.drop) & {wish.partition("=")[0] for wish in self.keep}
        if both:
            raise wish_error(f"{min(both)} cannot be kept and dropped.")


def turned(decisions: Sequence[Decision], wishes: Wishes, name: str) -> Wishes:
    """The wishes with which the item called `name` gets the other fate.

    Raises `UsageError` when there is none, or nowhere to put it.
    """
    said = next((e for e in decisions if name in (e.label, e.item.name)), None)
    if said is None:
        raise wish_error(f"This board has no item of its own called {name}.")
    label = said.label
    drop = tuple(each for each in wishes.drop if each != label)
    keep = tuple(each for each in wishes.keep if each.partition("=")[0] != label)
    if said.kept:
        return replace(wishes, keep=keep, drop=(*drop, label))
    if said.item.kind in WHOLE_KINDS and label not in wishes.drop:
        keep = (*keep, label)
    elif label not in wishes.drop:
        raise wish_error(f"There is no place for {label}: {said.why}.")
    return replace(wishes, keep=keep, drop=drop)


def _address(text: str) -> int | None:
    """The address that a text is, such as 0x401ab or 0401ABh."""
    match = re.fullmatch(r"0[xX]([0-9a-fA-F]{1,8})|([0-9a-fA-F]{1,8})[hH]", text)
    return int(match[1] or match[2], 16) if match else None


def wish_error(cause: str) -> UsageError:
    """A wish that cannot be met."""
    return UsageError(
        cause,
        state="Nothing has been erased or written.",
        remedy="'spiflash convert IMAGE --plan' lists what is this board's own, each with the "
        "name to use.",
    )
