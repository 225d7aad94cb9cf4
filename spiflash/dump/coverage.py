"""How much of a dump is proven, by what was found in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.dump.finding import Finding, Span, Verdict, merged

# A byte in several findings counts once, for the last of these that claims it. Damage comes
# last: where one checksum holds and another fails, the byte must not pass as proven.
_ORDER = (Verdict.CONSISTENT, Verdict.BLANK, Verdict.VOUCHED, Verdict.DAMAGED)


@dataclass(frozen=True, slots=True)
class Coverage:
    """Numbers of bytes; the five parts add up to `total`.

    `blank` counts erased sectors that no checksum covers; `consistent` what fits its format but
    has no checksum; `unproven` what nothing recognised, or what was noted without any claim.
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
    counts = np.bincount(levels(len(contents), findings), minlength=len(_ORDER) + 1).tolist()
    unproven, consistent, blank, vouched, damaged = counts
    return Coverage(len(contents), blank, vouched, damaged, consistent, unproven)


def levels(size: int, findings: Iterable[Finding]) -> npt.NDArray[np.uint8]:
    """For each of `size` bytes: 0 unproven, 1 consistent, 2 blank, 3 vouched, 4 damaged."""
    painted = np.zeros(size, dtype=np.uint8)
    ranges: dict[Verdict, list[Span]] = {verdict: [] for verdict in Verdict}
    for finding in findings:
        for (start, end), verdict in finding.claims():
            ranges[verdict].append((max(start, 0), end))
    for level, verdict in enumerate(_ORDER, start=1):
        for start, end in merged(ranges[verdict]):
            painted[start:end] = level
    return painted
