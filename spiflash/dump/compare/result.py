"""The outcome of a comparison."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class How(enum.Enum):
    """How the bytes of B came from those of A. Chosen in this order: the first that holds."""

    ERASED = "erased"  # B is FFh throughout
    WRITTEN = "written"  # A is FFh throughout
    CLEARED = "only bits cleared"  # 1 became 0, never 0 1: programmed without erasing
    SET = "only bits set"  # 0 became 1, never 1 0: an erase that was interrupted, or bad contact
    SWAPPED_16 = "bytes swapped in pairs"
    SWAPPED_32 = "bytes swapped in fours"
    SHIFTED = "shifted"
    CHANGED = "changed"


@dataclass(frozen=True, slots=True)
class Difference:
    """Sectors from `start` to `end` (bytes, end excluded) that differ in one and the same way.

    `bytes_differing` counts bytes; `shift` is how many bytes later B holds what A holds here
    (negative: earlier).
    """

    start: int
    end: int
    how: How
    bytes_differing: int
    shift: int = 0


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


@dataclass(frozen=True, slots=True)
class Comparison:
    """A and B beside each other, over the bytes that both have.

    `relations` say in sentences what holds of the two as wholes ("B is A with its bytes swapped
    in pairs"). `unsure` are (start, end) ranges of B that no reading settled.
    """

    size_before: int
    size_after: int
    equal: bool
    relations: tuple[str, ...]
    differences: tuple[Difference, ...]
    regions: tuple[RegionChange, ...]
    variables: tuple[VariableChange, ...]
    unsure: tuple[tuple[int, int], ...] = ()

    @property
    def bytes_differing(self) -> int:
        """Over the bytes that both have."""
        return sum(each.bytes_differing for each in self.differences)
