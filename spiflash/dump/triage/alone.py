"""What a region says by itself: checksums, and the processor its code is for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spiflash.dump.compare.whole import SECTOR
from spiflash.dump.facts import Architecture, BannerFacts, BundleFacts, ImageFacts, ProgramFacts
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.known import Known
from spiflash.dump.triage.likeness import blank_since, used
from spiflash.dump.triage.processor import processor
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind, RegionFinding

UNPROVEN = "nothing speaks against it; no checksum covers it"
FILE_SYSTEMS = ("squashfs", "jffs2", "cramfs", "romfs", "ubi", "ubifs", "ext", "fat")
IMAGES = ("uboot-image", "fit")
MOST_PLACES = 64
"""Places of one finding that are kept."""


def other_processor(known: Known, region: Region) -> str:
    """Evidence that the boot code is for another processor than the board, in words."""
    chip = known.chip
    code = processor(chip.contents[region.start : region.end])
    code = code or _elf_machine(chip, region)
    others: list[tuple[str, str]] = []
    for each, what in ((known.own, "the backup's"), (known.model, "the image's")):
        if each is not None:
            theirs = processor(each.sized(len(chip.contents))[region.start : region.end])
            others.append((theirs, f"{what} boot loader"))
    for finding in chip.findings:
        if region.start <= finding.start < region.end:
            continue
        others += [(each, f"the image at {finding.start:06X}h") for each in stated(finding)]
    for theirs, what in others:
        if code and theirs and _family(code) != _family(theirs):
            banner = next(
                (
                    each.facts.text
                    for each in chip.findings
                    if isinstance(each.facts, BannerFacts)
                    and region.start <= each.start < region.end
                ),
                "",
            )
            said = f" (it calls itself “{banner[:80]}”)" if banner else ""
            return f"its code is {code}, {what} is for {theirs}{said}"
    return ""


def stated(finding: Finding) -> list[Architecture]:
    """The architectures for which a boot image says its programs are."""
    images: tuple[ImageFacts, ...] = ()
    if isinstance(finding.facts, ImageFacts):
        images = (finding.facts,)
    elif isinstance(finding.facts, BundleFacts):
        images = finding.facts.images
    return [each.architecture for each in images if each.architecture is not None]


def _family(name: str) -> str:
    return Architecture(name).family if name else ""


def _elf_machine(chip: Reference, region: Region) -> str:
    for finding in chip.findings:
        if isinstance(finding.facts, ProgramFacts) and finding.start == region.start:
            return finding.facts.architecture or ""
    return ""


def vouched(findings: Sequence[Finding], region: Region) -> bool:
    return any(
        each.verdict is Verdict.VOUCHED and region.start <= each.start < region.end
        for each in findings
    )


def by_itself(known: Known, region: Region) -> RegionFinding:
    """What a region's own checksums say."""
    chip = known.chip
    inside = [each for each in chip.findings if region.start <= each.start < region.end]
    damaged = [each for each in inside if each.verdict is Verdict.DAMAGED]
    if region.role is Role.BOOT:
        stranger = other_processor(known, region)
        if stranger:
            return RegionFinding(region, Kind.PROCESSOR, stranger, ((region.start, region.end),))
    if damaged:
        first = damaged[0]
        spans = tuple(span for each in damaged for span in each.damage or ((each.start, each.end),))
        stop = _stopped_inside(chip.contents, first, region)
        if stop is not None:
            return RegionFinding(
                region,
                Kind.INTERRUPTED,
                f"{first.title[:60]}: there up to {stop:06X}h, then blank",
                spans[:MOST_PLACES],
                stop,
            )
        kind = Kind.FILES if first.kind in FILE_SYSTEMS else Kind.DAMAGED
        return RegionFinding(
            region, kind, f"{first.title[:60]}: a checksum fails", spans[:MOST_PLACES]
        )
    wanted = {
        Role.KERNEL: (*IMAGES, "elf"),
        Role.ROOT: FILE_SYSTEMS,
        Role.TREE: ("devicetree",),
        Role.BOOT: ("banner", "elf"),
    }.get(region.role)
    if wanted is not None and not any(each.kind in wanted for each in inside):
        return RegionFinding(
            region,
            Kind.DAMAGED,
            "nothing that belongs there is found in it",
            ((region.start, region.end),),
        )
    if vouched(inside, region):
        return RegionFinding(region, Kind.INTACT, "its checksums hold")
    return RegionFinding(region, Kind.INTACT, UNPROVEN)


def _stopped_inside(contents: bytes, item: Finding, region: Region) -> int | None:
    """Where a damaged item turns blank, up to its end or over whole sectors."""
    end = min(item.end, region.end, len(contents))
    span = contents[item.start : end]
    sectors = used(contents[item.start // SECTOR * SECTOR : -(-end // SECTOR) * SECTOR])
    missing = np.flatnonzero(~sectors)
    if len(missing):
        at = item.start // SECTOR * SECTOR + int(missing[0]) * SECTOR
        return max(blank_since(contents, at), item.start)
    tail = item.start + blank_since(span, len(span))
    return tail if end - tail >= 16 else None
