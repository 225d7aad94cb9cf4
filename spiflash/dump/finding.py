"""What was recognised at one place of a dump, and what vouches for it."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Verdict(enum.Enum):
    """How far a finding can be believed."""

    VOUCHED = "vouched"  # a checksum inside the dump covers these bytes and held
    DAMAGED = "damaged"  # a checksum inside the dump covers these bytes and failed
    CONSISTENT = "consistent"  # the structure makes sense, but no checksum covers it
    BLANK = "blank"  # erased: every byte FFh


@dataclass(frozen=True, slots=True)
class Finding:
    """A recognised item: `length` bytes from `start`, both in bytes.

    `kind` is a short stable identifier for scripts ("uboot-image", "environment", "squashfs",
    "jffs2", "banner", "blank"); `title` is for people; `checks` says in words what was
    checked; `details` are (name, value) pairs in the order in which to show them. Strings
    that come from the dump are untrusted.
    """

    start: int
    length: int
    kind: str
    title: str
    verdict: Verdict
    checks: tuple[str, ...] = ()
    details: tuple[tuple[str, str], ...] = ()

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.length
