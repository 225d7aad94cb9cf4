"""Contents to judge a chip by, examined once."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.dump.finding import Finding
from spiflash.dump.hints import Hints, hints
from spiflash.dump.identity import OwnItem, identity
from spiflash.dump.layout import Known, Layout, Region, find_layouts
from spiflash.dump.survey import survey


@dataclass(frozen=True, slots=True)
class Reference:
    """Contents with everything that was found in them. `stated` says that the layout stands
    somewhere in the contents, and is not only suggested by them."""

    contents: bytes
    findings: tuple[Finding, ...]
    layout: Layout
    stated: bool
    remarks: tuple[str, ...]
    own: tuple[OwnItem, ...]
    hints: Hints

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
    known: Known = find_layouts(contents, findings)[0]
    chosen = layout or known.layout
    return Reference(
        contents,
        findings,
        chosen,
        layout is not None or known.at is not None,
        known.remarks,
        identity(contents, findings, chosen, show_secrets=True),
        hints(contents, findings, show_secrets=True),
    )
