"""The sector map table, ID FF81h (JESD216F section 6.5): erase maps that differ from place to
place, and from one configuration of the chip to another.

The table is a list of descriptors. Command descriptors say which bits to read from the chip;
each yields one bit of the configuration number, the first command the highest. Map descriptors
give the regions of one configuration. Bit positions from memory of the standard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.nor.sfdp.fields import bits, flag


@dataclass(frozen=True, slots=True)
class Detection:
    """One read that tells configurations apart.

    Send `opcode` and `address` in `address_bytes` bytes, wait `dummy` clocks, read one byte and
    keep the bits in `mask`. `address_bytes` or `dummy` None: as the chip is set up at the time.
    """

    opcode: int
    address: int
    address_bytes: int | None
    dummy: int | None
    mask: int

    def bit(self, answer: int) -> bool:
        """The configuration bit that `answer`, the byte read, stands for."""
        return bool(answer & self.mask)


@dataclass(frozen=True, slots=True)
class MapRegion:
    """A stretch of `length` bytes; `erases` are the numbers (1 to 4) of the erase types that
    work in it."""

    length: int
    erases: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Configuration:
    """The regions of one configuration, from address 0 up."""

    id: int
    regions: tuple[MapRegion, ...]

    @property
    def size(self) -> int:
        """Sum of the regions, in bytes."""
        return sum(region.length for region in self.regions)


@dataclass(frozen=True, slots=True)
class SectorMap:
    """Every configuration that the table describes, and how to find out which one holds."""

    detections: tuple[Detection, ...]
    configurations: tuple[Configuration, ...]

    def select(self, answers: Sequence[int]) -> Configuration | None:
        """The configuration for the bytes read by `detections`, in the same order.

        None when no configuration has the number that they make, or an answer is missing. A chip
        with a single configuration needs no answers.
        """
        if not self.detections and len(self.configurations) == 1:
            return self.configurations[0]
        if len(answers) != len(self.detections):
            return None
        number = 0
        for detection, answer in zip(self.detections, answers, strict=True):
            number = number << 1 | detection.bit(answer)
        return next((one for one in self.configurations if one.id == number), None)


def sector_map(table: tuple[int, ...]) -> tuple[SectorMap, tuple[str, ...]]:
    """Decode the descriptors; the second value lists what is wrong with them."""
    detections: list[Detection] = []
    configurations: list[Configuration] = []
    faults: list[str] = []
    at = 0
    last = False
    while at < len(table) and not last:
        head = table[at]
        last = flag(head, 0)
        if flag(head, 1):
            count = bits(head, 23, 16) + 1
            body = table[at + 1 : at + 1 + count]
            if len(body) < count:
                faults.append("a sector map descriptor is cut off")
                break
            configurations.append(
                Configuration(bits(head, 15, 8), tuple(_region(dword) for dword in body))
            )
            at += 1 + count
        else:
            if at + 1 >= len(table):
                faults.append("a configuration detection command is cut off")
                break
            detections.append(_detection(head, table[at + 1]))
            # The end flag of a command ends the commands, that of a map ends the table.
            last = False
            at += 2
    if not configurations:
        faults.append("the sector map describes no configuration")
    elif not last and not any("cut off" in fault for fault in faults):
        faults.append("the sector map has no last descriptor")
    return SectorMap(tuple(detections), tuple(configurations)), tuple(faults)


def _detection(head: int, address: int) -> Detection:
    dummy = bits(head, 19, 16)
    return Detection(
        opcode=bits(head, 15, 8),
        address=address,
        address_bytes=(0, 3, 4, None)[bits(head, 23, 22)],
        dummy=None if dummy == 15 else dummy,
        mask=bits(head, 31, 24),
    )


def _region(dword: int) -> MapRegion:
    return MapRegion(
        length=(bits(dword, 31, 8) + 1) * 256,
        erases=tuple(number for number in range(1, 5) if flag(dword, number - 1)),
    )
