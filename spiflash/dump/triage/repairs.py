"""The ways to put a chip right, the least first; each has passed the gate of `proposal.py`.

A repair is a set of byte ranges, each with the reason why it may be replaced. From this board's own
backup whole regions come back; from an image only what `from_image.py` takes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.from_image import from_image
from spiflash.dump.triage.proposal import WHY, Case, Draft, differs, in_order, passed, runs
from spiflash.dump.triage.reference import FIRMWARE, Reference
from spiflash.dump.triage.regions import is_own
from spiflash.dump.triage.result import (
    Change,
    Kind,
    Refused,
    RegionFinding,
    Repair,
    Source,
    Why,
)

_ALL_OVER = frozenset({Kind.SWAPPED, Kind.SHIFTED, Kind.CUT_OFF, Kind.FOREIGN})
"""What overwrote the whole chip."""

_OWNERS = frozenset({Role.SETTINGS, Role.DATA})


def repairs(case: Case) -> tuple[tuple[Repair, ...], tuple[Refused, ...]]:
    """The repairs that are proposed, the least first; and those that were
    worked out and would have changed what is right."""
    if case.known.own is not None:
        found = list(_from_backup(case, case.known.own))
    elif case.known.model is not None:
        found = list(from_image(case, case.known.model))
    elif case.happened is not None and case.happened.kind in (Kind.SWAPPED, Kind.SHIFTED):
        draft = Draft(bytearray(case.view.contents))
        lost = ("what was cut off when it was moved",) if case.happened.shift else ()
        found = [in_order(case, draft, Source.ITSELF, lost)]
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
        # Nothing is known to be wrong: what may be is offered.
        least = [each for each in differ if each.kind is Kind.NOT_CHECKED]
    yield _regions_back(case, right, least, reason_for([e.region for e in least], case.findings))
    if not least and not any(each.bad for each in case.findings):
        return
    if len(least) < len(differ):
        yield _regions_back(case, right, differ, "rewrites everything that is not as in the source")


def _comes_back(case: Case, finding: RegionFinding) -> bool:
    """Whether the least repair takes in a region that is not as in the backup."""
    region, happened = finding.region, case.happened
    if finding.bad:
        return True
    if happened is not None and happened.kind in _ALL_OVER:
        return True
    if happened is not None and happened.stop is not None and region.start < happened.reached:
        return True
    wrong = [each for each in case.findings if each.bad]
    if any(each.kind is Kind.FOREIGN or _others(case, each) for each in wrong):
        # Whose anything else is, nobody knows.
        return True
    if finding.kind is Kind.NOT_CHECKED and region.role not in _OWNERS:
        return bool(wrong)
    # Kernel, root file system and boot loader of one version belong together. What is this
    # board's own does not go by itself either: another image was written over it.
    return region.role in (*FIRMWARE, Role.OTHER) and any(
        each.region.role in FIRMWARE or each.kind in (Kind.OWN_LOST, Kind.ERASED) for each in wrong
    )


def _others(case: Case, finding: RegionFinding) -> bool:
    """Whether a region that never changes holds something else altogether: neither a few wrong
    bits nor a blank, so that it may be another board's."""
    region, own = finding.region, case.known.own
    if own is None or finding.kind is not Kind.DAMAGED:
        return False
    if not (is_own(region) or region.role is Role.OTHER):
        return False
    now = np.frombuffer(case.chip.contents, np.uint8)[region.start : region.end]
    then = np.frombuffer(own.sized(region.end), np.uint8)[region.start : region.end]
    differing = now[now != then]
    return bool(((differing != 0xFF) & (differing != 0)).sum() * 2 > len(differing))


def _regions_back(
    case: Case, right: bytes, findings: Sequence[RegionFinding], reason: str
) -> Repair | Refused:
    chip = case.chip.contents
    changes: list[Change] = []
    for each in findings:
        why = WHY.get(each.kind, Why.BACKUP)
        for start, end in runs(chip, right, each.region.start, each.region.end):
            changes.append(Change(start, end, why))
    target = bytearray(chip)
    for change in changes:
        target[change.start : change.end] = right[change.start : change.end]
    return passed(case, Source.OWN, bytes(target), changes, reason, backup=right)


def reason_for(regions: Sequence[Region], findings: Sequence[RegionFinding]) -> str:
    """Also what is whole is rewritten where it came with what is not: one version throughout."""
    if not any(each.bad for each in findings):
        return "puts back what is not as in the backup, although nothing proves it wrong"
    whole = [e.region.name for e in findings if not e.bad and e.region in regions]
    if not whole:
        return "rewrites only what is damaged"
    return f"rewrites what is damaged, and the regions that must match it ({', '.join(whole)})"
