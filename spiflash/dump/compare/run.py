"""The comparison as a whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from spiflash.dump.compare import whole
from spiflash.dump.compare.result import Comparison, Difference, How, RegionChange
from spiflash.dump.compare.sectors import differences, differing, merged
from spiflash.dump.compare.variables import changed_variables
from spiflash.dump.compare.whole import SECTOR
from spiflash.dump.finding import Finding
from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.layout.find import find_layouts
from spiflash.dump.layout.region import Layout, Region


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
    environments = tuple(find_environments(before))
    if layout is None:
        layout = _stated(before, environments)
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
        variables=()
        if same_bytes
        else changed_variables(environments, tuple(find_environments(after)), show_secrets),
        unsure=tuple(merged(doubtful, length)),
    )


def _stated(contents: bytes, environments: Sequence[Finding]) -> Layout | None:
    """The layout that the dump states; a full survey, to suggest one, would take too long."""
    known = find_layouts(contents, (*environments, *find_device_trees(contents)))
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
