"""One region judged: against what it should hold where that is known, else by its checksums."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.dump.compare.sectors import differing
from spiflash.dump.compare.whole import SECTOR, find_shifts, swapped
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.identity import OwnItem
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.envblock import EnvBlock, boots_nothing, env_block
from spiflash.dump.triage.processor import processor
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind, RegionFinding
from spiflash.dump.triage.whole import alike, blank_since, blank_until, used
from spiflash.dump.wording import counted

FIRMWARE = frozenset({Role.BOOT, Role.TREE, Role.KERNEL, Role.ROOT, Role.OTHER})
"""Roles whose contents come with the firmware: pieces that belong together."""

UNPROVEN = "nothing speaks against it; no checksum covers it"

_FEW = 64
"""Wrong bits up to which a region has aged or was read badly rather than been written."""

_MOST_PLACES = 64
_IMAGES = ("uboot-image", "fit")
_FILE_SYSTEMS = ("squashfs", "jffs2", "cramfs", "romfs", "ubi", "ubifs", "ext", "fat")
_ARCHITECTURES = {"AArch64": "ARM", "MIPS 64 Bit": "MIPS"}
"""Families: a 64-bit chip may start in 32-bit code."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a region is judged by. `own` is this board's backup, `model` an image of its model,
    both for a chip of this size; None where there is none."""

    chip: Reference
    own: Reference | None
    model: Reference | None

    def expected(self, region: Region) -> Reference | None:
        """What the region should be like: the backup, or of the firmware the model's image."""
        if self.own is not None:
            return self.own
        if self.model is None or not self.model.reaches(region):
            return None
        return self.model if region.role in FIRMWARE else None


def judge(known: Known, region: Region) -> RegionFinding:
    """The finding for one region."""
    contents = known.chip.contents
    size = len(contents)
    chunk = contents[region.start : region.end]
    for each, what in ((known.own, "backup"), (known.model, "image")):
        if (
            each is not None
            and each.reaches(region)
            and each.sized(size)[region.start : region.end] == chunk
        ):
            if each is known.model and _strangers_identity(known, region):
                return RegionFinding(region, Kind.FOREIGN, "the identity is that of the image")
            return RegionFinding(region, Kind.INTACT, f"as in the {what}")
    blank = chunk.count(0xFF) == len(chunk)
    expected = known.expected(region)
    if blank:
        return _blank(region, known)
    if region.role is Role.ENVIRONMENT:
        return _environment(known, region)
    if expected is None:
        return _by_itself(known, region)
    right = expected.sized(size)[region.start : region.end]
    return _against(known, region, chunk, right)


def _blank(region: Region, known: Known) -> RegionFinding:
    where = ((region.start, region.end),)
    needed = region.role in (Role.BOOT, Role.ENVIRONMENT, Role.KERNEL, Role.ROOT, Role.TREE)
    expected = known.own or (None if region.role is Role.ENVIRONMENT else known.model)
    if expected is not None and not expected.reaches(region):
        expected = None
    if expected is not None:
        wanted = expected.sized(len(known.chip.contents))[region.start : region.end]
        needed = wanted.count(0xFF) != len(wanted)
    if region.role is Role.OWN or region.keep:
        if known.own is None or needed:
            return RegionFinding(region, Kind.OWN_LOST, "it is blank", where)
        return RegionFinding(region, Kind.INTACT, "blank")
    return RegionFinding(
        region, Kind.ERASED if needed else Kind.INTACT, "it is blank" if needed else "blank", where
    )


def _strangers_identity(known: Known, region: Region) -> bool:
    """Whether the chip's region holds the identity of the image, which is another board's."""
    assert known.model is not None
    if region.role not in (Role.OWN, Role.ENVIRONMENT) and not region.keep:
        return False
    return any(item.kind in ("mac", "serial") for item in _items(known.model.own, region))


def _items(items: Sequence[OwnItem], region: Region) -> list[OwnItem]:
    return [item for item in items if region.start <= item.start < region.end]


def _identity(reference: Reference, region: Region) -> set[tuple[str, str]]:
    return {
        (item.kind, item.text)
        for item in _items(reference.own, region)
        if item.kind in ("mac", "serial")
    }


def _against(known: Known, region: Region, chunk: bytes, right: bytes) -> RegionFinding:
    """A region that is not as it should be."""
    places = _places(region, chunk, right)
    foreign = _names_another(known, region, places)
    if foreign is not None:
        return foreign
    by_bits = _by_bits(region, chunk, right, places)
    if by_bits is not None:
        return by_bits
    moved = _moved(region, chunk, right)
    if moved is not None:
        return moved
    if region.role is Role.OWN or region.keep:
        return RegionFinding(region, Kind.DAMAGED, "it is not as in the backup", places)
    if region.role is Role.BOOT:
        stranger = _other_processor(known, region)
        if stranger:
            return RegionFinding(region, Kind.PROCESSOR, stranger, places)
    itself = _by_itself(known, region)
    if itself.kind is Kind.INTACT:
        if _vouched(known.chip.findings, region):
            return RegionFinding(region, Kind.INTACT, "other contents, whole by their checksums")
        if region.role in (Role.DATA, Role.SETTINGS) and not _had_files(known, region):
            return RegionFinding(region, Kind.INTACT, "changed since the backup; nothing vouches")
        return RegionFinding(
            region, Kind.DAMAGED, "other contents that nothing vouches for", places
        )
    return RegionFinding(region, itself.kind, itself.detail, itself.places or places, itself.stop)


def _names_another(known: Known, region: Region, places: tuple[Span, ...]) -> RegionFinding | None:
    """An own region in which another board's address and serial number stand, and none of
    this one's."""
    if known.own is None or not (region.role is Role.OWN or region.keep):
        return None
    theirs = _identity(known.chip, region)
    if not theirs or theirs & _identity(known.own, region):
        return None
    names = ", ".join(sorted(text for _, text in theirs))
    return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", places)


def _places(region: Region, chunk: bytes, right: bytes) -> tuple[Span, ...]:
    found: list[Span] = []
    for place in differing(chunk, right).tolist():
        start = region.start + place * SECTOR
        end = min(start + SECTOR, region.end)
        if found and found[-1][1] == start:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return tuple(found)


def _by_bits(
    region: Region, chunk: bytes, right: bytes, places: tuple[Span, ...]
) -> RegionFinding | None:
    a, b = np.frombuffer(chunk, np.uint8), np.frombuffer(right, np.uint8)
    wrong = np.flatnonzero(a != b)
    bits = int(np.unpackbits(a[wrong] ^ b[wrong]).sum())
    if bits <= _FEW:
        where = tuple((region.start + int(at), region.start + int(at) + 1) for at in wrong)
        return RegionFinding(
            region, Kind.BIT_ROT, f"{counted(bits, 'bit')} wrong", where[:_MOST_PLACES]
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


def _moved(region: Region, chunk: bytes, right: bytes) -> RegionFinding | None:
    where = ((region.start, region.end),)
    for width, words in ((2, "pairs"), (4, "fours")):
        if alike(swapped(chunk, width), right) > 0.5:
            return RegionFinding(region, Kind.SWAPPED, f"bytes swapped in {words}", where)
    for shift in find_shifts(right, chunk, differing(right, chunk)):
        back = chunk[shift:] if shift > 0 else b"\xff" * -shift + chunk
        if alike(back.ljust(len(chunk), b"\xff")[: len(chunk)], right) > 0.5:
            at = region.start + shift
            return RegionFinding(
                region, Kind.SHIFTED, f"its contents begin at {at:06X}h", where, shift=shift
            )
    return None


def _vouched(findings: Sequence[Finding], region: Region) -> bool:
    return any(
        each.verdict is Verdict.VOUCHED and region.start <= each.start < region.end
        for each in findings
    )


def _had_files(known: Known, region: Region) -> bool:
    """Whether the backup has a file system where the chip has none."""
    return known.own is not None and any(
        each.kind in _FILE_SYSTEMS and region.start <= each.start < region.end
        for each in known.own.findings
    )


def _environment(known: Known, region: Region) -> RegionFinding:
    chip = known.chip
    block = env_block(chip.contents, chip.findings, region)
    where = ((region.start, region.end),)
    expected = known.own
    if block is None:
        if expected is not None:
            right = expected.sized(len(chip.contents))[region.start : region.end]
            chunk = chip.contents[region.start : region.end]
            found = _by_bits(region, chunk, right, where) or _moved(region, chunk, right)
            if found is not None and found.kind is not Kind.BIT_ROT:
                return found
        return RegionFinding(
            region, Kind.ENV_CHECKSUM, "no checksum holds, and no variables are found", where
        )
    if not block.vouched:
        if expected is not None:
            right = expected.sized(len(chip.contents))[region.start : region.end]
            chunk = chip.contents[region.start : region.end]
            found = _by_bits(region, chunk, right, where)
            if found is not None and found.kind is not Kind.BIT_ROT:
                return found
        return RegionFinding(
            region,
            Kind.ENV_CHECKSUM,
            f"its checksum fails; {len(block.variables)} variables can be read",
            where,
        )
    return _whole_environment(known, region, block)


def _whole_environment(known: Known, region: Region, block: EnvBlock) -> RegionFinding:
    chip = known.chip
    images = [each.start for each in chip.findings if each.kind in _IMAGES]
    kernels = [each for each in chip.layout.regions if each.role is Role.KERNEL]
    problem = boots_nothing(block, images, kernels)
    where = ((block.start, block.start + block.length),)
    if problem:
        return RegionFinding(region, Kind.ENV_NO_BOOT, problem, where)
    if known.own is not None:
        theirs, ours = _identity(chip, region), _identity(known.own, region)
        if theirs and ours and not theirs & ours:
            names = ", ".join(sorted(text for _, text in theirs))
            return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", where)
        if ours and not theirs:
            lacking = ", ".join(sorted(text for _, text in ours))
            return RegionFinding(region, Kind.OWN_LOST, f"it lacks {lacking}", where)
        return RegionFinding(region, Kind.INTACT, "its checksum holds; changed since the backup")
    return RegionFinding(region, Kind.INTACT, "its checksum holds")


def _other_processor(known: Known, region: Region) -> str:
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
        name = dict(finding.details).get("architecture", "")
        if finding.kind == "uboot-image" and not region.start <= finding.start < region.end:
            others.append((name, f"the image at {finding.start:06X}h"))
    for theirs, what in others:
        if code and theirs and _family(code) != _family(theirs):
            banner = next(
                (
                    dict(each.details).get("text", "")
                    for each in chip.findings
                    if each.kind == "banner" and region.start <= each.start < region.end
                ),
                "",
            )
            said = f" (it calls itself “{banner[:80]}”)" if banner else ""
            return f"its code is {code}, {what} is for {theirs}{said}"
    return ""


def _family(name: str) -> str:
    return _ARCHITECTURES.get(name, name)


def _elf_machine(chip: Reference, region: Region) -> str:
    for finding in chip.findings:
        if finding.kind == "elf" and finding.start == region.start:
            return dict(finding.details).get("machine", "")
    return ""


def _by_itself(known: Known, region: Region) -> RegionFinding:
    """What a region's own checksums say."""
    chip = known.chip
    inside = [each for each in chip.findings if region.start <= each.start < region.end]
    damaged = [each for each in inside if each.verdict is Verdict.DAMAGED]
    if region.role is Role.BOOT:
        stranger = _other_processor(known, region)
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
                spans[:_MOST_PLACES],
                stop,
            )
        kind = Kind.FILES if first.kind in _FILE_SYSTEMS else Kind.DAMAGED
        return RegionFinding(
            region, kind, f"{first.title[:60]}: a checksum fails", spans[:_MOST_PLACES]
        )
    wanted = {
        Role.KERNEL: (*_IMAGES, "elf"),
        Role.ROOT: _FILE_SYSTEMS,
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
    if _vouched(inside, region):
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
