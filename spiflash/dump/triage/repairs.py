"""The ways to put a chip right, the least first."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.compare.sectors import differing
from spiflash.dump.compare.whole import SECTOR
from spiflash.dump.finding import Span
from spiflash.dump.layout.region import Layout, Region, Role
from spiflash.dump.triage.happened import Whole
from spiflash.dump.triage.known import FIRMWARE
from spiflash.dump.triage.own import compose, is_own
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind, RegionFinding, Repair, Source

_ALL_OVER = frozenset({Kind.SWAPPED, Kind.SHIFTED, Kind.CUT_OFF, Kind.FOREIGN})
"""What overwrote the whole chip."""


def repairs(
    chip: Reference,
    view: Reference,
    happened: Whole | None,
    findings: Sequence[RegionFinding],
    seen: Sequence[RegionFinding],
    own: Reference | None,
    model: Reference | None,
    layout: Layout,
) -> tuple[Repair, ...]:
    """The least repair and the next safer one; none where there is nothing to do or to do it
    with. `findings` are about the chip, `seen` about `view`, the chip put in order."""
    size = len(chip.contents)
    known = [each.sized(size) for each in (own, model) if each is not None]
    lost: tuple[str, ...] = ()
    if own is not None:
        target, source = own.sized(size), Source.OWN
    elif model is not None:
        made = compose(model, view, seen, layout)
        target, source, lost = made.target, made.source, made.lost
    elif happened is not None and happened.kind in (Kind.SWAPPED, Kind.SHIFTED):
        target, source = happened.view, Source.ITSELF
        lost = ("what was cut off when it was moved",) if happened.shift else ()
    else:
        return ()
    least = [
        each.region
        for each in findings
        if _differs(chip.contents, target, each.region)
        and _to_write(each, happened, findings, own is None, chip, target)
    ]
    wide = [each.region for each in findings if _differs(chip.contents, target, each.region)]
    first = _repair(chip, target, source, least, known, lost, reason(least, findings))
    second = _repair(
        chip, target, source, wide, known, lost, "rewrites everything that is not as in the source"
    )
    return tuple(each for each in _distinct(first, second) if each.ranges)


def reason(regions: Sequence[Region], findings: Sequence[RegionFinding]) -> str:
    """Also what is whole is rewritten where it came with what is not: one version throughout."""
    whole = [
        each.region.name for each in findings if each.kind is Kind.INTACT and each.region in regions
    ]
    if not whole:
        return "rewrites only what is damaged"
    return (
        f"rewrites what is damaged, and what has to be of one version with it ({', '.join(whole)})"
    )


def _distinct(first: Repair, second: Repair) -> tuple[Repair, ...]:
    return (first,) if first.ranges == second.ranges or not first.ranges else (first, second)


def _differs(contents: bytes, target: bytes, region: Region) -> bool:
    return contents[region.start : region.end] != target[region.start : region.end]


def _to_write(
    finding: RegionFinding,
    happened: Whole | None,
    findings: Sequence[RegionFinding],
    composed: bool,
    chip: Reference,
    target: bytes,
) -> bool:
    """Whether the least repair takes in a region that is not as in the source."""
    region = finding.region
    stopped = happened is not None and happened.stop is not None
    if composed and stopped and region.role is Role.ENVIRONMENT:
        # The image brings its own boot commands.
        return True
    if finding.kind is not Kind.INTACT:
        return _is_needed(finding, composed, target)
    if happened is not None and happened.kind in _ALL_OVER:
        return True
    reached = happened.reached if happened is not None and happened.stop is not None else 0
    if region.start < reached and not (composed and is_own(region)):
        return True
    if region.role in FIRMWARE:
        # Kernel, root file system and boot loader of one version belong together.
        return any(
            each.kind is not Kind.INTACT and each.region.role in FIRMWARE for each in findings
        )
    return False


def _is_needed(finding: RegionFinding, composed: bool, target: bytes) -> bool:
    """An own region whose data are nowhere is left as it is rather than made blank, unless it
    holds another board's."""
    region = finding.region
    if not (composed and is_own(region)):
        return True
    wanted = target[region.start : region.end]
    return wanted.count(0xFF) != len(wanted) or finding.kind is Kind.FOREIGN


def _repair(
    chip: Reference,
    target: bytes,
    source: Source,
    regions: Sequence[Region],
    known: Sequence[bytes],
    lost: tuple[str, ...],
    why: str,
) -> Repair:
    ranges = tuple((each.start, each.end) for each in regions)
    return Repair(
        source,
        target,
        tuple(each.name for each in regions),
        ranges,
        _only_copy(chip.contents, target, ranges, known),
        lost,
        why,
    )


def _only_copy(
    contents: bytes, target: bytes, ranges: Sequence[Span], known: Sequence[bytes]
) -> bool:
    """Whether something would be overwritten that is neither blank nor in a source."""
    for start, end in ranges:
        for place in differing(contents[start:end], target[start:end]).tolist():
            low = start + place * SECTOR
            here = contents[low : min(low + SECTOR, end)]
            blank = here.count(0xFF) == len(here)
            if not blank and not any(each[low : low + len(here)] == here for each in known):
                return True
    return False
