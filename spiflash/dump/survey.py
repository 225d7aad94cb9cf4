"""Everything that is recognised in a dump."""

from __future__ import annotations

from spiflash.dump.finding import Finding
from spiflash.dump.formats import FORMATS


def survey(contents: bytes) -> tuple[Finding, ...]:
    """The findings of every format in `contents`, sorted by start, longer ones first.

    Findings may overlap: a version string lies inside an image. Addresses are offsets into
    `contents`, in bytes. Any contents are accepted; the time is proportional to their size.
    """
    found = [finding for search in FORMATS for finding in search(contents)]
    return tuple(sorted(found, key=lambda finding: (finding.start, -finding.length, finding.kind)))
