"""A repair as it is worked out, and the gate on its way to being proposed.

Every proposal is carried out on a copy and examined again: what was correct must be correct,
nothing may be worse, and nothing that `gate.py` keeps may have changed. Otherwise it is refused,
with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from spiflash.dump import differences
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
from spiflash.spans import SECTOR, Span, merged

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


def finished(
    case: Case, draft: Draft, reason: str, overrules: Sequence[Span] = ()
) -> Repair | Refused:
    source = Source.MODEL_AND_OWN if _has_own(case) or draft.kept else Source.MODEL
    return passed(
        case,
        source,
        bytes(draft.target),
        draft.changes,
        reason,
        lost=tuple(draft.lost),
        overrules=overrules,
        allowed=frozenset(draft.allowed),
        mended=draft.mended,
    )


def _has_own(case: Case) -> bool:
    """Whether the chip still holds anything of this board's own."""
    return any(
        any(byte != 0xFF for byte in case.view.contents[e.region.start : e.region.end])
        for e in case.seen
        if e.region.is_own
    )


def in_order(
    case: Case,
    draft: Draft,
    source: Source,
    lost: tuple[str, ...],
    overrules: Sequence[Span] = (),
) -> Repair | Refused:
    """A chip that is swapped or moved as a whole: first its own contents in order, then on top
    of these what the draft replaces."""
    chip, view, state = case.chip.contents, case.view, case.state
    assert state is not None
    problems: list[str] = []
    if state.shift:
        gone = chip[: state.shift] if state.shift > 0 else chip[state.shift :]
        if gone.count(0xFF) != len(gone):
            problems.append(f"{len(gone)} bytes that are not blank would be lost")
    if right_bytes(view).sum() < right_bytes(case.chip).sum():
        problems.append("more of it is proven where it is now than after moving it")
    problems += violations(
        view, bytes(draft.target), draft.changes, case.layout, backup=None, named=overrules
    )
    problems += _torn(case, view, bytes(draft.target), draft.changes)
    regions = _changed_regions(case, chip, bytes(draft.target))
    if problems:
        return Refused(source, tuple(e.name for e in regions), "; ".join(problems))
    changes = [
        Change(start, end, Why.MOVED)
        for start, end in runs(chip, bytes(draft.target), 0, len(chip))
    ]
    return _repair(
        case,
        source,
        bytes(draft.target),
        changes,
        "moves everything back to its place",
        lost,
        overrules,
    )


def passed(
    case: Case,
    source: Source,
    target: bytes,
    changes: Sequence[Change],
    reason: str,
    *,
    backup: bytes | None = None,
    lost: tuple[str, ...] = (),
    overrules: Sequence[Span] = (),
    allowed: frozenset[bytes] = frozenset(),
    mended: Sequence[Region] = (),
) -> Repair | Refused:
    """The repair, if it changes nothing that is correct and its result is correct."""
    problems = list(
        violations(case.chip, target, changes, case.layout, backup=backup, named=overrules)
    )
    problems += _torn(case, case.chip, target, changes)
    if changes and not problems and target != backup:
        problems += _worse(case, target, changes, backup, allowed, mended, overrules)
    if problems:
        names = tuple(e.name for e in _changed_regions(case, case.chip.contents, target))
        return Refused(source, names, "; ".join(dict.fromkeys(problems)))
    return _repair(case, source, target, changes, reason, lost, overrules)


def _torn(
    case: Case, before: Reference, target: bytes, changes: Sequence[Change]
) -> tuple[str, ...]:
    findings = case.findings if before is case.chip else case.seen
    damaged = [(e.region.start, e.region.end) for e in findings if e.bad]
    return torn(
        before,
        target,
        changes,
        case.layout,
        case.sources,
        stated=case.stated,
        damaged=damaged,
    )


def _worse(
    case: Case,
    target: bytes,
    changes: Sequence[Change],
    backup: bytes | None,
    allowed: frozenset[bytes],
    mended: Sequence[Region],
    overrules: Sequence[Span],
) -> Iterator[str]:
    """What the simulated result has wrong that the chip has not."""
    after = with_layout(case.examine(target), case.layout)
    refs = replace(case.references, chip=after)
    for finding in case.findings:
        then = judge(refs, finding.region)
        if finding.kind is Kind.INTACT and then.kind is not Kind.INTACT:
            yield f"{finding.region.name} is correct now and would not be: {then.detail}"
        elif not finding.bad and then.bad:
            yield f"{finding.region.name} would be damaged: {then.detail}"
        elif finding.region in mended and then.bad:
            yield f"{finding.region.name} would still be damaged: {then.detail}"
    if backup is None:
        model = case.references.model
        foreign = frozenset(each.text for each in model.own) if model is not None else frozenset()
        yield from lost_items(case.chip, after, case.layout, foreign)
        if not overrules:
            yield from variables_lost(case.chip, after, changes, allowed)


def _repair(
    case: Case,
    source: Source,
    target: bytes,
    changes: Sequence[Change],
    reason: str,
    lost: tuple[str, ...],
    overrules: Sequence[Span],
) -> Repair:
    regions = _changed_regions(case, case.chip.contents, target)
    open_, only = unproven(case.chip, target, case.sources)
    return Repair(
        source,
        target,
        tuple(each.name for each in regions),
        tuple((each.start, each.end) for each in regions),
        tuple(sorted(changes, key=lambda each: each.start)),
        only,
        lost,
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
    inside = merged([(each.start, each.end) for each in regions])
    found = []
    for low, high in merged(places):
        for start, end in inside:
            first, last = max(low, start), min(high, end)
            first, last = -(-first // SECTOR) * SECTOR, last // SECTOR * SECTOR
            if first < last:
                found.append((first, last))
    return tuple(merged(found))


def _changed_regions(case: Case, contents: bytes, target: bytes) -> list[Region]:
    return [each.region for each in case.findings if differs(contents, target, each.region)]


def differs(contents: bytes, target: bytes, region: Region) -> bool:
    return contents[region.start : region.end] != target[region.start : region.end]


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
