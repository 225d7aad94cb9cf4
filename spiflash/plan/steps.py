"""What a plan is: ordered steps, what they cost, and what they touch."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from spiflash.nor.geometry import EraseType

Ranges = tuple[tuple[int, int], ...]
"""(start, end) pairs in address order, disjoint and not adjacent."""


class PlanError(ValueError):
    """No plan exists: the contents do not fit the chip, or nothing erases what must be erased."""


@dataclass(frozen=True, slots=True)
class Erase:
    """Set `type.size` bytes from `address` on to FFh.

    `whole_chip` marks the chip erase, whose command takes no address.
    """

    address: int
    type: EraseType
    whole_chip: bool = False

    @property
    def end(self) -> int:
        """Address after the last byte erased."""
        return self.address + self.type.size


@dataclass(frozen=True, slots=True)
class Program:
    """Make the chip hold `data` from `address` on; `data` never crosses a page.

    For parts that program bytes or words, `data` is a run within one smallest erase block
    (for words with even address and length), which the driver splits.
    """

    address: int
    data: bytes

    @property
    def end(self) -> int:
        """Address after the last byte programmed."""
        return self.address + len(self.data)


Step = Erase | Program


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps in the order in which to do them, and their sums.

    The steps run in address order, each erase at once followed by the programs of its block, so
    that a cut leaves one block in the air. `seconds` is the expected time by the part's typical
    figures, `worst_seconds` the time when every operation takes its maximum.
    """

    size: int
    steps: tuple[Step, ...]
    seconds: float
    worst_seconds: float
    erase_counts: tuple[tuple[EraseType, int], ...]
    """How many erases of each type, smallest first."""
    programs: int
    """Program steps: pages, or runs for parts that program bytes or words."""
    programmed_bytes: int
    erased: Ranges
    """What the erases take down, whether it changes or is written again."""
    affected: Ranges
    """Every range that some step may change."""
    overwrites: bool = False
    """Programming needs no erase and can set bits."""

    @property
    def erased_bytes(self) -> int:
        """Bytes erased: the wear."""
        return sum(kind.size * count for kind, count in self.erase_counts)

    def touches(self, address: int) -> bool:
        """Whether some step may change the byte at `address`."""
        place = bisect_right(self.affected, address, key=lambda pair: pair[0]) - 1
        return place >= 0 and address < self.affected[place][1]


def merged(ranges: Iterable[tuple[int, int]]) -> Ranges:
    """Ranges that come in order of their starts, joined where they meet or overlap."""
    found: list[tuple[int, int]] = []
    for start, end in ranges:
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((start, end))
    return tuple(found)


def simulate(plan: Plan, old: bytes) -> bytes:
    """What a chip that holds `old` holds after every step of `plan`.

    Raises `PlanError` when `old` is not of the chip's size or a step reaches beyond it.
    """
    if len(old) != plan.size:
        raise PlanError(f"{len(old)} bytes for a chip of {plan.size}")
    cells = np.frombuffer(old, dtype=np.uint8).copy()
    for step in plan.steps:
        if not 0 <= step.address < step.end <= plan.size:
            raise PlanError(f"a step at {step.address:#x} reaches beyond the chip")
        if isinstance(step, Erase):
            cells[step.address : step.end] = 0xFF
        elif plan.overwrites:
            cells[step.address : step.end] = np.frombuffer(step.data, dtype=np.uint8)
        else:
            cells[step.address : step.end] &= np.frombuffer(step.data, dtype=np.uint8)
    return cells.tobytes()
