"""A repair as it is worked out, and the gate on its way to being proposed.

Every proposal is carried out on a copy and examined again: what was correct must be correct,
nothing may be worse, and nothing that `gate.py` keeps may have changed. Otherwise it is refused,
with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from spiflash.dump import differences
from spiflash.dump.formats import is_blank
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.triage.gate import (
    lost_items,
    right_bytes,
    torn,
    unproven,
    variables_lost,
    violations,
)
from spiflash.dump.triage.references import Reference, References, with_layout
from spiflash.dump.triage.regions import judge
from spiflash.dump.triage.result import (
    Change,
    ChipState,
    Kind,
    Refused,
    RegionFinding,
    Repair,
    Source,
    Why,
)
from spiflash.spans import SECTOR, Span, merged, spans_of

BLOCK = 64 << 10
"""Bytes of the largest block that is erased at once."""

WHY = {
    Kind.PROCESSOR: Why.PROCESSOR,
    Kind.HALF_ERASED: Why.HALF_ERASED,
    Kind.SWAPPED: Why.MOVED,
    Kind.SHIFTED: Why.MOVED,
    Kind.INTERRUPTED: Why.STOPPED,
    Kind.ERASED: Why.BLANK,
    Kind.ENV_NO_BOOT: Why.BOOTS_NOTHING,
    Kind.FILES: Why.CHECKSUM,
    Kind.DAMAGED: Why.CHECKSUM,
    Kind.ENV_CHECKSUM: Why.CHECKSUM,
}


@dataclass(frozen=True, slots=True)
class Case:
    """A chip and all that is known of it: `view` is the chip put in order, `findings` are about
    the chip, `seen` about the view; both are about all regions, gaps included. `stated` says
    that the borders of the layout are stated somewhere, not only suggested by contents."""

    references: References
    view: Reference
    state: ChipState | None
    findings: tuple[RegionFinding, ...]
    seen: tuple[RegionFinding, ...]
    layout: Layout
    stated: bool
    examine: Callable[[bytes], Reference]

    @property
    def chip(self) -> Reference:
        """The chip as it was read."""
        return self.references.chip

    @property
    def sources(self) -> list[bytes]:
        """The contents of the references, for a chip of this size."""
        size = len(self.chip.contents)
        at_hand = (self.references.backup, self.references.model)
        return [each.sized(size) for each in at_hand if each is not None]


@dataclass
class Draft:
    """A repair while it is worked out, on top of the view."""

    target: bytearray
    changes: list[Change] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    allowed: set[bytes] = field(default_factory=set)
    mended: list[Region] = field(default_factory=list)

    def put(self, start: int, contents: bytes, why: Why) -> None:
        end = start + len(contents)
        if self.target[start:end] != contents:
            self.target[start:end] = contents
            self.changes.append(Change(start, end, why))


def finish(
    case: Case, draft: Draft, reason: str, overrules: Sequence[Span] = ()
) -> Repair | Refused:
    source = Source.MODEL_AND_OWN if _has_own(case) or draft.kept else Source.MODEL
    return passed(case, draft, source, reason, overrules=overrules)


def _has_own(case: Case) -> bool:
    """Whether the chip still holds anything of this board's own."""
    return any(
        each.region.is_own and not is_blank(each.region.of(case.view.contents))
        for each in case.seen
    )


def in_order(
    case: Case, draft: Draft, source: Source, overrules: Sequence[Span] = ()
) -> Repair | Refused:
    """A chip that is swapped or moved as a whole: first its own contents in order, then on top
    of these what the draft replaces."""
    chip, view, state = case.chip.contents, case.view, case.state
    assert state is not None
    target = bytes(draft.target)
    problems: list[str] = []
    if state.shift:
        gone = chip[: state.shift] if state.shift > 0 else chip[state.shift :]
        if not is_blank(gone):
            problems.append(f"{len(gone)} bytes that are not blank would be lost")
    if right_bytes(view).sum() < right_bytes(case.chip).sum():
        problems.append("more of it is proven where it is now than after moving it")
    problems += violations(view, target, draft.changes, case.layout, backup=None, named=overrules)
    problems += _torn(case, view, draft)
    moved = [Change(start, end, Why.MOVED) for start, end in runs(chip, target, 0, len(chip))]
    reason = "moves everything back to its place"
    return _settled(case, replace(draft, changes=moved), source, reason, overrules, problems)


def passed(
    case: Case,
    draft: Draft,
    source: Source,
    reason: str,
    *,
    backup: bytes | None = None,
    overrules: Sequence[Span] = (),
) -> Repair | Refused:
    """The repair, if it changes nothing that is correct and its result is correct."""
    target, changes = bytes(draft.target), draft.changes
    problems = list(
        violations(case.chip, target, changes, case.layout, backup=backup, named=overrules)
    )
    problems += _torn(case, case.chip, draft)
    if changes and not problems and target != backup:
        problems += _worse(case, draft, backup, overrules)
    return _settled(case, draft, source, reason, overrules, problems)


def _torn(case: Case, before: Reference, draft: Draft) -> tuple[str, ...]:
    findings = case.findings if before is case.chip else case.seen
    return torn(
        before,
        bytes(draft.target),
        draft.changes,
        case.layout,
        case.sources,
        stated=case.stated,
        damaged=spans_of(e.region for e in findings if e.bad),
    )


def _worse(
    case: Case, draft: Draft, backup: bytes | None, overrules: Sequence[Span]
) -> Iterator[str]:
    """What the simulated result has wrong that the chip has not."""
    after = with_layout(case.examine(bytes(draft.target)), case.layout)
    refs = replace(case.references, chip=after)
    for finding in case.findings:
        then = judge(refs, finding.region)
        if finding.kind is Kind.INTACT and then.kind is not Kind.INTACT:
            yield f"{finding.region.name} is correct now and would not be: {then.detail}"
        elif not finding.bad and then.bad:
            yield f"{finding.region.name} would be damaged: {then.detail}"
        elif finding.region in draft.mended and then.bad:
            yield f"{finding.region.name} would still be damaged: {then.detail}"
    if backup is None:
        model = case.references.model
        foreign = frozenset(each.text for each in model.own) if model is not None else frozenset()
        yield from lost_items(case.chip, after, case.layout, foreign)
        if not overrules:
            yield from variables_lost(case.chip, after, draft.changes, frozenset(draft.allowed))


def _settled(
    case: Case,
    draft: Draft,
    source: Source,
    reason: str,
    overrules: Sequence[Span],
    problems: Sequence[str],
) -> Repair | Refused:
    """The draft as a repair, or refused for its problems."""
    target = bytes(draft.target)
    regions = [e.region for e in case.findings if differs(case.chip.contents, target, e.region)]
    names = tuple(each.name for each in regions)
    if problems:
        return Refused(source, names, "; ".join(dict.fromkeys(problems)))
    open_, only = unproven(case.chip, target, case.sources)
    return Repair(
        source,
        target,
        names,
        tuple(spans_of(regions)),
        tuple(sorted(draft.changes, key=lambda each: each.start)),
        only,
        tuple(draft.lost),
        reason,
        open_,
        tuple(overrules),
        _to_erase(case, regions),
        _remarks(case, regions),
    )


def _remarks(case: Case, regions: Sequence[Region]) -> tuple[str, ...]:
    """What to look after when only a part of the firmware is the image's."""
    model = case.references.model
    if case.references.backup is not None or model is None:
        return ()
    others = [
        each.region.name
        for each in case.findings
        if each.region.role in (Role.KERNEL, Role.ROOT)
        and each.region not in regions
        and model.reaches(each.region)
        and differs(case.chip.contents, model.sized(each.region.end), each.region)
    ]
    mixed = others and any(each.role in (Role.KERNEL, Role.ROOT) for each in regions)
    if not mixed:
        return ()
    return (
        f"{', '.join(others)} stays as it is and is not from the image: a kernel and a root "
        "file system of different versions may not start",
    )


def _to_erase(case: Case, regions: Sequence[Region]) -> tuple[Span, ...]:
    """The blocks of an interrupted erase, as far as they are in what is rewritten."""
    places = [
        (low // BLOCK * BLOCK, -(-high // BLOCK) * BLOCK)
        for finding in case.findings
        if finding.kind is Kind.HALF_ERASED
        for low, high in finding.places
    ]
    inside = merged(spans_of(regions))
    found = []
    for low, high in merged(places):
        for start, end in inside:
            first, last = max(low, start), min(high, end)
            first, last = -(-first // SECTOR) * SECTOR, last // SECTOR * SECTOR
            if first < last:
                found.append((first, last))
    return tuple(merged(found))


def differs(contents: bytes, target: bytes, region: Region) -> bool:
    return region.of(contents) != region.of(target)


def runs(contents: bytes, right: bytes, start: int, end: int) -> Iterator[Span]:
    """The ranges from `start` to `end` in which they differ, neighbouring sectors in one."""
    low = start // SECTOR * SECTOR
    spans = [
        (low + place * SECTOR, low + (place + 1) * SECTOR)
        for place in differences.differing(contents[low:end], right[low:end]).tolist()
    ]
    for first, last in merged(spans):
        if max(first, start) < min(last, end):
            yield max(first, start), min(last, end)
