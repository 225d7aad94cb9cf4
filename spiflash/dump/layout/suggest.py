"""A layout made of findings, for dumps that state none."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.facts import BannerFacts, Holds, ImageFacts, Speaker
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.layout.partitions import MOST
from spiflash.dump.layout.region import Layout, Region, Role

SECTOR = 4096
_TOGETHER = 256 << 10
"""Bytes of blank flash that may lie between two pieces of one file system: a log-structured
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
"""What may stand inside a raw kernel, at any place."""


def suggested(findings: Sequence[Finding], size: int) -> Layout:
    """Regions of whole sectors around the findings, for a flash of `size` bytes.

    What lies in front of the first one is the boot code, if it introduces itself there; it ends
    where the flash is blank for a sector or more behind its last words.
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
        regions.append(Region(_numbered(name, taken), low, high - low, role))
    first = regions[0].start if regions else size
    words = [each.end for each in findings if _speaks(each) and each.end <= first]
    if words:
        blank = [each.start for each in findings if each.verdict is Verdict.BLANK]
        end = min((start for start in blank if start >= words[-1]), default=first)
        regions.insert(0, Region("boot", 0, min(end, first), Role.BOOT))
    return Layout(size, tuple(regions), source="what was found")


def _speaks(finding: Finding) -> bool:
    facts = finding.facts
    return isinstance(facts, BannerFacts) and facts.speaker is Speaker.LOADER


def _pieces(findings: Sequence[Finding]) -> list[tuple[int, int, str, bool]]:
    """(start, end, kind, whether it is a kernel) of the outermost findings, file systems in one
    piece."""
    pieces: list[tuple[int, int, str, bool]] = []
    for finding in sorted(findings, key=lambda each: (each.start, -each.length)):
        if finding.kind not in _NAMES or finding.verdict is Verdict.BLANK:
            continue
        if pieces:
            start, end, kind, kernel = pieces[-1]
            if kind == "kernel" and finding.start % SECTOR == 0 and finding.kind not in _IN_KERNEL:
                # How far a raw kernel reaches is an upper bound: what begins a sector ends it.
                pieces[-1] = (start, min(end, finding.start), kind, kernel)
            elif finding.end <= end:
                continue
            near = finding.start - end <= _TOGETHER
            if finding.kind == kind and kind in ("jffs2", "ubi", "ubifs") and near:
                pieces[-1] = (start, finding.end, kind, kernel)
                continue
        facts = finding.facts
        kernel = isinstance(facts, ImageFacts) and facts.holds is Holds.KERNEL
        pieces.append((finding.start, finding.end, finding.kind, kernel))
    return pieces


def _numbered(name: str, taken: set[str]) -> str:
    chosen, number = name, 2
    while chosen in taken:
        chosen, number = f"{name}-{number}", number + 1
    taken.add(chosen)
    return chosen
