"""The comparison as a whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from spiflash.dump.compare import whole
from spiflash.dump.compare.contents import moves, own_changes, single_bytes
from spiflash.dump.compare.result import Comparison, Difference, How, RegionChange
from spiflash.dump.compare.sectors import differences, differing, merged
from spiflash.dump.compare.variables import changed_variables
from spiflash.dump.compare.whole import SECTOR
from spiflash.dump.finding import Finding
from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.identity import OwnItem, identity
from spiflash.dump.layout.find import find_layouts
from spiflash.dump.layout.region import Layout, Region
from spiflash.dump.survey import survey

_SMALL = 1 << 20
"""Bytes: smaller dumps are always surveyed."""


def compared(
    before: bytes,
    after: bytes,
    layout: Layout | None,
    unsure: frozenset[int],
    show_secrets: bool,
) -> Comparison:
    """See `compare`."""
    places = differing(before, after)
    doubtful = np.array(sorted(start // SECTOR for start in unsure), dtype=np.intp)
    places = np.setdiff1d(places, doubtful)
    shifts = whole.find_shifts(before, after, places)
    found = differences(before, after, places, shifts)
    same_bytes = before == after
    length = min(len(before), len(after))
    first, second = _findings(before, after, len(places))
    if layout is None:
        layout = _stated(before, first)
    relations = (
        *whole.by_length(before, after),
        *whole.by_order(before, after),
        *whole.shift_relation(before, after, shifts),
    )
    return Comparison(
        size_before=len(before),
        size_after=len(after),
        equal=not len(places) and not len(doubtful) and len(before) == len(after),
        relations=(*relations, *_in_one_way(found)),
        differences=found,
        regions=_by_region(layout, found, length),
        variables=() if same_bytes else changed_variables(first, second, show_secrets),
        unsure=tuple(merged(doubtful, length)),
        single=() if same_bytes else single_bytes(before, after, found, first, second),
        own=()
        if same_bytes or len(places) * 4 * SECTOR > max(length, _SMALL)
        else own_changes(
            _own(before, first, layout, show_secrets), _own(after, second, layout, show_secrets)
        ),
        moved=() if same_bytes else moves(before, after, first, second),
    )


def _findings(
    before: bytes, after: bytes, differing_sectors: int
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Everything recognised in both where a part of them differs; of dumps that have little in
    common only environments and device trees, which is far quicker."""
    if before == after:
        found = (*find_environments(before), *find_device_trees(before))
        return found, found
    if differing_sectors * 4 * SECTOR > max(len(before), _SMALL):
        first, second = (
            (*find_environments(each), *find_device_trees(each)) for each in (before, after)
        )
        return first, second
    return (survey(before) if before else (), survey(after) if after else ())


def _own(
    contents: bytes, findings: Sequence[Finding], layout: Layout | None, show_secrets: bool
) -> tuple[OwnItem, ...]:
    """Own items; without a stated layout by the whole flash as one gap."""
    if not contents:
        return ()
    if layout is None or layout.size != len(contents):
        layout = Layout(len(contents), ())
    return identity(contents, findings, layout, show_secrets=show_secrets)


def _stated(contents: bytes, findings: Sequence[Finding]) -> Layout | None:
    """The layout that the dump states."""
    known = find_layouts(contents, findings)
    return known[0].layout if known and known[0].at is not None else None


def _in_one_way(found: Sequence[Difference]) -> Iterable[str]:
    ways = {each.how for each in found}
    if len(ways) == 1 and len(found) > 0:
        yield f"Everything that differs does so in one way: {ways.pop().value}."


def _by_region(
    layout: Layout | None, found: Sequence[Difference], length: int
) -> tuple[RegionChange, ...]:
    if layout is None:
        return ()
    gaps = [Region(f"gap-{low:06X}h", low, high - low) for low, high in layout.gaps]
    regions = sorted((*layout.regions, *gaps), key=lambda region: region.start)
    return tuple(_of(region, found, length) for region in regions if region.start < length)


def _of(region: Region, found: Sequence[Difference], length: int) -> RegionChange:
    """A sector that the region shares with a neighbour counts for both."""
    end = min(region.end, length)
    ways: Counter[How] = Counter()
    for each in found:
        low, high = max(each.start, region.start), min(each.end, end)
        if low < high:
            ways[each.how] += -(-high // SECTOR) - low // SECTOR
    return RegionChange(
        region.name,
        region.start,
        end,
        sectors=-(-end // SECTOR) - region.start // SECTOR,
        differing=sum(ways.values()),
        ways=tuple(ways.most_common()),
    )
