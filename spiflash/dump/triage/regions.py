"""One region judged: against what it should hold where that is known, else by its checksums."""

from __future__ import annotations

from spiflash.dump.finding import Verdict
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.alone import FILE_SYSTEMS, begins_late, by_itself, other_processor
from spiflash.dump.triage.differences import by_bits, out_of_place, places_of
from spiflash.dump.triage.environment import judge_environment, twin
from spiflash.dump.triage.likeness import alike_bytes, empty
from spiflash.dump.triage.pieces import Piece, pieces
from spiflash.dump.triage.reference import FIRMWARE, Known, Reference, identity_in, items_in
from spiflash.dump.triage.result import Kind, Proof, RegionFinding
from spiflash.spans import SECTOR, Span

SAME = 0.5
"""Share of equal bytes from which two pieces are one version, of which one was damaged."""

_OWNERS = frozenset({Role.SETTINGS, Role.DATA})
"""What the board or its owner has written: it changes while the board works."""


def judge(known: Known, region: Region) -> RegionFinding:
    """The finding for one region."""
    chip = known.chip
    chunk = chip.contents[region.start : region.end]
    if known.own is not None and _holds(known.own, region, chunk):
        if _fails(chip, region):
            text = "as in the backup, in which a checksum fails, too"
            return RegionFinding(region, Kind.NOT_CHECKED, text)
        return RegionFinding(region, Kind.INTACT, "as in the backup", proof=Proof.BACKUP)
    blank = chunk.count(0xFF) == len(chunk)
    if blank or (region.role in FIRMWARE and known.own is None and empty(chunk)):
        return _blank(known, region)
    if known.model is not None and _holds(known.model, region, chunk):
        if region.role in FIRMWARE and not _fails(chip, region):
            return RegionFinding(region, Kind.INTACT, "as in the image", proof=Proof.IMAGE)
        if known.own is None and any(items_in(known.model.own, region)):
            text = "it holds what the image holds, as if the image were of this very board"
            return RegionFinding(region, Kind.NOT_CHECKED, text)
    if region.role is Role.ENVIRONMENT:
        return judge_environment(known, region)
    if known.own is not None:
        return _against_backup(known, known.own, region, chunk)
    if known.model is not None and region.role in FIRMWARE and known.model.reaches(region):
        return _against_image(known, known.model, region)
    return by_itself(known, region)


def _holds(reference: Reference, region: Region, chunk: bytes) -> bool:
    size = len(reference.contents)
    if region.end <= size:
        return reference.contents[region.start : region.end] == chunk
    return region.start < size and reference.sized(region.end)[region.start :] == chunk


def _fails(chip: Reference, region: Region) -> bool:
    return any(
        each.verdict is Verdict.DAMAGED and region.start <= each.start < region.end
        for each in chip.findings
    )


def is_own(region: Region) -> bool:
    """Whether a region belongs to the board rather than to the firmware."""
    return region.keep or region.role is Role.OWN


def _blank(known: Known, region: Region) -> RegionFinding:
    """A blank region: erased only where something says that it held something."""
    where = ((region.start, region.end),)
    size = region.end
    what = "blank" if known.chip.contents[region.start] == 0xFF else "00h throughout"
    if known.own is not None:
        # A blank one would have been as in the backup.
        kind = Kind.OWN_LOST if is_own(region) else Kind.ERASED
        return RegionFinding(region, kind, "it is blank", where)
    theirs = known.model.sized(size)[region.start :] if known.model is not None else b""
    image_has = theirs.count(0xFF) != len(theirs)
    if is_own(region):
        if image_has:
            text = "it is blank, and another board's holds its own data there"
            return RegionFinding(region, Kind.OWN_LOST, text, where)
        text = "it is blank: this board's own data have been erased, or never stood there"
        return RegionFinding(region, Kind.NOT_CHECKED, text)
    if region.role is Role.ENVIRONMENT:
        other = twin(known.chip, region)
        if other is not None:
            text = f"blank; its other copy at {other.start:06X}h is whole"
            return RegionFinding(region, Kind.INTACT, text, proof=Proof.CHECKSUM)
        text = "blank: never saved, or erased; the loader takes its built-in variables"
        return RegionFinding(region, Kind.NOT_CHECKED, text)
    if region.role in FIRMWARE:
        if known.model is not None and known.model.reaches(region):
            needed = any(pieces(known.model, region))
        else:
            needed = _needed(known.chip, region)
        if needed:
            return RegionFinding(region, Kind.ERASED, f"it is {what}", where)
        return RegionFinding(region, Kind.NOT_CHECKED, f"{what}; nothing says what stands there")
    if region.role is Role.SPARE:
        return RegionFinding(region, Kind.INTACT, "blank, as a spare region is")
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


def _against_backup(known: Known, own: Reference, region: Region, chunk: bytes) -> RegionFinding:
    """A region that is not as in this board's own backup."""
    right = own.sized(len(known.chip.contents))[region.start : region.end]
    places = places_of(region, chunk, right)
    foreign = _names_another(known, own, region, places)
    if foreign is not None:
        return foreign
    found = by_bits(region, chunk, right, places) or out_of_place(region, chunk, right)
    if found is not None and not (region.role in _OWNERS and _sound(known, region)):
        return found
    if is_own(region):
        return RegionFinding(region, Kind.DAMAGED, "it is not as in the backup", places)
    if region.role is Role.BOOT:
        stranger = other_processor(known, region)
        if stranger:
            return RegionFinding(region, Kind.PROCESSOR, stranger, places)
    itself = by_itself(known, region)
    if itself.bad:
        return RegionFinding(
            region, itself.kind, itself.detail, itself.places or places, itself.stop
        )
    # What is left of the region may be whole by itself, such as a root file system without the
    # kernel before it.
    gone = [
        each for each in pieces(own, region) if empty(known.chip.contents[each.start : each.end])
    ]
    if gone and region.role not in _OWNERS:
        spans = tuple((each.start, each.end) for each in gone)
        return RegionFinding(region, Kind.ERASED, "a piece of it is blank or 00h", spans)
    if itself.kind is Kind.INTACT:
        text = "other contents than in the backup, whole by their checksums"
        return RegionFinding(region, Kind.INTACT, text, proof=Proof.CHECKSUM, unsure=itself.unsure)
    if region.role in _OWNERS:
        if _had_files(known, own, region):
            text = "the backup has a file system there, and nothing of it is found"
            return RegionFinding(region, Kind.DAMAGED, text, places)
        text = "changed since the backup; no checksum covers it"
        return RegionFinding(region, Kind.NOT_CHECKED, text, places)
    if alike_bytes(chunk, right) > SAME:
        return RegionFinding(region, Kind.DAMAGED, "it is not as in the backup", places)
    text = "other contents than in the backup, and no checksum covers them"
    return RegionFinding(region, Kind.NOT_CHECKED, text, places)


def _sound(known: Known, region: Region) -> bool:
    """Whether what a board has written there since is whole by its own checksums."""
    return by_itself(known, region).kind is Kind.INTACT


def _names_another(
    known: Known, own: Reference, region: Region, places: tuple[Span, ...]
) -> RegionFinding | None:
    """An own region in which another board's address and serial number stand, and none of
    this one's."""
    if not is_own(region):
        return None
    theirs = identity_in(known.chip, region)
    if not theirs or theirs & identity_in(own, region):
        return None
    names = ", ".join(sorted(text for _, text in theirs))
    return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", places)


def _had_files(known: Known, own: Reference, region: Region) -> bool:
    """Whether the backup has a file system where the chip has none."""

    def files(reference: Reference) -> bool:
        return any(
            each.kind in FILE_SYSTEMS and region.start <= each.start < region.end
            for each in reference.findings
        )

    return files(own) and not files(known.chip)


def same_version(chip: bytes, model: bytes, piece: Piece) -> bool:
    """Whether a piece of an image stands on the chip, damaged or whole."""
    return alike_bytes(chip[piece.start : piece.end], model[piece.start : piece.end]) > SAME


def _against_image(known: Known, model: Reference, region: Region) -> RegionFinding:
    """A region of firmware that is not as in the image, piece by piece.

    What stands beside the pieces is the board's own affair.
    """
    contents = known.chip.contents
    expected = pieces(model, region)
    right = model.contents
    odd = [e for e in expected if contents[e.start : e.end] != right[e.start : e.end]]
    if expected and not odd and not _fails(known.chip, region):
        return RegionFinding(region, Kind.INTACT, "its code as in the image", proof=Proof.IMAGE)
    itself = by_itself(known, region)
    if itself.bad and itself.kind is not Kind.PROCESSOR and not odd:
        return itself
    lacking = any(empty(contents[each.start : each.end]) for each in odd)
    if itself.kind is Kind.INTACT and not lacking:
        text = "other contents than in the image, whole by their checksums"
        return RegionFinding(region, Kind.INTACT, text, proof=Proof.CHECKSUM, unsure=itself.unsure)
    moved = None
    if odd:
        moved = out_of_place(
            region, contents[region.start : region.end], model.sized(region.end)[region.start :]
        )
    late = begins_late(known.chip, region)
    first = next((e for e in odd if e.start - region.start < SECTOR), None)
    gone = late is not None and first is not None and not same_version(contents, right, first)
    if moved is None and gone:
        text = f"its beginning is blank or 00h up to {late:06X}h, and the image has one"
        return RegionFinding(region, Kind.ERASED, text, ((region.start, late or 0),))
    for each in odd:
        inner = Region(region.name, each.start, each.end - each.start, region.role, region.keep)
        chunk, wanted = contents[each.start : each.end], right[each.start : each.end]
        places = places_of(inner, chunk, wanted)
        found = by_bits(inner, chunk, wanted, places)
        if moved is not None:
            found = moved
        elif empty(chunk):
            found = RegionFinding(inner, Kind.ERASED, "a piece of it is blank", places)
        elif same_version(contents, right, each):
            found = found or RegionFinding(
                inner, Kind.DAMAGED, "parts of it are not as in the image", places
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
    text = "other contents than in the image, and no checksum covers them"
    return RegionFinding(region, Kind.NOT_CHECKED, text, unsure=itself.unsure)
