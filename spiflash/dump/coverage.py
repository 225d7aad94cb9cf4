"""How much of a dump is proven, by what was found in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from spiflash.dump.finding import Finding, Verdict

# A byte in several findings counts once, for the last of these that claims it. Damage comes
# last: where one checksum holds and another fails, the byte must not pass as proven.
_ORDER = (Verdict.CONSISTENT, Verdict.BLANK, Verdict.VOUCHED, Verdict.DAMAGED)


@dataclass(frozen=True, slots=True)
class Coverage:
    """Numbers of bytes; the five parts add up to `total`.

    `blank` counts erased sectors that no checksum covers; `consistent` what fits its format but
    has no checksum; `unproven` what nothing recognised.
    """

    total: int
    blank: int
    vouched: int
    damaged: int
    consistent: int
    unproven: int

    @property
    def used(self) -> int:
        """The bytes that are not blank."""
        return self.total - self.blank

    @property
    def headline(self) -> str:
        """One line over the bytes that are not blank.

        Rounded to a tenth of a per cent so that it never flatters: "100.0 % vouched" and
        "0.0 % unproven" mean every single byte.
        """
        if self.total == 0:
            return "empty"
        if self.used == 0:
            return "blank throughout"
        vouched = self.vouched * 1000 // self.used
        unproven = -((self.consistent + self.unproven) * -1000 // self.used)
        fitting = self.consistent * 1000 // self.used
        of_these = f" ({fitting / 10:.1f} % fit their format)" if self.consistent else ""
        return (
            f"{vouched / 10:.1f} % vouched, {self.damaged} bytes known bad, "
            f"{unproven / 10:.1f} % unproven{of_these}"
        )


def coverage(contents: bytes, findings: Iterable[Finding]) -> Coverage:
    """Count the bytes of `contents` by the best that `findings` say about each."""
    levels = np.zeros(len(contents), dtype=np.uint8)
    ranges: dict[Verdict, list[tuple[int, int]]] = {verdict: [] for verdict in _ORDER}
    for finding in findings:
        ranges[finding.verdict].append((max(finding.start, 0), finding.end))
    for level, verdict in enumerate(_ORDER, start=1):
        for start, end in _merged(ranges[verdict]):
            levels[start:end] = level
    counts = np.bincount(levels, minlength=len(_ORDER) + 1).tolist()
    unproven, consistent, blank, vouched, damaged = counts
    return Coverage(len(contents), blank, vouched, damaged, consistent, unproven)


def _merged(ranges: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """The same bytes without overlap, so that each is painted once."""
    reached = 0
    for start, end in sorted(ranges):
        if end > reached:
            yield max(start, reached), end
            reached = end
