"""One region judged: against what it should hold where that is known, else by its checksums."""

from __future__ import annotations

from spiflash.dump.finding import Span
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.alone import (
    FILE_SYSTEMS,
    by_itself,
    other_processor,
    vouched,
)
from spiflash.dump.triage.differences import by_bits, out_of_place, places_of
from spiflash.dump.triage.known import Known, identity_in, items_in
from spiflash.dump.triage.result import Kind, RegionFinding
from spiflash.dump.triage.settings import judge_environment


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
        return judge_environment(known, region)
    if expected is None:
        return by_itself(known, region)
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
    return any(item.kind in ("mac", "serial") for item in items_in(known.model.own, region))


def _against(known: Known, region: Region, chunk: bytes, right: bytes) -> RegionFinding:
    """A region that is not as it should be."""
    places = places_of(region, chunk, right)
    foreign = _names_another(known, region, places)
    if foreign is not None:
        return foreign
    found = by_bits(region, chunk, right, places)
    if found is not None:
        return found
    moved = out_of_place(region, chunk, right)
    if moved is not None:
        return moved
    if region.role is Role.OWN or region.keep:
        return RegionFinding(region, Kind.DAMAGED, "it is not as in the backup", places)
    if region.role is Role.BOOT:
        stranger = other_processor(known, region)
        if stranger:
            return RegionFinding(region, Kind.PROCESSOR, stranger, places)
    itself = by_itself(known, region)
    if itself.kind is Kind.INTACT:
        if vouched(known.chip.findings, region):
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
    theirs = identity_in(known.chip, region)
    if not theirs or theirs & identity_in(known.own, region):
        return None
    names = ", ".join(sorted(text for _, text in theirs))
    return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", places)


def _had_files(known: Known, region: Region) -> bool:
    """Whether the backup has a file system where the chip has none."""
    return known.own is not None and any(
        each.kind in FILE_SYSTEMS and region.start <= each.start < region.end
        for each in known.own.findings
    )
