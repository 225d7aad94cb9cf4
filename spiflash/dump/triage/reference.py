"""Contents to judge a chip by, examined once, and what every judgement goes by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from spiflash.dump.coverage import levels
from spiflash.dump.finding import Finding, Verdict, environments
from spiflash.dump.hints import Hints, hints
from spiflash.dump.identity import OwnItem, identity
from spiflash.dump.layout import Layout, Region, Role, find_layouts
from spiflash.dump.survey import survey
from spiflash.spans import without


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
        """The contents for a chip of `size` bytes: cut, or blank behind their end."""
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
        hints(contents, findings, show_secrets=True),
        levels(len(contents), findings).tobytes(),
    )


_CLAIMED = frozenset({Verdict.VERIFIED, Verdict.DAMAGED, Verdict.CONSISTENT})

FIRMWARE = frozenset({Role.BOOT, Role.TREE, Role.KERNEL, Role.ROOT})
"""Roles whose contents come with the firmware. Gaps and names that say nothing are none of it."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a region is judged by. `own` is this board's backup, `model` an image of its model,
    both for a chip of this size; None where there is none."""

    chip: Reference
    own: Reference | None
    model: Reference | None

    def expected(self, region: Region) -> Reference | None:
        """What the region should be like: the backup, or of the firmware the model's image."""
        if self.own is not None:
            return self.own
        if self.model is None or not self.model.reaches(region):
            return None
        return self.model if region.role in FIRMWARE else None


def surely_own(reference: Reference) -> list[OwnItem]:
    """What is one board's own for certain: in a saved environment, in a region of own data, or
    where neither a region nor a format claims anything.

    An address in the text of a kernel may be anybody's, and a default that is compiled into a
    loader the same on every board.
    """
    places = [(e.start, e.end) for e in environments(reference.findings) if e.saved]
    places += [(e.start, e.end) for e in reference.layout.regions if e.keep or e.role is Role.OWN]
    found = [(f.start, f.end) for f in reference.findings if f.verdict in _CLAIMED]
    for start, end in reference.layout.gaps:
        places += without([(start, end)], found)
    return [
        each for each in reference.own if any(start <= each.start < end for start, end in places)
    ]


def items_in(items: Sequence[OwnItem], region: Region) -> list[OwnItem]:
    return [item for item in items if region.start <= item.start < region.end]


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
