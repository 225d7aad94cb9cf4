"""Every layout that a dump states or suggests, the one to rely on first.

In Linux the command line takes precedence over the device tree, so a saved environment comes first,
then trees (their own boot arguments before their nodes), then the defaults of the boot code, and
last what the findings suggest.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.finding import (
    Finding,
    Holds,
    ImageFacts,
    Partition,
    StreamFacts,
    TreeFacts,
    Verdict,
    is_loader_banner,
)
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.layout.partitions import (
    MOST,
    find_mtdparts,
    layout_of,
    unused_name,
)
from spiflash.spans import SECTOR
from spiflash.text import readable

# Suggested layouts -------------------------------------------------------------------------------

_TOGETHER = 256 << 10
"""Bytes of blank flash that may be between two pieces of one file system: a log-structured
one leaves erase blocks blank."""

_NAMES = {
    "uboot-image": ("image", Role.OTHER),
    "fit": ("image", Role.OTHER),
    "kernel": ("kernel", Role.KERNEL),
    "environment": ("env", Role.ENVIRONMENT),
    "devicetree": ("dtb", Role.TREE),
    "squashfs": ("rootfs", Role.ROOT),
    "cramfs": ("rootfs", Role.ROOT),
    "erofs": ("rootfs", Role.ROOT),
    "cpio": ("initramfs", Role.ROOT),
    "romfs": ("rootfs", Role.ROOT),
    "jffs2": ("files", Role.DATA),
    "ubi": ("volumes", Role.DATA),
    "ubifs": ("files", Role.DATA),
    "ext": ("files", Role.DATA),
    "fat": ("files", Role.DATA),
}


_IN_KERNEL = frozenset({"cpio"})
"""What can be anywhere inside a raw kernel."""


def suggested(findings: Sequence[Finding], size: int) -> Layout:
    """Regions of whole sectors around the findings, for a flash of `size` bytes.

    What is before the first one is the boot code, if a version string there says so; it ends where
    the flash is blank for a sector or more after its last text.
    """
    regions: list[Region] = []
    taken: set[str] = set()
    for start, end, kind, kernel in _pieces(findings):
        reached = regions[-1].end if regions else 0
        low = max(start // SECTOR * SECTOR, reached)
        high = min(-(-end // SECTOR) * SECTOR, size)
        if low >= high or len(regions) == MOST:
            continue
        name, role = _NAMES[kind]
        if kernel:
            name, role = "kernel", Role.KERNEL
        regions.append(Region(unused_name(name, taken), low, high - low, role))
    first = regions[0].start if regions else size
    words = [each.end for each in findings if is_loader_banner(each) and each.end <= first]
    if words:
        blank = [each.start for each in findings if each.verdict is Verdict.BLANK]
        end = min((start for start in blank if start >= words[-1]), default=first)
        regions.insert(0, Region("boot", 0, min(end, first), Role.BOOT))
    return Layout(size, tuple(regions), source="what was found")


def _pieces(findings: Sequence[Finding]) -> list[tuple[int, int, str, bool]]:
    """(start, end, kind, whether it is a kernel) of the outermost findings, file systems in one
    piece."""
    pieces: list[tuple[int, int, str, bool]] = []
    for finding in sorted(findings, key=lambda each: (each.start, -each.length)):
        facts, found = finding.facts, finding.kind
        if isinstance(facts, StreamFacts) and facts.archive:
            found = "cpio"
        if found not in _NAMES or finding.verdict is Verdict.BLANK:
            continue
        if pieces:
            start, end, kind, kernel = pieces[-1]
            if kind == "kernel" and finding.start % SECTOR == 0 and found not in _IN_KERNEL:
                # Its length is an upper bound: an item that begins a sector ends it.
                pieces[-1] = (start, min(end, finding.start), kind, kernel)
            elif finding.end <= end:
                continue
            near = finding.start - end <= _TOGETHER
            if found == kind and kind in ("jffs2", "ubi", "ubifs") and near:
                pieces[-1] = (start, finding.end, kind, kernel)
                continue
        kernel = isinstance(facts, ImageFacts) and facts.holds is Holds.KERNEL
        pieces.append((finding.start, finding.end, found, kernel))
    return pieces


# Stated layouts ----------------------------------------------------------------------------------


_MOST_TREES = 64


@dataclass(frozen=True, slots=True)
class FoundLayout:
    """A layout, the address in the dump at which it is stated (None when it is only suggested),
    what is odd about it, in words, and the stated end of its last partition, which may be beyond
    the dump (0 when it is only suggested)."""

    layout: Layout
    at: int | None
    remarks: tuple[str, ...] = ()
    end: int = 0


@dataclass(frozen=True, slots=True)
class _Candidate:
    rank: int
    at: int
    source: str
    partitions: tuple[Partition, ...]
    nand: bool = False


_NAND = re.compile(r"nand", re.IGNORECASE)
"""In the name of a flash: then it is not this SPI NOR (the names that Linux gives
them, such as "gpmi-nand", "spi-nand0" and "nand@1,0"; from memory)."""


def find_layouts(contents: bytes, findings: Sequence[Finding]) -> tuple[FoundLayout, ...]:
    """All layouts of `contents`, best first; the last is the one that `findings` suggest.

    Never empty, unless `contents` are. Equal tables are listed once.
    """
    if not contents:
        return ()
    size = len(contents)
    candidates = [*_stated(contents, findings), *_trees(findings)]
    # A table that leaves the flash, or covers only a small part of it, is for another flash.
    candidates.sort(key=lambda each: (each.nand, not _suits(each, size), each.rank, each.at))
    found: list[FoundLayout] = []
    for candidate in candidates:
        layout = layout_of(candidate.partitions, size, candidate.source)
        ranges = {(region.name, region.start, region.length) for region in layout.named}
        if not ranges or any(ranges == _ranges(known.layout) for known in found):
            continue
        layout = _with_contents(layout, findings)
        end = max(partition.end for partition in candidate.partitions)
        found.append(FoundLayout(layout, candidate.at, _remarks(candidate, size), end))
    return (*found, FoundLayout(suggested(findings, size), None))


def _ranges(layout: Layout) -> set[tuple[str, int, int]]:
    return {(region.name, region.start, region.length) for region in layout.named}


def _suits(candidate: _Candidate, size: int) -> bool:
    ends = [partition.end for partition in candidate.partitions]
    return max(ends) <= size and max(ends) * 4 >= size


def _remarks(candidate: _Candidate, size: int) -> tuple[str, ...]:
    beyond = [part.name for part in candidate.partitions if part.end > size]
    if not beyond:
        return ()
    names = ", ".join(readable(name.encode(), 40) for name in beyond[:8])
    return (f"Made for a larger flash: {names} would end after the end of this one.",)


def _stated(contents: bytes, findings: Sequence[Finding]) -> list[_Candidate]:
    found = []
    for at, table in find_mtdparts(contents, len(contents)):
        holder = _holder(at, findings)
        if holder is None:
            rank, where = 4, f"text at {at:06X}h"
        elif holder.kind == "environment":
            rank = 0 if holder.verdict is Verdict.VERIFIED else 3
            where = f"environment at {holder.start:06X}h"
        else:
            rank, where = 1, f"boot arguments of the device tree at {holder.start:06X}h"
        flash = readable(table.flash.encode(), 40)
        found.append(
            _Candidate(
                rank,
                at,
                f"mtdparts for {flash}, {where}",
                table.partitions,
                bool(_NAND.search(table.flash)),
            )
        )
    return found


def _holder(at: int, findings: Sequence[Finding]) -> Finding | None:
    return next(
        (
            finding
            for finding in findings
            if finding.start <= at < finding.end and finding.kind in ("environment", "devicetree")
        ),
        None,
    )


def _trees(findings: Sequence[Finding]) -> list[_Candidate]:
    found = []
    trees = [each for each in findings if isinstance(each.facts, TreeFacts)]
    for finding in trees[:_MOST_TREES]:
        assert isinstance(finding.facts, TreeFacts)
        for table in finding.facts.tables:
            source = f"node {table.flash} of the device tree at {finding.start:06X}h"
            nand = bool(_NAND.search(table.flash))
            found.append(_Candidate(2, finding.start, source, table.partitions, nand))
    return found


_BY_KIND = {kind: role for kind, (_, role) in _NAMES.items()} | {
    "uboot-image": Role.KERNEL,
    "fit": Role.KERNEL,
}


def _with_contents(layout: Layout, findings: Sequence[Finding]) -> Layout:
    """Roles by contents where the name says nothing, or something wrong."""
    first = {finding.start: _BY_KIND.get(finding.kind) for finding in reversed(findings)}
    regions = []
    for region in layout.regions:
        role = first.get(region.start)
        # "bl-params" sounds like a boot loader; one never begins with a saved environment.
        sounds = region.role is Role.BOOT and role is Role.ENVIRONMENT
        if (region.role is Role.OTHER or sounds) and role is not None:
            region = Region(region.name, region.start, region.length, role, region.keep)
        regions.append(region)
    return Layout(layout.size, tuple(regions), layout.groups, layout.source)
