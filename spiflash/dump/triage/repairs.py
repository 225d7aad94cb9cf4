"""The repairs of a chip, the smallest first; each has passed the gate.

A repair is a set of byte ranges, each with the reason why it may be replaced. From this board's
own backup whole regions come back. From an image of the model only pieces of firmware are taken
that a check found wrong, or that must match those, and its environment with this board's own
values.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from spiflash.dump.differences import array
from spiflash.dump.finding import Verdict
from spiflash.dump.formats import is_blank, runs_of
from spiflash.dump.layout import Region, Role
from spiflash.dump.triage.chip_state import empty, only_set
from spiflash.dump.triage.environment import (
    env_block,
    mended_environment,
    rebuilt_environment,
    twin,
)
from spiflash.dump.triage.gate import outside_firmware, own_bytes, right_bytes
from spiflash.dump.triage.proposal import (
    WHY,
    Case,
    Draft,
    differs,
    finish,
    in_order,
    passed,
    runs,
)
from spiflash.dump.triage.references import FIRMWARE, Piece, Reference, pieces
from spiflash.dump.triage.regions import same_version
from spiflash.dump.triage.result import Change, Kind, Refused, RegionFinding, Repair, Source, Why
from spiflash.spans import SECTOR, Span, meets_any, merged, spans_of

_ALL_OVER = frozenset({Kind.SWAPPED, Kind.SHIFTED, Kind.CUT_OFF, Kind.FOREIGN})
"""What overwrote the whole chip."""

_OWNERS = frozenset({Role.SETTINGS, Role.DATA})


def repairs(case: Case) -> tuple[tuple[Repair, ...], tuple[Refused, ...]]:
    """The repairs that are proposed, the smallest first; and those that were
    worked out and would have changed what is correct."""
    if case.references.backup is not None:
        found = list(_from_backup(case, case.references.backup))
    elif case.references.model is not None:
        found = list(from_image(case, case.references.model))
    elif case.state is not None and case.state.kind in (Kind.SWAPPED, Kind.SHIFTED):
        draft = Draft(bytearray(case.view.contents))
        draft.lost += ["what was cut off when everything moved"] if case.state.shift else []
        found = [in_order(case, draft, Source.ITSELF)]
    else:
        found = []
    proposed = [each for each in found if isinstance(each, Repair) and each.changes]
    refused = tuple(each for each in found if isinstance(each, Refused))
    once: dict[bytes, Repair] = {}
    for each in proposed:
        once.setdefault(each.target, each)
    return tuple(once.values()), refused


def _from_backup(case: Case, own: Reference) -> Iterator[Repair | Refused]:
    chip, size = case.chip.contents, len(case.chip.contents)
    right = own.sized(size)
    differ = [e for e in case.findings if differs(chip, right, e.region)]
    least = [each for each in differ if _comes_back(case, each)]
    if not least:
        # Nothing is known to be wrong: what may be is offered, with the firmware that must match.
        least = [each for each in differ if each.kind is Kind.NOT_CHECKED]
        if any(each.region.role in FIRMWARE for each in least):
            least = [e for e in differ if e in least or e.region.role in FIRMWARE]
    yield _regions_back(case, right, least, reason_for([e.region for e in least], case.findings))
    if not least and not any(each.bad for each in case.findings):
        return
    if len(least) < len(differ):
        yield _regions_back(case, right, differ, "rewrites everything that is not as in the backup")


def _comes_back(case: Case, finding: RegionFinding) -> bool:
    """Whether the smallest repair includes a region that is not as in the backup."""
    region, state = finding.region, case.state
    if finding.bad:
        return True
    if state is not None and state.kind in _ALL_OVER:
        return True
    if state is not None and state.stop is not None and region.start < state.reached:
        return True
    wrong = [each for each in case.findings if each.bad]
    if any(e.kind is Kind.FOREIGN for e in wrong) or any(_others(case, e) for e in case.findings):
        # Nobody knows whose anything else is.
        return True
    if finding.kind is Kind.NOT_CHECKED and region.role not in _OWNERS:
        return bool(wrong)
    # Kernel, root file system and boot loader of one version must match. What is this
    # board's own does not go by itself either: another image was written over it.
    return region.role in (*FIRMWARE, Role.OTHER) and any(
        each.region.role in FIRMWARE or each.kind in (Kind.OWN_LOST, Kind.ERASED) for each in wrong
    )


def _others(case: Case, finding: RegionFinding) -> bool:
    """Whether a region that never changes holds something else altogether: neither a few wrong
    bits nor a blank, so that it may be another board's."""
    region, own = finding.region, case.references.backup
    if own is None or finding.kind not in (Kind.DAMAGED, Kind.NOT_CHECKED):
        return False
    if not (region.is_own or region.role is Role.OTHER):
        return False
    now = array(region.of(case.chip.contents))
    then = array(region.of(own.sized(region.end)))
    differing = now[now != then]
    # Half of it may be blank: what another board has need not be at the same place.
    return bool(((differing != 0xFF) & (differing != 0)).sum() * 4 > len(differing))


def _regions_back(
    case: Case, right: bytes, findings: Sequence[RegionFinding], reason: str
) -> Repair | Refused:
    changes = [
        Change(start, end, WHY.get(each.kind, Why.BACKUP))
        for each in findings
        for start, end in runs(case.chip.contents, right, *each.region.span)
    ]
    target = bytearray(case.chip.contents)
    for change in changes:
        target[change.start : change.end] = change.of(right)
    return passed(case, Draft(target, changes), Source.OWN, reason, backup=right)


def reason_for(regions: Sequence[Region], findings: Sequence[RegionFinding]) -> str:
    """Also what is whole is rewritten where it came with what is not: one version throughout."""
    if not any(each.bad for each in findings):
        return "restores what is not as in the backup, although nothing proves it wrong"
    whole = [e.region.name for e in findings if not e.bad and e.region in regions]
    if not whole:
        return "rewrites only what is damaged"
    return f"rewrites what is damaged, and the regions that must match it ({', '.join(whole)})"


MATCHING = frozenset({Role.TREE, Role.KERNEL, Role.ROOT})
"""What must be of the same version: a kernel finds its modules in the root file system, and its
hardware in the tree. A loader starts other versions, too."""


def from_image(case: Case, model: Reference) -> Iterator[Repair | Refused]:
    """The repairs from an image, the smallest first: what is damaged; that and what has to match
    it, without the loader; loader, kernel and root file system all together."""
    least, matched, wide = drafts = [Draft(bytearray(case.view.contents)) for _ in range(3)]
    sacred = own_bytes(case.view, case.layout) | outside_firmware(case.view, case.layout)
    right = right_bytes(case.view)
    held_back = False
    for finding in case.seen:
        region = finding.region
        if region.role is Role.ENVIRONMENT:
            _environment(case, model, finding, least)
            _environment(case, model, finding, matched)
            always = is_blank(region.of(case.view.contents)) or _image_was_being_written(case)
            _environment(case, model, finding, wide, always=always)
        if finding.kind is Kind.OWN_LOST and region.is_own:
            for draft in drafts:
                text = f"the contents of {region.name}: addresses, serial number, calibration"
                draft.lost.append(text)
        if region.role not in FIRMWARE or not model.reaches(region):
            continue
        spans = list(_against(case, model, finding))
        for start, end, why in spans:
            piece = _fill(case, model, region, start, end)
            free = ~sacred[start:end]
            here = array(case.view.contents[start:end])
            if (right[start:end] & free & (here != array(piece))).any():
                held_back = True
                continue
            for low, high in runs_of(free):
                for draft in drafts:
                    draft.put(start + low, piece[low:high], why)
        if finding.bad and spans:
            for draft in drafts:
                draft.mended.append(region)
        for start, end in _whole_region(case, model, region):
            piece = _fill(case, model, region, start, end)
            for draft in (matched, wide) if region.role in MATCHING else (wide,):
                for low, high in runs_of(~sacred[start:end]):
                    draft.put(start + low, piece[low:high], Why.TOGETHER)
                if finding.bad:
                    draft.mended.append(region)
    bad = [each.region.role for each in case.findings if each.bad]
    if not bad:
        return
    match = MATCHING.intersection(bad) or held_back
    all_of_it = FIRMWARE.intersection(bad) or case.state is not None
    moved = case.state is not None and case.state.view != case.chip.contents
    seen: list[bytes] = []
    for draft, offered, reason in (
        (least, True, "rewrites only what is damaged"),
        (matched, match, "rewrites what is damaged, and the regions that must match it"),
        (wide, all_of_it, "rewrites boot loader, kernel and root file system together"),
    ):
        if not offered or draft.target in seen:
            continue
        seen.append(bytes(draft.target))
        overrules = () if draft is least else _overruled(case, draft)
        if moved:
            yield in_order(case, draft, Source.MODEL_AND_OWN, overrules)
        else:
            yield finish(case, draft, reason, overrules)


def _image_was_being_written(case: Case) -> bool:
    """Whether the image is what was being put on the chip: it brings its own boot commands."""
    state = case.state
    return state is not None and (state.image_known or state.kind in (Kind.ERASED, Kind.CUT_OFF))


def _against(
    case: Case, model: Reference, finding: RegionFinding
) -> Iterator[tuple[int, int, Why]]:
    """The ranges of a region in which something is wrong, each with the reason."""
    if not finding.bad:
        return
    view, region = case.view, finding.region
    here, theirs = pieces(view, region), pieces(model, region)
    for piece in theirs:
        chunk = piece.of(view.contents)
        right = piece.of(model.contents)
        if chunk == right:
            continue
        if empty(chunk):
            yield piece.start, piece.end, Why.BLANK
        elif same_version(view.contents, model.contents, piece) or only_set(chunk, right):
            for start, end in runs(view.contents, model.sized(region.end), piece.start, piece.end):
                yield start, end, _why_here(view.contents, model.contents, start, end)
        elif _speaks_against(view, finding, piece):
            low, high = piece.start, piece.end
            for each in here:
                if each.meets(piece):
                    low, high = min(low, each.start), max(high, each.end)
            yield low, min(high, region.end), WHY.get(finding.kind, Why.CHECKSUM)


def _speaks_against(view: Reference, finding: RegionFinding, piece: Piece) -> bool:
    """Whether what was found wrong with a region is wrong at this piece."""
    if finding.kind in (Kind.PROCESSOR, Kind.SHIFTED, Kind.SWAPPED, Kind.HALF_ERASED):
        return True
    failing = any(each.verdict is Verdict.DAMAGED and each.meets(piece) for each in view.findings)
    return failing or meets_any(piece.span, finding.places)


def _why_here(contents: bytes, right: bytes, start: int, end: int) -> Why:
    chunk = contents[start:end]
    if is_blank(chunk):
        return Why.BLANK
    return Why.HALF_ERASED if only_set(chunk, right[start:end]) else Why.PIECE


def _whole_region(case: Case, model: Reference, region: Region) -> list[Span]:
    """All pieces of the image in a region, and what of the chip's they replace."""
    here, theirs = pieces(case.view, region), pieces(model, region)
    spans = spans_of(theirs)
    for each in here:
        if meets_any(each.span, spans):
            spans.append((each.start, min(each.end, region.end)))
    return merged(spans)


def _fill(case: Case, model: Reference, region: Region, start: int, end: int) -> bytes:
    """What should be from `start` to `end`: the image's pieces, blank between and after them."""
    found = bytearray(b"\xff" * (end - start))
    for each in pieces(model, region):
        low, high = max(each.start, start), min(each.end, end)
        if low < high:
            found[low - start : high - start] = model.contents[low:high]
    return bytes(found)


def _environment(
    case: Case, model: Reference, finding: RegionFinding, draft: Draft, *, always: bool = False
) -> None:
    """Mend an environment; with `always` also replace one that is intact, or blank."""
    view, region, state = case.view, finding.region, case.state
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
    blank = is_blank(region.of(view.contents))
    gone = state is not None and (
        state.kind is Kind.ERASED
        or (state.stop is not None and state.stop <= region.start < state.reached)
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
    """What is proven correct by a checksum and would be overwritten anyway."""
    before = array(case.view.contents)
    after = array(bytes(draft.target))
    spans = runs_of((before != after) & right_bytes(case.view))
    return merged([(low // SECTOR * SECTOR, -(-high // SECTOR) * SECTOR) for low, high in spans])
