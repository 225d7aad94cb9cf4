"""From SFDP to a `Geometry`: erase maps that tile the chip, whatever the tables say.

Rules that live here: an erase type is offered only where each of its blocks lies wholly within
the place it is listed for, and one listed for a place smaller than its block erases that place
only (JESD216F 6.5: an erase does not reach beyond its region).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from spiflash.nor.geometry import (
    EraseRegion,
    EraseType,
    Geometry,
    GeometryError,
    ProgramMethod,
    Span,
)
from spiflash.nor.sfdp.errors import SfdpError
from spiflash.nor.sfdp.sectormap import Configuration, MapRegion
from spiflash.nor.sfdp.table import Sfdp


@dataclass(frozen=True, slots=True)
class Assumed:
    """What to go by where the tables say nothing; `Sfdp.missing` tells when.

    The values are common practice for 3 V and 1.8 V chips (no source): a page of 256 bytes, and
    times with ample maxima, so that a wait ends in an error only when something is wrong.
    """

    page: int = 256
    program: Span = field(default=Span(1e-3, 10e-3))
    erase_4k: Span = field(default=Span(0.1, 1.0))
    erase_per_64k: Span = field(default=Span(0.5, 4.0))

    def erase(self, size: int) -> Span:
        """Time for an erase of `size` bytes: the larger blocks in proportion."""
        if size <= 4096:
            return self.erase_4k
        parts = max(1.0, size / 65536)
        return Span(self.erase_per_64k.typical * parts, self.erase_per_64k.maximum * parts)


ASSUMED = Assumed()


def to_geometry(
    sfdp: Sfdp,
    answers: Sequence[int] | None = None,
    *,
    chip_erase_opcode: int | None = None,
    assumed: Assumed = ASSUMED,
) -> Geometry:
    """The geometry that the tables describe.

    `answers` are the bytes read by the sector map's detection commands. Without them a chip with
    several configurations gets only what holds in all of them. SFDP gives no chip erase opcode
    (and dies of a stack may each want their own), so there is a chip erase only when the caller
    names its opcode and the table its time.

    Raises `SfdpError` when no erase map follows from the tables.
    """
    basic = sfdp.basic
    types = _types(sfdp, assumed)
    if sfdp.sector_map is None:
        types = {n: kind for n, kind in types.items() if basic.size % kind.size == 0}
    if not types:
        raise SfdpError("the tables name no erase type that tiles the chip")
    pieces: list[tuple[int, list[EraseType]]] = []
    start = 0
    for region in _regions(sfdp, answers, tuple(types)):
        pieces += _tile(
            start, start + region.length, [types[n] for n in region.erases if n in types]
        )
        start += region.length
    kinds = sorted(
        {kind for _, usable in pieces for kind in usable}, key=lambda kind: (kind.size, kind.opcode)
    )
    if not all(usable for _, usable in pieces):
        raise SfdpError("no erase type fits part of the chip")
    page = assumed.page if basic.page is None else basic.page
    program = basic.page_program or assumed.program
    method = ProgramMethod.PAGE
    if not basic.buffered:
        method = ProgramMethod.BYTE
        program = basic.byte_program_first or assumed.program
    chip_erase = None
    if chip_erase_opcode is not None and basic.chip_erase is not None:
        chip_erase = EraseType(basic.size, chip_erase_opcode, basic.chip_erase)
    try:
        return Geometry(
            size=basic.size,
            page=page,
            erase_types=tuple(kinds),
            regions=_merged(pieces, kinds),
            program=program,
            chip_erase=chip_erase,
            method=method,
        )
    except GeometryError as error:
        raise SfdpError(f"the erase map does not fit the chip: {error}") from error


def _types(sfdp: Sfdp, assumed: Assumed) -> dict[int, EraseType]:
    """Erase types by number; 0 is the 4 KiB erase of the 1st DWORD where no type lists it."""
    basic = sfdp.basic
    four = (None,) * 4 if sfdp.four_byte is None else sfdp.four_byte.erases
    found = {
        erase.number: EraseType(
            erase.size,
            erase.opcode,
            erase.time or assumed.erase(erase.size),
            four[erase.number - 1],
        )
        for erase in basic.erases
    }
    if (
        basic.uniform_4k
        and basic.opcode_4k is not None
        and not any(kind.size == 4096 for kind in found.values())
    ):
        found[0] = EraseType(4096, basic.opcode_4k, assumed.erase(4096))
    return found


def _regions(
    sfdp: Sfdp, answers: Sequence[int] | None, numbers: tuple[int, ...]
) -> tuple[MapRegion, ...]:
    size = sfdp.basic.size
    if sfdp.sector_map is None:
        return (MapRegion(size, numbers),)
    configurations = sfdp.sector_map.configurations
    if not configurations:
        raise SfdpError("the sector map describes no configuration")
    chosen = sfdp.sector_map.select(answers or ())
    if answers is not None and chosen is None:
        raise SfdpError("the sector map has no configuration for what the chip answered")
    candidates = configurations if chosen is None else (chosen,)
    for one in candidates:
        if one.size != size:
            raise SfdpError(
                f"configuration {one.id} of the sector map covers {one.size} bytes of {size}"
            )
    return _common(candidates)


def _common(configurations: Sequence[Configuration]) -> tuple[MapRegion, ...]:
    """The regions in which the same erase types work in every configuration."""
    tables = []
    for one in configurations:
        ends, at = [], 0
        for region in one.regions:
            at += region.length
            ends.append((at, set(region.erases)))
        tables.append(ends)
    found = []
    start = 0
    for end in sorted({end for ends in tables for end, _ in ends}):
        works = [next(types for limit, types in ends if limit >= end) for ends in tables]
        found.append(MapRegion(end - start, tuple(sorted(set.intersection(*works)))))
        start = end
    return tuple(found)


def _tile(start: int, end: int, types: list[EraseType]) -> list[tuple[int, list[EraseType]]]:
    """Cut a region where blocks of some type end, and say what works in each piece.

    A block that the region cuts off becomes a type of the size of what is left of it.
    """
    cuts = {start, end}
    for kind in types:
        first, last = -(-start // kind.size) * kind.size, end // kind.size * kind.size
        cuts |= {cut for cut in (first, last) if start < cut < end}
    places = sorted(cuts)
    pieces = []
    for low, high in pairwise(places):
        usable = []
        for kind in types:
            if low % kind.size == 0 and high % kind.size == 0:
                usable.append(kind)
                continue
            block = low // kind.size * kind.size
            if max(start, block) == low and min(end, block + kind.size) == high:
                usable.append(EraseType(high - low, kind.opcode, kind.time, kind.opcode_4byte))
        pieces.append((high - low, usable))
    return pieces


def _merged(
    pieces: list[tuple[int, list[EraseType]]], kinds: list[EraseType]
) -> tuple[EraseRegion, ...]:
    """Regions by index into `kinds`; equal neighbours become one where blocks still line up."""
    found: list[EraseRegion] = []
    start = 0
    for length, usable in pieces:
        indices = tuple(sorted(kinds.index(kind) for kind in usable))
        before = found[-1] if found else None
        if before and before.types == indices and all(start % kind.size == 0 for kind in usable):
            found[-1] = EraseRegion(before.length + length, indices)
        else:
            found.append(EraseRegion(length, indices))
        start += length
    return tuple(found)
