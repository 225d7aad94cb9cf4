"""One region judged: by what it should hold where that is known, and by what it says by itself, its
checksums and the processor its code is for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from spiflash.dump.coverage import Level
from spiflash.dump.differences import array
from spiflash.dump.finding import Architecture, BannerFacts, Finding, ProgramFacts, Verdict, images
from spiflash.dump.formats import is_blank
from spiflash.dump.formats.programs import processor
from spiflash.dump.layout import Region, Role
from spiflash.dump.triage.chip_state import (
    blank_since,
    by_bits,
    emptied_blocks,
    empty,
    equal_bytes_share,
    out_of_place,
    places_of,
    used,
)
from spiflash.dump.triage.environment import judge_environment, twin
from spiflash.dump.triage.references import (
    CLAIMED,
    FIRMWARE,
    Piece,
    Reference,
    References,
    certain_own_items,
    identity_in,
    islands,
    items_in,
    pieces,
    tells_nothing,
)
from spiflash.dump.triage.result import MOST_PLACES, Kind, Proof, RegionFinding
from spiflash.spans import SECTOR, Span, meets_any, spans_of
from spiflash.text import counted

UNPROVEN = "no checksum covers it"

FILE_SYSTEMS = (
    *("squashfs", "jffs2", "cramfs", "erofs", "romfs", "cpio", "ubi", "ubifs", "ext", "fat"),
)


@dataclass(frozen=True, slots=True)
class RegionCoverage:
    """Bytes of a region that are neither blank nor 00h: all of them, those that a checksum
    proves, and those in no item whose checksum is OK."""

    used: int
    proven: int
    outside: int


def region_coverage(reference: Reference, region: Region) -> RegionCoverage:
    """How far a region is proven by checksums of its own."""
    contents = array(region.of(reference.contents))
    levels = array(region.of(reference.levels))
    used = (contents != 0xFF) & (contents != 0)
    covered = np.zeros(len(contents), dtype=bool)
    for each in reference.findings:
        if each.verdict is Verdict.VERIFIED and each.meets(region):
            low, high = max(each.start - region.start, 0), each.end - region.start
            covered[low:high] = True
    return RegionCoverage(
        int(used.sum()),
        int((used & (levels == Level.VERIFIED)).sum()),
        int((used & ~covered).sum()),
    )


_LEFT_OUT = SECTOR
"""Bytes of an item that its format's checksums may leave out, such as a superblock or the names in
a FIT. More is a part of the contents: an image of a FIT without a hash, or the blocks that a file
system stores as they are."""


def other_processor(refs: References, region: Region) -> str:
    """Evidence that the boot code is for another processor than the board, in words."""
    chip = refs.chip
    code = processor(region.of(chip.contents))
    code = code or _elf_machine(chip, region)
    others: list[tuple[str, str]] = []
    for each, what in ((refs.backup, "the backup's"), (refs.model, "the image's")):
        if each is not None:
            theirs = processor(region.of(each.sized(len(chip.contents))))
            others.append((theirs, f"{what} boot loader"))
    for finding in chip.findings:
        if region.holds(finding.start):
            continue
        stated = (each.architecture for each in images(finding))
        others += [
            (each, f"the image at {finding.start:06X}h") for each in stated if each is not None
        ]
    for theirs, what in others:
        if code and theirs and Architecture(code).family != Architecture(theirs).family:
            inside = (each.facts for each in chip.findings if region.holds(each.start))
            banner = next((each.text for each in inside if isinstance(each, BannerFacts)), "")
            said = f" (it calls itself “{banner[:80]}”)" if banner else ""
            return f"its code is {code}, {what} is for {theirs}{said}"
    return ""


def _elf_machine(chip: Reference, region: Region) -> str:
    for finding in chip.findings:
        if isinstance(finding.facts, ProgramFacts) and finding.start == region.start:
            return finding.facts.architecture or ""
    return ""


def judge_by_checksums(refs: References, region: Region) -> RegionFinding:
    """What a region's own checksums say.

    Only a checksum that fails, code for another processor, or a blank in the middle of something
    means that it is damaged. It is intact when checksums cover all of it: a loader every byte,
    anything else but for the few that its format leaves out. All the rest is not checked.
    """
    chip = refs.chip
    inside = [each for each in chip.findings if region.holds(each.start)]
    damaged = [each for each in inside if each.verdict is Verdict.DAMAGED]
    if region.role is Role.BOOT:
        stranger = other_processor(refs, region)
        if stranger:
            return RegionFinding(region, Kind.PROCESSOR, stranger, (region.span,))
    if damaged:
        first = damaged[0]
        spans = tuple(span for each in damaged for span in each.damage or (each.span,))
        stop = _stopped_inside(chip.contents, first, region)
        if stop is not None:
            text = f"{first.title[:60]}: present up to {stop:06X}h, then blank"
            return RegionFinding(region, Kind.INTERRUPTED, text, spans[:MOST_PLACES], stop)
        kind = Kind.FILES if first.kind in FILE_SYSTEMS else Kind.DAMAGED
        text = f"{first.title[:60]}: checksum FAILS"
        return RegionFinding(region, kind, text, spans[:MOST_PLACES])
    late = begins_late(chip, region)
    if late is not None:
        text = f"blank or 00h up to {late:06X}h, where its contents start"
        return RegionFinding(region, Kind.NOT_CHECKED, text)
    found = region_coverage(chip, region)
    left = found.used - found.proven
    may_lack = 0 if region.role is Role.BOOT else _LEFT_OUT
    mostly = found.used and not found.outside and 2 * found.proven >= found.used
    if mostly and left <= may_lack:
        text = f"checksums OK; {counted(left, 'byte')} without one" if left else "checksums OK"
        return RegionFinding(region, Kind.INTACT, text, proof=Proof.CHECKSUM, unsure=left)
    text = f"{counted(left, 'byte')} without a checksum" if found.proven else UNPROVEN
    return RegionFinding(region, Kind.NOT_CHECKED, text, unsure=left)


def begins_late(chip: Reference, region: Region) -> int | None:
    """Where the contents of a region of firmware start after sectors that are blank or 00h; None
    where they begin as they should, at its start."""
    if region.role not in (Role.KERNEL, Role.ROOT, Role.TREE):
        return None
    data = array(region.of(chip.contents))
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


SAME = 0.5
"""Share of equal bytes from which two pieces are one version, of which one was damaged."""

_OWNERS = frozenset({Role.SETTINGS, Role.DATA})
"""What the board or its owner has written: it changes while the board works."""


def judge(refs: References, region: Region) -> RegionFinding:
    """The finding for one region."""
    chip = refs.chip
    chunk = region.of(chip.contents)
    if refs.backup is not None and _holds(refs.backup, region, chunk):
        if _fails(chip, region):
            text = "as in the backup, but a checksum FAILS in both"
            return RegionFinding(region, Kind.NOT_CHECKED, text)
        return RegionFinding(region, Kind.INTACT, "as in the backup", proof=Proof.BACKUP)
    if is_blank(chunk) or (region.role in FIRMWARE and refs.backup is None and empty(chunk)):
        return _blank(refs, region)
    if refs.model is not None and _holds(refs.model, region, chunk):
        if region.role in FIRMWARE and not _fails(chip, region):
            return RegionFinding(region, Kind.INTACT, "as in the image", proof=Proof.IMAGE)
        if refs.backup is None and any(items_in(refs.model.own, region)):
            text = "as in the image, as if the image were of this very board"
            return RegionFinding(region, Kind.NOT_CHECKED, text)
    if region.role is Role.ENVIRONMENT:
        return judge_environment(refs, region)
    if refs.backup is not None:
        return _against_backup(refs, refs.backup, region, chunk)
    if refs.model is not None and region.role in FIRMWARE and refs.model.reaches(region):
        return _against_image(refs, refs.model, region)
    return judge_by_checksums(refs, region)


def _holds(reference: Reference, region: Region, chunk: bytes) -> bool:
    size = len(reference.contents)
    if region.end <= size:
        return region.of(reference.contents) == chunk
    return region.start < size and reference.sized(region.end)[region.start :] == chunk


def _fails(chip: Reference, region: Region) -> bool:
    return any(
        each.verdict is Verdict.DAMAGED and region.holds(each.start) for each in chip.findings
    )


def _blank(refs: References, region: Region) -> RegionFinding:
    """A blank region: erased only where something says that it held something."""
    where = (region.span,)
    size = region.end
    what = "blank" if refs.chip.contents[region.start] == 0xFF else "00h throughout"
    if refs.backup is not None:
        # A blank one would have been as in the backup.
        kind = Kind.OWN_LOST if region.is_own else Kind.ERASED
        return RegionFinding(region, kind, "blank", where)
    theirs = refs.model.sized(size)[region.start :] if refs.model is not None else b""
    image_has = not is_blank(theirs)
    if region.is_own:
        if image_has:
            text = "blank, and another board has its own data there"
            return RegionFinding(region, Kind.OWN_LOST, text, where)
        text = "blank: this board's own data were erased, or were never there"
        return RegionFinding(region, Kind.NOT_CHECKED, text)
    if region.role is Role.ENVIRONMENT:
        other = twin(refs.chip, region)
        if other is not None:
            text = f"blank; its other copy at {other.start:06X}h is OK"
            return RegionFinding(region, Kind.INTACT, text, proof=Proof.CHECKSUM)
        text = "blank: never saved, or erased; the boot loader uses its built-in variables"
        return RegionFinding(region, Kind.NOT_CHECKED, text)
    if region.role in FIRMWARE:
        if refs.model is not None and refs.model.reaches(region):
            needed = any(pieces(refs.model, region))
        else:
            needed = _needed(refs.chip, region)
        if needed:
            return RegionFinding(region, Kind.ERASED, what, where)
        return RegionFinding(region, Kind.NOT_CHECKED, f"{what}; nothing says what should be there")
    if region.role is Role.SPARE:
        return RegionFinding(region, Kind.INTACT, "blank; it is a spare region")
    says = "the image holds something there" if image_has else "nothing says whether it always was"
    return RegionFinding(region, Kind.NOT_CHECKED, f"blank; {says}")


def _needed(chip: Reference, region: Region) -> bool:
    """Whether a board cannot start without a blank region: the only one of its role, of a
    loader the first."""
    if not chip.stated or region.role is Role.TREE:
        return False
    alike = [each for each in chip.layout.regions if each.role is region.role]
    if region.role is Role.BOOT:
        return bool(alike) and alike[0].start == region.start
    return len(alike) == 1


def _against_backup(
    refs: References, own: Reference, region: Region, chunk: bytes
) -> RegionFinding:
    """A region that is not as in this board's own backup."""
    right = region.of(own.sized(len(refs.chip.contents)))
    places = places_of(region, chunk, right)
    foreign = _names_another(refs, own, region, places)
    if foreign is not None:
        return foreign
    found = by_bits(region, chunk, right, places) or out_of_place(region, chunk, right)
    free = _may_change(own, region, chunk, right)
    working = found is not None and (
        (region.role in _OWNERS and _sound(refs, region)) or found.kind in free
    )
    if found is not None and not working:
        return found
    if region.is_own:
        return RegionFinding(region, Kind.DAMAGED, "not as in the backup", places)
    if region.role is Role.BOOT:
        stranger = other_processor(refs, region)
        if stranger:
            return RegionFinding(region, Kind.PROCESSOR, stranger, places)
    itself = judge_by_checksums(refs, region)
    if itself.bad:
        return replace(itself, places=itself.places or places)
    # What is left of the region may be intact by itself, such as a root file system without the
    # kernel before it.
    gone = _gone(own, region, refs.chip.contents)
    if gone and region.role not in _OWNERS:
        lost = any(low <= e.start < high for e in certain_own_items(own) for low, high in gone)
        kind = Kind.OWN_LOST if lost else Kind.ERASED
        return RegionFinding(region, kind, "part of it is blank or 00h", gone)
    if region.role in _OWNERS and _had_files(refs, own, region):
        text = "the file system that the backup has there is gone"
        return RegionFinding(region, Kind.DAMAGED, text, places)
    if itself.kind is Kind.INTACT:
        if region.role in _OWNERS and (emptied := emptied_blocks(region, chunk, right)):
            text = "checksums OK, but whole blocks that held data are blank or 00h"
            return RegionFinding(region, Kind.NOT_CHECKED, text, emptied)
        text = "not as in the backup, but checksums OK"
        return RegionFinding(region, Kind.INTACT, text, proof=Proof.CHECKSUM, unsure=itself.unsure)
    if region.role in _OWNERS:
        text = "changed since the backup; no checksum covers it"
        return RegionFinding(region, Kind.NOT_CHECKED, text, places)
    if equal_bytes_share(chunk, right) > SAME and Kind.DAMAGED not in free:
        return RegionFinding(region, Kind.DAMAGED, "not as in the backup", places)
    text = "not as in the backup, and no checksum covers it"
    return RegionFinding(region, Kind.NOT_CHECKED, text, places)


def _gone(own: Reference, region: Region, chip: bytes) -> tuple[Span, ...]:
    """What the backup has in a region and the chip has blank or 00h: pieces of firmware, and data
    that are by themselves."""
    whole = spans_of(each for each in pieces(own, region))
    runs = islands(own.contents, region.start, region.end)
    alone = [run for run in runs if not meets_any(run, whole)]
    held = [run for run in alone if not empty(own.contents[slice(*run)])]
    return tuple(span for span in sorted([*whole, *held]) if empty(chip[slice(*span)]))


def _sound(refs: References, region: Region) -> bool:
    """Whether what a board has written there since is intact by its own checksums."""
    return judge_by_checksums(refs, region).kind is Kind.INTACT


def _may_change(own: Reference, region: Region, chunk: bytes, right: bytes) -> frozenset[Kind]:
    """The differences from the backup that a board makes while it works.

    It adds to its logs, erases the oldest sector of one and counts its starts: a few other bits are
    no rot where the board writes, and neither are they where nothing tells what the bytes are.
    """
    if region.role in _OWNERS:
        return frozenset({Kind.BIT_ROT, Kind.ERASED})
    if region.is_own or region.role is not Role.OTHER:
        return frozenset()
    known = [(each.start, each.end) for each in certain_own_items(own)]
    known += [(e.start, e.end) for e in own.findings if e.verdict in CLAIMED]
    changed = np.frombuffer(chunk, np.uint8) != np.frombuffer(right, np.uint8)
    told = np.zeros(len(changed), dtype=bool)
    for start, end in known:
        told[max(start - region.start, 0) : max(end - region.start, 0)] = True
    return frozenset() if (changed & told).any() else frozenset({Kind.BIT_ROT, Kind.DAMAGED})


def _names_another(
    refs: References, own: Reference, region: Region, places: tuple[Span, ...]
) -> RegionFinding | None:
    """An own region in which another board's address and serial number are, and none of
    this one's."""
    if not region.is_own:
        return None
    theirs = identity_in(refs.chip, region)
    if not theirs or theirs & identity_in(own, region):
        return None
    names = ", ".join(sorted(text for _, text in theirs))
    return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", places)


def _had_files(refs: References, own: Reference, region: Region) -> bool:
    """Whether the backup has a file system where the chip has none."""

    def files(reference: Reference) -> bool:
        return any(
            each.kind in FILE_SYSTEMS and region.holds(each.start) for each in reference.findings
        )

    return files(own) and not files(refs.chip)


def same_version(chip: bytes, model: bytes, piece: Piece) -> bool:
    """Whether a piece of an image is on the chip, damaged or intact."""
    return equal_bytes_share(piece.of(chip), piece.of(model)) > SAME


def _against_image(refs: References, model: Reference, region: Region) -> RegionFinding:
    """A region of firmware that is not as in the image, piece by piece.

    What is beside the pieces is not judged by the image.
    """
    contents = refs.chip.contents
    expected = pieces(model, region)
    right = model.contents
    odd = [e for e in expected if e.of(contents) != e.of(right)]
    if expected and not odd and not _fails(refs.chip, region):
        return RegionFinding(region, Kind.INTACT, "its code is as in the image", proof=Proof.IMAGE)
    itself = judge_by_checksums(refs, region)
    if itself.bad and itself.kind is not Kind.PROCESSOR and not odd:
        return itself
    missing = any(empty(each.of(contents)) for each in odd)
    if itself.kind is Kind.INTACT and not missing:
        text = "not as in the image, but checksums OK"
        return RegionFinding(region, Kind.INTACT, text, proof=Proof.CHECKSUM, unsure=itself.unsure)
    wanted = model.sized(region.end)[region.start :]
    moved = out_of_place(region, region.of(contents), wanted) if odd else None
    late = begins_late(refs.chip, region)
    first = next((e for e in odd if e.start - region.start < SECTOR), None)
    gone = late is not None and first is not None and not same_version(contents, right, first)
    if moved is None and gone:
        text = f"its start is blank or 00h up to {late:06X}h, and the image has data there"
        return RegionFinding(region, Kind.ERASED, text, ((region.start, late or 0),))
    for each in odd:
        inner = Region(region.name, each.start, each.end - each.start, region.role, region.keep)
        chunk, wanted = each.of(contents), each.of(right)
        places = places_of(inner, chunk, wanted)
        found = by_bits(inner, chunk, wanted, places)
        if moved is not None:
            found = moved
        elif empty(chunk):
            found = RegionFinding(inner, Kind.ERASED, "part of it is blank", places)
        elif tells_nothing(refs.chip, model, each):
            found = None
        elif same_version(contents, right, each):
            found = found or RegionFinding(
                inner, Kind.DAMAGED, "parts are not as in the image", places
            )
        elif found is not None and found.kind is not Kind.HALF_ERASED:
            found = None
        if found is not None:
            if itself.kind in (Kind.PROCESSOR, Kind.INTERRUPTED) or (
                itself.kind is Kind.FILES and found.kind is Kind.DAMAGED
            ):
                return itself
            return RegionFinding(
                region, found.kind, found.detail, found.places, found.stop, found.shift
            )
    if itself.bad:
        return itself
    text = "not as in the image, and no checksum covers it"
    return RegionFinding(region, Kind.NOT_CHECKED, text, unsure=itself.unsure)
