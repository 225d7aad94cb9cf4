"""The erase map and the times of this very chip. Pure.

The rules that live here: of several parts that a chip may be, the erases that all have count, with
the slowest times; where a part can be set up in several ways, the chip's own answers count (SFDP's
sector map, the bit that turns the map round); an erase of which table and SFDP say different sizes
is left out where others work; no limit is below the chip's own SFDP.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from chipdb.part import EraseRegion, EraseType, Part, Span
from spiflash.nor.chip import Answers
from spiflash.nor.geometry import Geometry, ProgramMethod
from spiflash.nor.scheme import MIRRORING
from spiflash.nor.sfdp import Sfdp, to_geometry

WIDE_ERASES = {0x20: 0x21, 0x52: 0x5C, 0xD8: 0xDC}
"""Erase opcodes and those that do the same with four address bytes (JESD216F, 6.6)."""


def geometry_of(part: Part) -> Geometry:
    """The erase map and times of a chip table entry."""
    chip_erase = None
    if part.chip_erase_opcode is not None and part.chip_erase is not None:
        chip_erase = EraseType(part.size, part.chip_erase_opcode, part.chip_erase)
    return Geometry(
        part.size,
        part.page,
        part.erase_types,
        part.regions,
        part.program,
        chip_erase,
        part.program_method,
        part.needs_erase,
        part.programs_once,
    )


def erase_map(part: Part) -> tuple[frozenset[tuple[int, int]], ...]:
    """(size, opcode) of the erases that work in each region."""
    return tuple(
        frozenset((part.erase_types[i].size, part.erase_types[i].opcode) for i in region.types)
        for region in part.regions
    )


def shared_erases(parts: Sequence[Part]) -> list[frozenset[tuple[int, int]]]:
    """For each region (alike in all parts): the (size, opcode) of erases that work in all."""
    return [
        frozenset.intersection(*columns) for columns in zip(*map(erase_map, parts), strict=True)
    ]


def careful_geometry(parts: Sequence[Part]) -> Geometry:
    """One geometry for parts whose regions are alike: the erases that all have, with the
    slowest times of all."""
    maps = [geometry_of(part) for part in parts]
    base = maps[0]

    def slowest(erase: EraseType) -> EraseType:
        same = [
            e
            for m in maps
            for e in m.erase_types
            if (e.size, e.opcode) == (erase.size, erase.opcode)
        ]
        fours = {e.opcode_4byte for e in same}
        return replace(
            erase,
            time=_slower([e.time for e in same]),
            opcode_4byte=fours.pop() if len(fours) == 1 else None,
        )

    common = shared_erases(parts)
    regions = tuple(
        EraseRegion(
            region.length,
            tuple(
                i
                for i in region.types
                if (base.erase_types[i].size, base.erase_types[i].opcode) in works
            ),
        )
        for region, works in zip(base.regions, common, strict=True)
    )
    chips = [m.chip_erase for m in maps if m.chip_erase is not None]
    return replace(
        base,
        erase_types=tuple(slowest(erase) for erase in base.erase_types),
        regions=regions,
        program=_slower([m.program for m in maps]),
        programs_once=any(m.programs_once for m in maps),
        chip_erase=replace(chips[0], time=_slower([c.time for c in chips]))
        if len(chips) == len(maps) and len({c.opcode for c in chips}) == 1
        else None,
    )


def _slower(spans: Sequence[Span]) -> Span:
    return Span(max(s.typical for s in spans), max(s.maximum for s in spans))


def erases_known(parts: Sequence[Part], sfdp: Sfdp | None) -> tuple[tuple[int, int], ...]:
    """(opcode, bytes) of every block erase that any of `parts` or the chip's SFDP has."""
    found = set() if sfdp is None else set(sfdp.erases())
    for kind in (kind for part in parts for kind in part.erase_types):
        found |= {
            (code, kind.size) for code in (kind.opcode, kind.opcode_4byte) if code is not None
        }
    return tuple(sorted(found))


def is_mirrored(parts: Sequence[Part], answers: Answers) -> bool | None:
    """Whether a bit of this very chip turns the erase map of the table round; None where parts
    have such a bit and it was not read."""
    places = {part.mirrored_by for part in parts} - {""}
    if not places or all(len(part.regions) < 2 for part in parts):
        return False
    if len(places) > 1 or not all(part.mirrored_by for part in parts):
        return None
    register, mask = MIRRORING[places.pop()]
    values = [value for name, value in answers.registers if name == register.name]
    return bool(values[0] & mask) if values else None


def as_set_up(geometry: Geometry, sfdp: Sfdp, answers: Sequence[int] | None) -> Geometry:
    """The erase map that this very chip has, where its SFDP has a sector map: such parts can be
    set up in several ways (S25FS, S25H), and the table knows only the one they leave the factory
    with. Times and 4-byte opcodes stay the table's where it has that erase.

    Raises `SfdpError` when the map does not cover the chip, or nothing can be erased alike in all
    the ways in which it may be set up.
    """
    if sfdp.sector_map is None or not sfdp.sector_map.configurations:
        return geometry
    mapped = to_geometry(sfdp, answers)
    ours = {(kind.size, kind.opcode): kind for kind in geometry.erase_types}
    wide = {kind.opcode: kind.opcode_4byte for kind in geometry.erase_types}

    def known(kind: EraseType) -> EraseType:
        same = ours.get((kind.size, kind.opcode))
        if same is not None:
            return same
        opcode_4byte = wide.get(kind.opcode, kind.opcode_4byte)
        if opcode_4byte == kind.opcode:
            # The kernel (spansion.c, s25hx_t_post_sfdp_fixup): some list the 3-byte opcodes here.
            opcode_4byte = WIDE_ERASES.get(kind.opcode)
        return replace(kind, opcode_4byte=opcode_4byte)

    return replace(
        geometry,
        erase_types=tuple(known(kind) for kind in mapped.erase_types),
        regions=mapped.regions,
    )


def undisputed(geometry: Geometry, sfdp: Sfdp) -> tuple[Geometry, str]:
    """The same without erases of which the chip's own SFDP says another size than the table, as
    long as others work everywhere; and a note where there are such. Where one size is wrong nobody
    knows which, and an erase that is larger than believed takes its neighbours with it.

    Chips with a sector map are not looked at: there one opcode erases blocks of several sizes.
    """
    if sfdp.sector_map is not None:
        return geometry, ""
    said: dict[int, set[int]] = {}
    for opcode, size in sfdp.erases():
        said.setdefault(opcode, set()).add(size)
    disputed = {
        index
        for index, kind in enumerate(geometry.erase_types)
        if kind.opcode in said and kind.size not in said[kind.opcode]
    }
    if not disputed:
        return geometry, ""
    kinds = [geometry.erase_types[index] for index in sorted(disputed)]
    note = "; ".join(
        f"the table says that {kind.opcode:02X}h erases {kind.size} bytes, SFDP says "
        + " or ".join(str(size) for size in sorted(said[kind.opcode]))
        for kind in kinds
    )
    kept = tuple(
        replace(region, types=tuple(i for i in region.types if i not in disputed))
        for region in geometry.regions
    )
    if not all(region.types for region in kept):
        return geometry, f"{note}; there is no other erase"
    return replace(geometry, regions=kept), f"{note}; it is not used"


def no_faster_than(geometry: Geometry, sfdp: Sfdp) -> Geometry:
    """The same with no limit below the one that the chip's own SFDP gives: waiting longer costs
    nothing, and giving up too early leaves a block half done."""
    limits = [(e.opcode, e.time.maximum) for e in sfdp.basic.erases if e.time is not None]

    def slow(span: Span, limit: float | None) -> Span:
        return span if limit is None else Span(span.typical, max(span.maximum, limit))

    def erase(kind: EraseType) -> EraseType:
        # What smaller sectors leave of a block (S25FS) takes no longer than the whole block.
        limit = max((t for opcode, t in limits if opcode == kind.opcode), default=None)
        return replace(kind, time=slow(kind.time, limit))

    program, chip = sfdp.basic.page_program, sfdp.basic.chip_erase
    if geometry.method is not ProgramMethod.PAGE:
        program = None
    whole = geometry.chip_erase
    if whole is not None and chip is not None:
        whole = replace(whole, time=slow(whole.time, chip.maximum))
    return replace(
        geometry,
        erase_types=tuple(erase(kind) for kind in geometry.erase_types),
        program=slow(geometry.program, None if program is None else program.maximum),
        chip_erase=whole,
    )
