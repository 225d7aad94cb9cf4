"""Everything about one dump: the results of all examinations together."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.coverage import Coverage, Island, coverage, islands
from spiflash.dump.finding import Finding
from spiflash.dump.hints import Hints, hints
from spiflash.dump.identity.items import OwnItem, identity
from spiflash.dump.layout import FoundLayout, Layout, Occupancy, find_layouts, occupancy
from spiflash.dump.layout.occupancy import Fit, fit, smallest_chip, used_end
from spiflash.dump.secrets import Masker, masker
from spiflash.dump.survey import survey
from spiflash.dump.symptoms import Symptom, symptoms
from spiflash.text import counted


@dataclass(frozen=True, slots=True)
class Audit:
    """Everything that is known of a dump. `others` are further layouts that it states; `remarks`
    are about the chosen one. `used_end` (an address) and `smallest` (a chip) are in bytes."""

    name: str
    contents: bytes
    findings: tuple[Finding, ...]
    coverage: Coverage
    symptoms: tuple[Symptom, ...]
    layout: Layout
    others: tuple[FoundLayout, ...]
    remarks: tuple[str, ...]
    regions: tuple[Occupancy, ...]
    islands: tuple[Island, ...]
    hints: Hints
    own: tuple[OwnItem, ...]
    used_end: int
    smallest: int
    fits: tuple[Fit, ...]


def examine(
    contents: bytes,
    name: str,
    *,
    layout: Layout | None = None,
    sizes: Sequence[int] = (),
    show_secrets: bool = False,
    signs: bool = True,
) -> Audit:
    """Examine `contents`; `name` is what to call them. `layout` takes the place of what they state;
    `sizes` are chips, in bytes, to try them against; with `signs` False, signs of
    a bad reading are not looked for: the contents were not just read from a chip. The same bytes
    are examined once, however often a command asks. Empty contents raise ValueError."""
    if not contents:
        raise ValueError("nothing to examine")
    found = _examined(bytes(contents), layout, tuple(sizes), show_secrets)
    return dataclasses.replace(found, name=name, symptoms=symptoms(contents) if signs else ())


@functools.lru_cache(maxsize=3)  # a conversion has three: board, image, and what is made of them
def _examined(
    contents: bytes, layout: Layout | None, sizes: tuple[int, ...], show_secrets: bool
) -> Audit:
    """An audit without name and signs."""
    findings = survey(contents)
    hide = masker(findings, show=show_secrets)
    known = find_layouts(contents, findings)
    chosen = layout or known[0].layout
    remarks = known[0].remarks if layout is None else _misfit(layout, len(contents))
    return Audit(
        name="",
        contents=contents,
        findings=tuple(_readable(each, hide) for each in findings),
        coverage=coverage(contents, findings),
        symptoms=(),
        layout=chosen,
        others=known if layout is not None else known[1:],
        remarks=remarks,
        regions=occupancy(contents, findings, chosen),
        islands=islands(contents, findings),
        hints=hints(findings, hide=hide),
        own=identity(contents, findings, chosen, hide=hide),
        used_end=used_end(contents, findings),
        smallest=smallest_chip(contents, findings),
        fits=tuple(fit(contents, findings, chosen, size) for size in sizes),
    )


def _readable(finding: Finding, hide: Masker) -> Finding:
    """The finding with its secrets masked for people; its facts are unchanged."""
    return dataclasses.replace(
        finding,
        title=hide.text(finding.title),
        checks=tuple(hide.text(each) for each in finding.checks),
        details=tuple((name, hide.named(name, value)) for name, value in finding.details),
    )


def _misfit(layout: Layout, size: int) -> tuple[str, ...]:
    if layout.size == size:
        return ()
    return (
        f"The given layout is for a flash of {counted(layout.size, 'byte')}, but the contents have "
        f"{counted(size, 'byte')}.",
    )
