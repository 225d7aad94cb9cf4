"""How two dumps differ, and what their contents say of it: checksums, own items, variables."""

from __future__ import annotations

import enum
import hashlib
import itertools
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.dump.audit import survey
from spiflash.dump.coverage import Level, levels
from spiflash.dump.differences import (
    Difference,
    How,
    array,
    by_length,
    by_order,
    differences,
    differing,
    find_shifts,
    shift_relation,
)
from spiflash.dump.finding import Certainty, Finding, Verdict, environments, saved_environments
from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.identity import OwnItem, identity
from spiflash.dump.layout import Layout, Region
from spiflash.dump.layout.find import find_layouts
from spiflash.dump.secrets import Masker, masker
from spiflash.dump.uboot_env import Environment
from spiflash.spans import SECTOR, sector_spans
from spiflash.text import readable


@dataclass(frozen=True, slots=True)
class RegionChange:
    """A region of the layout: how many of its 4 KiB sectors differ, and in which ways."""

    name: str
    start: int
    end: int
    sectors: int
    differing: int
    ways: tuple[tuple[How, int], ...]


@dataclass(frozen=True, slots=True)
class VariableChange:
    """A variable of the environment at `at`: `before` or `after` is None where it is not set.

    Secret values are masked, so that both may look the same.
    """

    at: int
    name: str
    before: str | None
    after: str | None


class Says(enum.Enum):
    """What the checksums of one side say of a byte."""

    HOLDS = "checksum OK"
    FAILS = "checksum fails"
    NOTHING = "no checksum"


@dataclass(frozen=True, slots=True)
class ByteChange:
    """One byte that differs: both values, and what the checksums of each side say of it."""

    at: int
    before: int
    after: int
    says_before: Says
    says_after: Says

    @property
    def bit(self) -> int | None:
        """The number of the bit, 0 to 7, where only one differs; else None."""
        wrong = self.before ^ self.after
        return wrong.bit_length() - 1 if wrong.bit_count() == 1 else None


@dataclass(frozen=True, slots=True)
class OwnChange:
    """An address or serial number of a board at `at`: `before` or `after` is None where
    only the other side has it."""

    at: int
    kind: str
    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class Moved:
    """An item at another address in B: the same bytes, or an environment of the same variables."""

    title: str
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """A compared with B, over the bytes that both have.

    `relations` say in sentences how the two are related as a whole ("B is A with the bytes swapped
    in pairs"). `unsure` are (start, end) ranges of B that no reading settled. `single` are
    bytes where few of a sector differ; `own` what belongs to another board; `moved` what
    is at another address.
    """

    size_before: int
    size_after: int
    equal: bool
    relations: tuple[str, ...]
    differences: tuple[Difference, ...]
    regions: tuple[RegionChange, ...]
    variables: tuple[VariableChange, ...]
    unsure: tuple[tuple[int, int], ...] = ()
    single: tuple[ByteChange, ...] = ()
    own: tuple[OwnChange, ...] = ()
    moved: tuple[Moved, ...] = ()

    @property
    def bytes_differing(self) -> int:
        """Over the bytes that both have."""
        return sum(each.bytes_differing for each in self.differences)


_SMALL = 1 << 20
"""Bytes: smaller dumps are always surveyed."""


def compare(
    before: bytes,
    after: bytes,
    layout: Layout | None = None,
    *,
    unsure: Sequence[int] = (),
    show_secrets: bool = False,
) -> Comparison:
    """Compare `before` (A) with `after` (B).

    `layout` is that of A; None takes what A states itself. `unsure` are addresses of 4 KiB
    sectors of B that no reading settled; they count as neither equal nor different. Both are
    surveyed where they differ, so that each difference comes with what their checksums say.
    """
    places = differing(before, after)
    doubtful = np.array(sorted({start // SECTOR for start in unsure}), dtype=np.intp)
    places = np.setdiff1d(places, doubtful)
    shifts = find_shifts(before, after, places)
    found = differences(before, after, places, shifts)
    same = before == after
    length = min(len(before), len(after))
    alike = not same and len(places) * 4 * SECTOR <= max(length, _SMALL)
    first, second = _findings(before, after, len(places))
    if layout is None:
        layout = _stated(before, first)
    own = [
        _own(contents, found_in, layout, show_secrets)
        for contents, found_in in ((before, first), (after, second))
        if alike
    ]
    relations = (
        *by_length(before, after),
        *by_order(before, after),
        *shift_relation(before, after, shifts),
    )
    return Comparison(
        size_before=len(before),
        size_after=len(after),
        equal=not len(places) and not len(doubtful) and len(before) == len(after),
        relations=(*relations, *_in_one_way(found)),
        differences=found,
        regions=_by_region(layout, found, length),
        variables=() if same else changed_variables(first, second, show_secrets),
        unsure=tuple((start, min(end, length)) for start, end in sector_spans(sorted(unsure))),
        single=() if same else single_bytes(before, after, found, first, second),
        own=own_changes(*own) if alike else (),
        moved=() if same else moves(before, after, first, second),
    )


def _findings(
    before: bytes, after: bytes, differing_sectors: int
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Everything recognised in both where a part of them differs; of dumps that have little in
    common only environments and device trees, which takes far less time."""
    little = before == after or differing_sectors * 4 * SECTOR > max(len(before), _SMALL)

    def found(contents: bytes) -> tuple[Finding, ...]:
        if little:
            return (*find_environments(contents), *find_device_trees(contents))
        return survey(contents) if contents else ()

    first = found(before)
    return first, first if before == after else found(after)


def _own(
    contents: bytes, findings: Sequence[Finding], layout: Layout | None, show_secrets: bool
) -> tuple[OwnItem, ...]:
    """Own items, by the regions that are within `contents`; without a stated layout the whole
    flash counts as one gap."""
    size = len(contents)
    if not size:
        return ()
    if layout is None or layout.size != size:
        stated = layout.regions if layout is not None else ()
        layout = Layout(size, tuple(each for each in stated if each.end <= size))
    return identity(contents, findings, layout, show_secrets=show_secrets)


def _stated(contents: bytes, findings: Sequence[Finding]) -> Layout | None:
    """The layout that the dump states."""
    known = find_layouts(contents, findings)
    return known[0].layout if known and known[0].at is not None else None


def _in_one_way(found: Sequence[Difference]) -> Iterable[str]:
    ways = {each.how for each in found}
    if len(ways) == 1 and How.CHANGED not in ways:
        yield f"All differences are of one kind: {ways.pop().value}."


def _by_region(
    layout: Layout | None, found: Sequence[Difference], length: int
) -> tuple[RegionChange, ...]:
    if layout is None:
        return ()
    regions = (each for each in layout.with_gaps if each.start < length)
    return tuple(_of(region, found, length) for region in regions)


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


# Checksums, own items, moves ---------------------------------------------------------------------

_FEW = 16
"""Differing bytes of one range of sectors that are shown one by one."""

_MOST = 64
_BOARD = ("mac", "serial")
_SAYS = {Level.VERIFIED: Says.HOLDS, Level.DAMAGED: Says.FAILS}


def single_bytes(
    before: bytes,
    after: bytes,
    found: Sequence[Difference],
    first: Sequence[Finding],
    second: Sequence[Finding],
) -> tuple[ByteChange, ...]:
    """Single bytes where few differ, with what each side's checksums say; at most 64."""
    few = [each for each in found if each.bytes_differing <= _FEW]
    if not few:
        return ()
    mine, theirs = levels(len(before), first), levels(len(after), second)
    length = min(len(before), len(after))
    odd = array(before)[:length] != array(after)[:length]
    places = (
        each.start + at for each in few for at in np.flatnonzero(odd[slice(*each.span)]).tolist()
    )
    return tuple(
        ByteChange(
            at,
            before[at],
            after[at],
            _SAYS.get(Level(mine[at]), Says.NOTHING),
            _SAYS.get(Level(theirs[at]), Says.NOTHING),
        )
        for at in itertools.islice(places, _MOST)
    )


def own_changes(first: Sequence[OwnItem], second: Sequence[OwnItem]) -> tuple[OwnChange, ...]:
    """Addresses and serial numbers that differ, by their places; guesses are left out."""
    mine, theirs = (
        {
            each.start: each
            for each in items
            if each.kind in _BOARD and each.certainty is not Certainty.GUESS
        }
        for items in (first, second)
    )
    changes = []
    for at in sorted({*mine, *theirs}):
        a, b = mine.get(at), theirs.get(at)
        if a is not None and b is not None and a.text == b.text:
            continue
        one = a or b
        assert one is not None
        texts = (each.text if each else None for each in (a, b))
        changes.append(OwnChange(at, one.kind, one.name, *texts))
    return tuple(changes[:_MOST])


def moves(
    before: bytes, after: bytes, first: Sequence[Finding], second: Sequence[Finding]
) -> tuple[Moved, ...]:
    """Items with a checksum that A has at one address and B, but not A, at another."""
    return tuple(_moves(before, after, first, second))[:_MOST]


def _moves(
    before: bytes, after: bytes, first: Sequence[Finding], second: Sequence[Finding]
) -> Iterator[Moved]:
    here = {(each.kind, each.start) for each in first}
    there = {(each.kind, each.start) for each in second}
    gone = [each for each in first if _whole(each) and (each.kind, each.start) not in there]
    new = {
        (each.kind, _digest(after, each)): each
        for each in second
        if _whole(each) and (each.kind, each.start) not in here
    }
    for each in gone:
        other = new.get((each.kind, _digest(before, each)))
        if other is None and each.kind == "environment":
            other = _same_variables(each, second, here)
        if other is not None:
            yield Moved(each.title, each.start, other.start)


def _whole(finding: Finding) -> bool:
    return finding.verdict is Verdict.VERIFIED and finding.parent is None


def _digest(contents: bytes, finding: Finding) -> bytes:
    return hashlib.sha256(finding.of(contents)).digest()


def _same_variables(
    finding: Finding, others: Sequence[Finding], known: set[tuple[str, int]]
) -> Finding | None:
    """An environment with the same variables in another size or form."""
    (mine,) = environments([finding])
    for other in others:
        if other.kind == "environment" and ("environment", other.start) not in known:
            (theirs,) = environments([other])
            if theirs.by_name == mine.by_name:
                return other
    return None


# Variables ---------------------------------------------------------------------------------------

_MOST_VARIABLES = 500
_LONGEST = 500


def changed_variables(
    found_before: Sequence[Finding], found_after: Sequence[Finding], show_secrets: bool
) -> tuple[VariableChange, ...]:
    """What changed in each environment; two are compared when they begin at the same address, or
    when each dump has only one."""
    first, second = saved_environments(found_before), saved_environments(found_after)
    hide = masker((*found_before, *found_after), show=show_secrets)
    changes = [change for a, b in _pairs(first, second) for change in _changes(a, b, hide)]
    return tuple(changes[:_MOST_VARIABLES])


def _pairs(
    first: list[Environment], second: list[Environment]
) -> Iterator[tuple[Environment, Environment]]:
    if len(first) == len(second) == 1:
        yield first[0], second[0]
        return
    by_start = {block.start: block for block in second}
    yield from ((each, by_start[each.start]) for each in first if each.start in by_start)


def _changes(a: Environment, b: Environment, hide: Masker) -> Iterator[VariableChange]:
    before, after = a.by_name, b.by_name
    for name in dict.fromkeys((*before, *after)):
        # Compared unmasked: once masked, a changed passphrase looks the same.
        if before.get(name) != after.get(name):
            shown = readable(name)
            values = (_shown(shown, each.get(name), hide) for each in (before, after))
            yield VariableChange(a.start, shown, *values)


def _shown(name: str, value: bytes | None, hide: Masker) -> str | None:
    if value is None:
        return None
    return hide.named(name, readable(value, _LONGEST))
