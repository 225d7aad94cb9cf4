"""Size, page and erase map of a chip: all that plans and drivers need to know.

The rules that live here: regions tile the chip, and an erase of a type covers the naturally
aligned block of that size inside its region (JESD216, sector map definition).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from chipdb.part import Duration, EraseRegion, EraseType, ProgramMethod

__all__ = [
    "Duration",
    "EraseRegion",
    "EraseType",
    "Geometry",
    "GeometryError",
    "ProgramMethod",
]


class GeometryError(ValueError):
    """The regions do not tile the chip, or an erase type does not fit its region."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """What can be erased and programmed, and how long it takes.

    `regions` start at address 0; each names the erase types that work in it by index.
    `chip_erase` is an erase type whose size is the whole chip, or None.
    Raises `GeometryError` if the map does not tile the chip.
    """

    size: int
    page: int
    erase_types: tuple[EraseType, ...]
    regions: tuple[EraseRegion, ...]
    program: Duration
    chip_erase: EraseType | None = None
    method: ProgramMethod = ProgramMethod.PAGE
    needs_erase: bool = True
    programs_once: bool = False
    """A page that is not blank must be erased before it is programmed again."""

    def __post_init__(self) -> None:
        if self.size <= 0 or self.page <= 0:
            raise GeometryError(f"size {self.size} and page {self.page} must be positive")
        if sum(region.length for region in self.regions) != self.size:
            raise GeometryError("the erase regions do not add up to the size of the chip")
        for region in self.regions:
            if region.length <= 0:
                raise GeometryError("an erase region is empty")
            for index in region.types:
                if not 0 <= index < len(self.erase_types):
                    raise GeometryError(f"erase type {index} does not exist")
                if region.length % self.erase_types[index].size:
                    raise GeometryError(
                        f"an erase of {self.erase_types[index].size} bytes does not tile "
                        f"a region of {region.length} bytes"
                    )

    def spans(self) -> Iterator[tuple[int, int, tuple[EraseType, ...]]]:
        """(start, end, erase types smallest first) of every region, from address 0 up."""
        start = 0
        for region in self.regions:
            types = sorted((self.erase_types[i] for i in region.types), key=lambda t: t.size)
            yield start, start + region.length, tuple(types)
            start += region.length

    def begins(self, start: int, kind: EraseType) -> bool:
        """Whether a block of `kind` begins at `start`: at multiples of its size, and at a region
        that is one block, such as the rest of a larger block beside small sectors (S25FS)."""
        end = start + kind.size
        return start % kind.size == 0 or any((start, end) == span[:2] for span in self.spans())
