"""Contents that a chip is judged by, examined once, and the pieces of firmware in them.

A region that is called "boot" may hold a loader and, after a blank, a MAC address; one that is
called "firmware" a kernel, a root file system, and what the board has written after both. Only the
pieces are ever taken from an image.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from spiflash.dump.audit import survey
from spiflash.dump.coverage import Level, levels
from spiflash.dump.finding import Finding, Holds, Verdict, images, saved_environments
from spiflash.dump.formats import runs_of
from spiflash.dump.hints import Hints, hints
from spiflash.dump.identity import OwnItem, identity
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.layout.find import find_layouts
from spiflash.spans import SECTOR, Ranged, Span, meets_any, merged, spans_of, without


@dataclass(frozen=True, slots=True)
class Reference:
    """Contents with everything that was found in them. `stated` says that the layout stands
    somewhere in the contents, and is not only suggested by them; `levels` has the proof of each
    byte as `dump.coverage` numbers it."""

    contents: bytes
    findings: tuple[Finding, ...]
    layout: Layout
    stated: bool
    remarks: tuple[str, ...]
    own: tuple[OwnItem, ...]
    hints: Hints
    levels: bytes = field(repr=False)

    def sized(self, size: int) -> bytes:
        """The contents for a chip of `size` bytes: cut, or blank after their end."""
        return self.contents[:size].ljust(size, b"\xff")

    def reaches(self, region: Region) -> bool:
        """Whether anything is said of a region: a short image ends before it."""
        return region.start < len(self.contents)


def reference(contents: bytes, layout: Layout | None = None) -> Reference:
    """Examine `contents`; `layout` outweighs what they state. Empty ones raise ValueError."""
    if not contents:
        raise ValueError("nothing to judge by")
    findings = survey(contents)
    known = find_layouts(contents, findings)[0]
    chosen = layout or known.layout
    return Reference(
        contents,
        findings,
        chosen,
        layout is not None or known.at is not None,
        known.remarks,
        identity(contents, findings, chosen, show_secrets=True),
        hints(findings, show_secrets=True),
        levels(len(contents), findings).tobytes(),
    )


CLAIMED = frozenset({Verdict.VERIFIED, Verdict.DAMAGED, Verdict.CONSISTENT})

FIRMWARE = frozenset({Role.BOOT, Role.TREE, Role.KERNEL, Role.ROOT})
"""Roles whose contents come with the firmware. Gaps and names that say nothing are none of it."""


@dataclass(frozen=True, slots=True)
class References:
    """What a region is judged by. `backup` is this board's own, `model` an image of its model, both
    for a chip of this size; None where there is none."""

    chip: Reference
    backup: Reference | None
    model: Reference | None

    def expected(self, region: Region) -> Reference | None:
        """What the region should be like: the backup, or of the firmware the model's image."""
        if self.backup is not None:
            return self.backup
        if self.model is None or not self.model.reaches(region):
            return None
        return self.model if region.role in FIRMWARE else None


def certain_own_items(reference: Reference) -> list[OwnItem]:
    """What is one board's own for certain: in a saved environment, in a region of own data, or
    where neither a region nor a format claims anything.

    An address in the text of a kernel may be anybody's, and a default that is compiled into a
    loader the same on every board.
    """
    places = spans_of(saved_environments(reference.findings))
    places += spans_of(e for e in reference.layout.regions if e.keep or e.role is Role.OWN)
    found = spans_of(f for f in reference.findings if f.verdict in CLAIMED)
    for start, end in reference.layout.gaps:
        places += without([(start, end)], found)
    return [
        each for each in reference.own if any(start <= each.start < end for start, end in places)
    ]


def items_in(items: Sequence[OwnItem], region: Region) -> list[OwnItem]:
    return [item for item in items if region.holds(item.start)]


def identity_in(reference: Reference, region: Region) -> set[tuple[str, str]]:
    return {
        (item.kind, item.text)
        for item in items_in(reference.own, region)
        if item.kind in ("mac", "serial")
    }


def with_layout(chip: Reference, layout: Layout) -> Reference:
    """The same contents, their own items looked for by another layout."""
    if chip.layout == layout:
        return chip
    own = identity(chip.contents, chip.findings, layout, show_secrets=True)
    return replace(chip, layout=layout, own=own)


APART = 1024
"""Bytes of FFh that part two pieces (common practice, no source: linkers leave less)."""

WRITTEN_BY_THE_BOARD = frozenset({"jffs2", "ubi", "ubifs", "ext", "fat"})
"""File systems that the running board writes to: never replaced in part."""

_NO_PIECE = frozenset({"blank", "runs", "banner", "environment", "zeros"})


@dataclass(frozen=True, slots=True)
class Piece(Ranged):
    """Bytes `start` to `end`; `finding` is what was recognised there, None for bare code."""

    start: int
    end: int
    finding: Finding | None = None


def another_version(chip: Reference, other: Reference) -> bool:
    """Whether a kernel on the chip is whole by its checksums, and not the one of `other`."""
    return any(
        each.verdict is Verdict.VERIFIED
        and any(image.holds in (Holds.KERNEL, Holds.SEVERAL) for image in images(each))
        and each.of(chip.contents) != each.of(other.contents)
        for each in chip.findings
    )


def tells_nothing(chip: Reference, model: Reference, piece: Piece) -> bool:
    """Whether a piece of an image that the chip holds otherwise is no sign of damage: the chip's
    own checksums prove what is there, as far as it reaches, or its kernel is another version and
    the piece is whole by its form."""
    here, there = (np.frombuffer(piece.of(each.contents), np.uint8) for each in (chip, model))
    if len(here) != len(there):
        return False
    proven = np.frombuffer(piece.of(chip.levels), np.uint8) == Level.VERIFIED
    left = np.flatnonzero((here != there) & ~proven)
    last = int(np.flatnonzero(proven)[-1]) if proven.any() else -1
    if proven.any() and (left > last).all() and (here[left] == 0xFF).all():
        return True
    whole = piece.finding is not None and any(
        each.start == piece.start
        and each.kind == piece.finding.kind
        and each.verdict in (Verdict.VERIFIED, Verdict.CONSISTENT)
        for each in chip.findings
    )
    return whole and another_version(chip, model)


def outermost(reference: Reference, region: Region) -> list[Finding]:
    """What was recognised in a region and is not inside something else there, by rising address."""
    found: list[Finding] = []
    for each in reference.findings:
        if not region.holds(each.start):
            continue
        if each.kind in _NO_PIECE or each.verdict in (Verdict.BLANK, Verdict.NOTED):
            continue
        if not found or each.start >= found[-1].end:
            found.append(each)
    return found


def islands(contents: bytes, start: int, end: int, apart: int = APART) -> list[Span]:
    """The runs of data between `start` and `end` that `apart` bytes of FFh or more part."""
    data = np.frombuffer(contents, np.uint8)[start:end]
    return [(start + low, start + high) for low, high in runs_of(data != 0xFF, apart)]


def pieces(reference: Reference, region: Region) -> list[Piece]:
    """The firmware of a region by rising address: what was recognised, and bare code.

    Left out are saved environments, file systems that the board writes to, what is known to be
    one board's own, and small islands after a blank: a serial number beside a loader is none
    of the loader.
    """
    limit = min(region.end, len(reference.contents))
    if region.start >= limit:
        return []
    recognised = outermost(reference, region)
    inside = Piece(region.start, limit)
    saved = saved_environments(reference.findings)
    aside = spans_of(each for each in saved if each.meets(inside))
    aside += spans_of(e for e in recognised if e.kind in WRITTEN_BY_THE_BOARD)
    formats = [each for each in recognised if each.kind not in WRITTEN_BY_THE_BOARD]
    found: list[Piece] = []
    if region.role is not Role.BOOT:
        found = [
            Piece(e.start, _padded(reference.contents, min(e.end, limit), limit), e)
            for e in formats
        ]
        aside += spans_of(found)
    own = certain_own_items(reference)
    for start, end in _bare(reference, region, limit, aside):
        holds = meets_any((start, end), spans_of(formats))
        first = start - region.start < SECTOR
        beside = [e for e in own if start <= e.start and e.end <= end]
        large = end - start >= SECTOR and not (beside and end - start < 1 << 16)
        loader = region.role is Role.BOOT
        if (first or holds or large) if loader else (first and not formats):
            found.append(Piece(start, end))
    return sorted(found, key=lambda each: each.start)


def whole_pieces(reference: Reference, borders: Sequence[int] = ()) -> list[Piece]:
    """What a chip holds piece by piece, whatever regions there are, by rising address: what was
    recognised and is not damaged, and runs of bare data that a blank sector parts.

    Saved environments and file systems that the board writes to are left out. No piece goes
    across one of the `borders`.
    """
    size = len(reference.contents)
    edges = sorted({0, size, *(each for each in borders if 0 < each < size)})
    recognised = outermost(reference, Region("chip", 0, size))
    aside = [(each.start, min(each.end, size)) for each in recognised]
    aside += [(e.start, min(e.end, size)) for e in saved_environments(reference.findings)]
    found = [
        Piece(max(each.start, low), min(each.end, high), each)
        for each in recognised
        if each.verdict is not Verdict.DAMAGED and each.kind not in WRITTEN_BY_THE_BOARD
        for low, high in pairwise(edges)
        if each.start < high and low < each.end
    ]
    for low, high in pairwise(edges):
        for start, end in without([(low, high)], merged(aside)):
            runs = islands(reference.contents, start, end, SECTOR)
            found += [Piece(first, last) for first, last in runs]
    return sorted(found, key=lambda each: each.start)


def _padded(contents: bytes, end: int, limit: int) -> int:
    """Where an item ends together with the zeros that fill its last sector."""
    last = min(-(-end // SECTOR) * SECTOR, limit)
    return last if contents[end:last].count(0) == last - end else end


def _bare(reference: Reference, region: Region, limit: int, aside: list[Span]) -> list[Span]:
    spans = without([(region.start, limit)], merged(aside))
    return [run for start, end in spans for run in islands(reference.contents, start, end)]
