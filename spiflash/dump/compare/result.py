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


class Says(enum.Enum):
    """What the checksums of one side say of a byte."""

    HOLDS = "checksum OK"
    FAILS = "checksum fails"
    NOTHING = "no checksum"


@dataclass(frozen=True, slots=True)
class ByteChange:
    """One byte that differs: both values, and what each side's own checksums say of it."""

    at: int
    before: int
    after: int
    says_before: Says
    says_after: Says

    @property
    def bit(self) -> int | None:
        """The number of the bit, 0 to 7, where it is the only one that differs."""
        wrong = self.before ^ self.after
        return wrong.bit_length() - 1 if wrong.bit_count() == 1 else None


@dataclass(frozen=True, slots=True)
class OwnChange:
    """An address or serial number of a board at `at`: `before` or `after` is None where the
    other side has it alone."""

    at: int
    kind: str
    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class Moved:
    """An item that stands elsewhere in B, byte for byte or with the same variables."""

    title: str
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """A and B beside each other, over the bytes that both have.

    `relations` say in sentences what holds of the two as wholes ("B is A with its bytes swapped
    in pairs"). `unsure` are (start, end) ranges of B that no reading settled. `single` are
    bytes where few of a sector differ; `own` what names another board; `moved` what stands
    elsewhere.
    """

    size_before: int
    size_after: int
    equal: bool
    relations: tuple[str, ...]
    differences: tuple[Difference, ...]
    regions: tuple[RegionChange, ...]
    variables: tuple[VariableChange, ...]
    unsure: tuple[tuple[int, int], ...] = ()
    single: tuple[ByteChange, ...] = ()
    own: tuple[OwnChange, ...] = ()
    moved: tuple[Moved, ...] = ()

    @property
    def bytes_differing(self) -> int:
        """Over the bytes that both have."""
        return sum(each.bytes_differing for each in self.differences)
