"""What a region says by itself: checksums, and the processor its code is for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spiflash.dump.coverage import Level
from spiflash.dump.finding import (
    Architecture,
    BannerFacts,
    Finding,
    ProgramFacts,
    Verdict,
    images,
)
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.likeness import blank_since, used
from spiflash.dump.triage.processor import processor
from spiflash.dump.triage.reference import Known, Reference
from spiflash.dump.triage.result import Kind, Proof, RegionFinding
from spiflash.spans import SECTOR
from spiflash.text import counted

UNPROVEN = "nothing speaks against it; no checksum covers it"

FILE_SYSTEMS = (
    "squashfs",
    "jffs2",
    "cramfs",
    "erofs",
    "romfs",
    "cpio",
    "ubi",
    "ubifs",
    "ext",
    "fat",
)
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
    return [each.architecture for each in images(finding) if each.architecture is not None]


def _family(name: str) -> str:
    return Architecture(name).family if name else ""


def _elf_machine(chip: Reference, region: Region) -> str:
    for finding in chip.findings:
        if isinstance(finding.facts, ProgramFacts) and finding.start == region.start:
            return finding.facts.architecture or ""
    return ""


@dataclass(frozen=True, slots=True)
class Proven:
    """Bytes of a region that are neither blank nor 00h: all of them, those that a checksum
    proves, and those that lie in no item with a checksum that holds."""

    used: int
    proven: int
    outside: int


def proven(reference: Reference, region: Region) -> Proven:
    """How far a region is proven by checksums of its own."""
    contents = np.frombuffer(reference.contents, np.uint8)[region.start : region.end]
    levels = np.frombuffer(reference.levels, np.uint8)[region.start : region.end]
    used = (contents != 0xFF) & (contents != 0)
    covered = np.zeros(len(contents), dtype=bool)
    for each in reference.findings:
        if each.verdict is Verdict.VERIFIED and each.start < region.end and each.end > region.start:
            low, high = max(each.start - region.start, 0), each.end - region.start
            covered[low:high] = True
    return Proven(
        int(used.sum()),
        int((used & (levels == Level.VERIFIED)).sum()),
        int((used & ~covered).sum()),
    )


def by_itself(known: Known, region: Region) -> RegionFinding:
    """What a region's own checksums say.

    Only a checksum that fails, code for another processor, or a blank in the middle of something
    speaks against it. It is intact when checksums cover all of it: a loader every byte, anything
    else but for the few that its format leaves out. All the rest is not checked.
    """
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
    late = begins_late(chip, region)
    if late is not None:
        text = f"it is blank or 00h up to {late:06X}h, where its contents begin"
        return RegionFinding(region, Kind.NOT_CHECKED, text)
    found = proven(chip, region)
    strict = region.role is Role.BOOT
    if found.used and not found.outside and 2 * found.proven >= found.used:
        left = found.used - found.proven
        if not (strict and left):
            more = f"; {counted(left, 'byte')} of it have none" if left else ""
            return RegionFinding(
                region,
                Kind.INTACT,
                f"its checksums hold{more}",
                proof=Proof.CHECKSUM,
                unsure=left,
            )
    if found.proven:
        text = f"{counted(found.used - found.proven, 'byte')} of it no checksum covers"
    else:
        text = UNPROVEN
    return RegionFinding(region, Kind.NOT_CHECKED, text, unsure=found.used - found.proven)


def begins_late(chip: Reference, region: Region) -> int | None:
    """Where the contents of a region of firmware begin behind sectors that are blank or 00h; None
    where they begin as they should, at its start."""
    if region.role not in (Role.KERNEL, Role.ROOT, Role.TREE):
        return None
    data = np.frombuffer(chip.contents, np.uint8)[region.start : region.end]
    held = np.flatnonzero((data != 0xFF) & (data != 0))
    first = region.start + int(held[0]) if len(held) else region.end
    return first if first - region.start >= SECTOR and first < region.end else None


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
