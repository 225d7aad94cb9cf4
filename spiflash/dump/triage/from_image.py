"""A repair from an image of the model: only pieces of firmware that something speaks against.

The image's environment comes with this board's own values; nothing else of the image is used.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from spiflash.dump.finding import Verdict
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.environment import env_block, twin
from spiflash.dump.triage.keep import Flags, outside_firmware, own_bytes, right_bytes, spans_of
from spiflash.dump.triage.likeness import empty
from spiflash.dump.triage.own import mended_environment, rebuilt_environment
from spiflash.dump.triage.pieces import Piece, pieces
from spiflash.dump.triage.proposal import WHY, Case, Draft, finished, in_order, runs
from spiflash.dump.triage.reference import FIRMWARE, Reference
from spiflash.dump.triage.regions import is_own, same_version
from spiflash.dump.triage.result import Kind, Refused, RegionFinding, Repair, Source, Why
from spiflash.spans import SECTOR, Span, merged

MATCHING = frozenset({Role.TREE, Role.KERNEL, Role.ROOT})
"""What has to be of one version: a kernel finds its modules in the root file system, and its
hardware in the tree. A loader starts other versions, too."""


def from_image(case: Case, model: Reference) -> Iterator[Repair | Refused]:
    """The repairs from an image, the smallest first: what is damaged; that and what has to match
    it, without the loader; loader, kernel and root file system all together."""
    least, matched, wide = (Draft(bytearray(case.view.contents)) for _ in range(3))
    sacred = own_bytes(case.view, case.layout) | outside_firmware(case.view, case.layout)
    right = right_bytes(case.view)
    held_back = False
    for finding in case.seen:
        region = finding.region
        if region.role is Role.ENVIRONMENT:
            _environment(case, model, finding, least)
            _environment(case, model, finding, matched)
            blank = _is_blank(case.view.contents, region)
            _environment(case, model, finding, wide, always=blank or _image_was_being_written(case))
        if finding.kind is Kind.OWN_LOST and is_own(region):
            for draft in (least, matched, wide):
                draft.lost.append(f"what {region.name} held: addresses, serial number, calibration")
        if region.role not in FIRMWARE or not model.reaches(region):
            continue
        spans = list(_against(case, model, finding))
        for start, end, why in spans:
            piece = _fill(case, model, region, start, end)
            free = ~sacred[start:end]
            if (right[start:end] & free & _unlike(case.view.contents, piece, start)).any():
                held_back = True
                continue
            for low, high in spans_of(free):
                for draft in (least, matched, wide):
                    draft.put(start + low, piece[low:high], why)
        if finding.bad and spans:
            for draft in (least, matched, wide):
                draft.mended.append(region)
        for start, end in _whole_region(case, model, region):
            piece = _fill(case, model, region, start, end)
            for draft in (matched, wide) if region.role in MATCHING else (wide,):
                for low, high in spans_of(~sacred[start:end]):
                    draft.put(start + low, piece[low:high], Why.TOGETHER)
                if finding.bad:
                    draft.mended.append(region)
    bad = [each.region.role for each in case.findings if each.bad]
    if not bad:
        return
    drafts = [(least, "rewrites only what is damaged")]
    if MATCHING.intersection(bad) or held_back:
        drafts.append((matched, "rewrites what is damaged, and the regions that must match it"))
    if FIRMWARE.intersection(bad) or case.happened is not None:
        together = "brings loader, kernel and root file system of the image all together"
        drafts.append((wide, together))
    moved = case.happened is not None and case.happened.view != case.chip.contents
    seen: list[bytes] = []
    for draft, reason in drafts:
        if draft.target in seen:
            continue
        seen.append(bytes(draft.target))
        overrules = () if draft is least else _overruled(case, draft)
        if moved:
            yield in_order(case, draft, Source.MODEL_AND_OWN, tuple(draft.lost), overrules)
        else:
            yield finished(case, draft, reason, overrules)


def _image_was_being_written(case: Case) -> bool:
    """Whether the image is what was being put on the chip: it brings its own boot commands."""
    happened = case.happened
    return happened is not None and (happened.known or happened.kind in (Kind.ERASED, Kind.CUT_OFF))


def _is_blank(contents: bytes, region: Region) -> bool:
    chunk = contents[region.start : region.end]
    return chunk.count(0xFF) == len(chunk)


def _unlike(contents: bytes, piece: bytes, start: int) -> Flags:
    here = np.frombuffer(contents, np.uint8)[start : start + len(piece)]
    differs: Flags = here != np.frombuffer(piece, np.uint8)
    return differs


def _against(
    case: Case, model: Reference, finding: RegionFinding
) -> Iterator[tuple[int, int, Why]]:
    """The ranges of a region that something speaks against, with what that is."""
    if not finding.bad:
        return
    view, region = case.view, finding.region
    here, theirs = pieces(view, region), pieces(model, region)
    for piece in theirs:
        chunk = view.contents[piece.start : piece.end]
        right = model.contents[piece.start : piece.end]
        if chunk == right:
            continue
        if empty(chunk):
            yield piece.start, piece.end, Why.BLANK
        elif same_version(view.contents, model.contents, piece) or _only_set(chunk, right):
            for start, end in runs(view.contents, model.sized(region.end), piece.start, piece.end):
                yield start, end, _why_here(view.contents, model.contents, start, end)
        elif _speaks_against(view, finding, piece):
            low, high = piece.start, piece.end
            for each in here:
                if each.start < piece.end and piece.start < each.end:
                    low, high = min(low, each.start), max(high, each.end)
            yield low, min(high, region.end), WHY.get(finding.kind, Why.CHECKSUM)


def _speaks_against(view: Reference, finding: RegionFinding, piece: Piece) -> bool:
    """Whether what was found wrong with a region is wrong with what stands at this piece."""
    if finding.kind in (Kind.PROCESSOR, Kind.SHIFTED, Kind.SWAPPED, Kind.HALF_ERASED):
        return True
    failing = any(
        each.verdict is Verdict.DAMAGED and each.start < piece.end and piece.start < each.end
        for each in view.findings
    )
    return failing or any(start < piece.end and piece.start < end for start, end in finding.places)


def _why_here(contents: bytes, right: bytes, start: int, end: int) -> Why:
    chunk = contents[start:end]
    if chunk.count(0xFF) == len(chunk):
        return Why.BLANK
    return Why.HALF_ERASED if _only_set(chunk, right[start:end]) else Why.PIECE


def _only_set(now: bytes, before: bytes) -> bool:
    """Whether bits went from 0 to 1 and none the other way."""
    a, b = np.frombuffer(now, np.uint8), np.frombuffer(before, np.uint8)
    return bool(((a & b) == b).all())


def _whole_region(case: Case, model: Reference, region: Region) -> list[Span]:
    """All pieces of the image in a region, and what of the chip's they replace."""
    here, theirs = pieces(case.view, region), pieces(model, region)
    spans = [(each.start, each.end) for each in theirs]
    for each in here:
        if any(each.start < end and start < each.end for start, end in spans):
            spans.append((each.start, min(each.end, region.end)))
    return merged(spans)


def _fill(case: Case, model: Reference, region: Region, start: int, end: int) -> bytes:
    """What is to stand from `start` to `end`: the image's pieces, blank between and behind."""
    found = bytearray(b"\xff" * (end - start))
    for each in pieces(model, region):
        low, high = max(each.start, start), min(each.end, end)
        if low < high:
            found[low - start : high - start] = model.contents[low:high]
    return bytes(found)


def _environment(
    case: Case, model: Reference, finding: RegionFinding, draft: Draft, *, always: bool = False
) -> None:
    """Put an environment right; with `always` also one that is whole, or blank."""
    view, region, happened = case.view, finding.region, case.happened
    if twin(view, region) is not None and finding.kind is not Kind.ENV_NO_BOOT:
        # The loader takes the whole copy; a flag of the image's could outweigh it.
        return
    if finding.kind is Kind.ENV_NO_BOOT and not always:
        mended = mended_environment(model, view, region)
        if mended is not None:
            rebuilt, names = mended
            draft.put(rebuilt.start, rebuilt.contents, Why.BOOTS_NOTHING)
            draft.allowed |= names
            draft.mended.append(region)
            return
    blank = _is_blank(view.contents, region)
    gone = happened is not None and (
        happened.kind is Kind.ERASED
        or (happened.stop is not None and happened.stop <= region.start < happened.reached)
    )
    if not (always or finding.kind is Kind.ENV_CHECKSUM or (blank and gone)):
        return
    new = rebuilt_environment(model, view, region, case.layout)
    if new is None:
        return
    ours = env_block(view.findings, region)
    if ours is not None and new.end < ours.end and not ours.checksum_ok:
        draft.put(new.end, b"\xff" * (min(ours.end, region.end) - new.end), Why.CHECKSUM)
    why = Why.TOGETHER if always else Why.BLANK if blank else Why.CHECKSUM
    draft.put(new.start, new.contents, why)
    draft.kept += new.kept
    draft.lost += new.lost
    if finding.bad:
        draft.mended.append(region)


def _overruled(case: Case, draft: Draft) -> list[Span]:
    """What is right by its checksum and would be overwritten all the same."""
    before = np.frombuffer(case.view.contents, np.uint8)
    after = np.frombuffer(bytes(draft.target), np.uint8)
    spans = spans_of((before != after) & right_bytes(case.view))
    return merged([(low // SECTOR * SECTOR, -(-high // SECTOR) * SECTOR) for low, high in spans])
