"""What follows from SFDP: a `Geometry`, and answers in the words of the chip table. Pure.

Rules that live here: an erase type is offered only where each of its blocks lies wholly within
the place it is listed for, and one listed for a place smaller than its block erases that place
only (JESD216F 6.5: an erase does not reach beyond its region). The erase map always tiles the chip,
whatever the tables say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from chipdb.part import FourByte
from spiflash.nor.geometry import (
    Duration,
    EraseRegion,
    EraseType,
    Geometry,
    GeometryError,
    ProgramMethod,
)
from spiflash.nor.sfdp import Configuration, MapRegion, Sfdp
from spiflash.nor.sfdp.basic import AddressBytes, EnterFourByte, ExitFourByte, QuadEnable
from spiflash.nor.sfdp.headers import SfdpError


@dataclass(frozen=True, slots=True)
class Assumed:
    """Values to use where the tables say nothing; `Sfdp.missing` says where.

    The values are common practice for 3 V and 1.8 V chips (no source): a page of 256 bytes, and
    times with generous maxima, so that waiting ends in an error only if something is wrong.
    """

    page: int = 256
    program: Duration = field(default=Duration(1e-3, 10e-3))
    erase_4k: Duration = field(default=Duration(0.1, 1.0))
    erase_per_64k: Duration = field(default=Duration(0.5, 4.0))

    def erase(self, size: int) -> Duration:
        """Time for an erase of `size` bytes: the larger blocks in proportion."""
        if size <= 4096:
            return self.erase_4k
        parts = max(1.0, size / 65536)
        return Duration(self.erase_per_64k.typical * parts, self.erase_per_64k.maximum * parts)


ASSUMED = Assumed()


def to_geometry(
    sfdp: Sfdp,
    answers: Sequence[int] | None = None,
    *,
    map_bits: int = 0,
    chip_erase_opcode: int | None = None,
    assumed: Assumed = ASSUMED,
) -> Geometry:
    """The geometry that the tables describe.

    `answers` are the bytes read by the sector map's detection commands; `map_bits` are set in the
    number that they make (`Part.map_bits`). Without them a chip with several configurations gets
    only what holds in all of them. SFDP gives no chip erase opcode (and
    each die of a stack may need its own), so there is a chip erase only if the caller gives its
    opcode and the table its time.

    Raises `SfdpError` if the tables give no erase map.
    """
    basic = sfdp.basic
    types = _types(sfdp, assumed)
    if sfdp.sector_map is None:
        types = {n: kind for n, kind in types.items() if basic.size % kind.size == 0}
    if not types:
        raise SfdpError("the tables have no erase type that tiles the chip")
    pieces: list[tuple[int, list[EraseType]]] = []
    start = 0
    for region in _regions(sfdp, answers, map_bits, tuple(types)):
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
    """Erase types by number; 0 is the 4 KiB erase of the 1st DWORD if no type lists it."""
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
    sfdp: Sfdp, answers: Sequence[int] | None, map_bits: int, numbers: tuple[int, ...]
) -> tuple[MapRegion, ...]:
    size = sfdp.basic.size
    if sfdp.sector_map is None:
        return (MapRegion(size, numbers),)
    configurations = sfdp.sector_map.configurations
    if not configurations:
        raise SfdpError("the sector map describes no configuration")
    chosen = sfdp.sector_map.select(answers or (), map_bits)
    if answers is not None and chosen is None:
        raise SfdpError("the sector map has no configuration for the chip's answers")
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
    """Cut a region where blocks of some type end, and list the types that work in each piece.

    A block of which only a part lies in the region becomes a type of the size of that part.
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
    """Regions by index into `kinds`; equal neighbours become one if their blocks stay aligned."""
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


_QUAD_ENABLE = {
    QuadEnable.NONE: "none",
    QuadEnable.SR2_BIT1_SHORT_WRITE_CLEARS: "sr2.1",
    QuadEnable.SR1_BIT6: "sr1.6",
    QuadEnable.SR2_BIT7: "sr2.7",
    QuadEnable.SR2_BIT1: "sr2.1",
    QuadEnable.SR2_BIT1_READABLE: "sr2.1",
    QuadEnable.SR2_BIT1_OWN_WRITE: "sr2.1",
}


def four_byte_methods(sfdp: Sfdp) -> tuple[FourByte, ...]:
    """Methods to address more than 16 MiB, preferred ones first; () if SFDP lists none or the chip
    is not larger.

    The opcodes count only if the table has both a read (13h or 0Ch) and a program (12h).
    """
    if sfdp.basic.size <= 1 << 24 and sfdp.basic.address is AddressBytes.THREE:
        return ()
    enter = sfdp.basic.enter_four_byte or EnterFourByte(0)
    table = sfdp.four_byte
    opcodes = (
        table is not None
        and table.supports(0x12)
        and (table.supports(0x13) or table.supports(0x0C))
    )
    always = sfdp.basic.address is AddressBytes.FOUR or EnterFourByte.ALWAYS in enter
    known = (
        (FourByte.ALWAYS, always),
        (FourByte.OPCODES, opcodes),
        (FourByte.ENTER, EnterFourByte.B7H in enter),
        (FourByte.ENTER_WREN, EnterFourByte.WREN_B7H in enter),
        (FourByte.EXTENDED_REGISTER, EnterFourByte.EXTENDED_REGISTER in enter),
        (FourByte.BANK_REGISTER, EnterFourByte.BANK_REGISTER in enter),
    )
    return tuple(method for method, there in known if there)


_SOFTWARE_EXITS = (
    ExitFourByte.E9H
    | ExitFourByte.WREN_E9H
    | ExitFourByte.EXTENDED_REGISTER
    | ExitFourByte.BANK_REGISTER
    | ExitFourByte.CONFIGURATION
)


def leaves_with_e9h(sfdp: Sfdp) -> bool | None:
    """Whether E9h ends 4-byte mode; None if the tables list no exit at all."""
    ways = sfdp.basic.exit_four_byte or ExitFourByte(0)
    if not ways & _SOFTWARE_EXITS:
        return None
    return bool(ways & (ExitFourByte.E9H | ExitFourByte.WREN_E9H))


def leaves_by_bank(sfdp: Sfdp | None) -> bool:
    """Whether bit 7 of the bank register (17h) ends 4-byte mode."""
    ways = (sfdp and sfdp.basic.exit_four_byte) or ExitFourByte(0)
    return ExitFourByte.BANK_REGISTER in ways


def mode_needs_write_enable(sfdp: Sfdp) -> bool | None:
    """Whether B7h needs 06h before it; None if the tables do not list B7h."""
    ways = sfdp.basic.enter_four_byte or EnterFourByte(0)
    if EnterFourByte.B7H in ways:
        return False
    return True if EnterFourByte.WREN_B7H in ways else None


def quad_enable(sfdp: Sfdp) -> str:
    """Register and bit of the quad enable bit, "none", or "unknown"."""
    requirement = sfdp.basic.quad_enable
    return "unknown" if requirement is None else _QUAD_ENABLE.get(requirement, "unknown")
