"""Compare a chip with an image, in passes, and say where they differ."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image, overlay
from spiflash.jobs.progress import Watcher
from spiflash.jobs.reading import Reading, disagreements, read_only
from spiflash.nor.geometry import SECTOR


@dataclass(frozen=True, slots=True)
class Verified:
    """`differing` and `unsure` are (start, end) ranges of whole sectors, end excluded: where
    the chip holds something else, and where readings do not agree."""

    reading: Reading
    compared: int
    differing: tuple[tuple[int, int], ...]
    unsure: tuple[tuple[int, int], ...]

    @property
    def equal(self) -> bool:
        """Whether the chip holds the image, for sure."""
        return not self.differing and not self.unsure


def verify(
    connection: Connection, image: Image, watcher: Watcher, *, at: int = 0, passes: int = 2
) -> Verified:
    """Read the chip in passes and compare it with `image` at address `at`."""
    overlay(bytes(connection.chip.size), image, at)
    reading = read_only(connection, passes, watcher)
    expected = overlay(reading.contents, image, at)
    wrong = set(disagreements([reading.contents, expected]))
    inside = range(at // SECTOR * SECTOR, at + len(image.contents), SECTOR)
    unsure = [start for start in reading.unstable if start in inside]
    return Verified(
        reading,
        len(image.contents),
        ranges(sorted(wrong.difference(unsure))),
        ranges(unsure),
    )


def ranges(sectors: list[int]) -> tuple[tuple[int, int], ...]:
    """Ascending sector addresses as (start, end) ranges."""
    found: list[tuple[int, int]] = []
    for start in sectors:
        if found and found[-1][1] == start:
            found[-1] = (found[-1][0], start + SECTOR)
        else:
            found.append((start, start + SECTOR))
    return tuple(found)
