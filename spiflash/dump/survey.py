"""Everything that is recognised in a dump."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from spiflash.dump.finding import Finding, Span, Verdict, merged, without
from spiflash.dump.formats import FILE_SYSTEMS, FORMATS, IN_PIECES, PACKED, REMAINDERS
from spiflash.dump.formats.magic import outside

MOST = 4000
"""Findings kept of one format; a dump that claims more holds no such number of items."""

_MOST_SPANS = 200


def survey(contents: bytes) -> tuple[Finding, ...]:
    """The findings of every format in `contents`, sorted by start, longer ones first.

    Findings may overlap: a version string lies inside an image; `parent` says where. Addresses
    are offsets into `contents`, in bytes. Any contents are accepted; the time is proportional
    to their size.
    """
    found: list[Finding] = []
    packed: list[Span] = []
    for search in (*FILE_SYSTEMS, *FORMATS):
        # These file systems hold files in pieces: a header inside is not followed by its data.
        fresh = itertools.islice(search(contents, packed), MOST)
        found += [each for each in fresh if not _inside(each, packed)]
        if search in FILE_SYSTEMS:
            packed = merged([(f.start, f.end) for f in found if f.kind in PACKED])
    claimed = merged([(f.start, f.end) for f in found])
    for search in REMAINDERS:
        found += itertools.islice(search(contents, claimed), MOST)
    found.sort(key=lambda finding: (finding.start, -finding.length, finding.kind))
    return _with_parents(_narrowed(found, len(contents)))


def _inside(finding: Finding, packed: Sequence[Span]) -> bool:
    """Whether an item that needs its bytes in one piece starts in a file system of pieces."""
    return finding.kind not in IN_PIECES and not any(True for _ in outside([finding.start], packed))


def _narrowed(found: Sequence[Finding], size: int) -> list[Finding]:
    """Damage reduced to what the checksums of other items inside do not vouch for.

    A checksum over a whole image fails; inside lies a stream whose own checksum holds: then the
    damage is elsewhere in the image.
    """
    if not any(each.verdict is Verdict.DAMAGED for each in found):
        return list(found)
    vouched = np.zeros(size, dtype=bool)
    for each in found:
        for (start, end), verdict in each.claims():
            if verdict is Verdict.VOUCHED:
                vouched[start:end] = True
    return [_narrow(each, vouched) if each.verdict is Verdict.DAMAGED else each for each in found]


def _narrow(finding: Finding, vouched: npt.NDArray[np.bool_]) -> Finding:
    known = finding.damage or ((finding.start, finding.end),)
    if len(known) > _MOST_SPANS:
        return finding
    spans = [span for start, end in known for span in _clear(vouched, start, end)]
    if not spans or len(spans) > _MOST_SPANS or tuple(spans) == known:
        return finding
    # What others vouch for is uncovered here: this item's own checksum failed.
    rest = without(known, spans)
    return dataclasses.replace(
        finding, damage=tuple(spans), uncovered=tuple(merged([*finding.uncovered, *rest]))
    )


def _clear(marked: npt.NDArray[np.bool_], start: int, end: int) -> list[Span]:
    """The ranges within `start` to `end` that are not marked."""
    free = np.concatenate(([False], ~marked[start:end], [False]))
    edges = np.flatnonzero(np.diff(free.astype(np.int8))) + start
    return [(first, last) for first, last in edges.reshape(-1, 2).tolist()]


def _with_parents(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """`found` must be sorted by start, longer ones first."""
    open_: list[int] = []
    result: list[Finding] = []
    for index, each in enumerate(found):
        while open_ and found[open_[-1]].end < each.end:
            open_.pop()
        result.append(dataclasses.replace(each, parent=open_[-1] if open_ else None))
        open_.append(index)
    return tuple(result)
