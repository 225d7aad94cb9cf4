"""Several parts with one ID: the figures that are safe for each of them. Pure.

The rules that live here: parts that agree on everything that matters for writing are treated as
one; parts that differ in what matters for reading have to be named by a person; anything between
may be read but not written. Of the erases only those that all parts have are used, with the slowest
times. Where a part can be set up in several ways, the chip's own answers decide (SFDP's sector map,
the bit that mirrors the erase map); an erase for which table and SFDP give different sizes is left
out where others work; no limit is below the chip's own SFDP. No evidence excludes a part when it
comes to the supply.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import takewhile
from typing import TypeVar

from chipdb.part import Duration, EraseRegion, EraseType, FourByte, Part
from spiflash.errors import ChipAmbiguousError
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.chip import Answers, Chip
from spiflash.nor.geometry import Geometry, ProgramMethod
from spiflash.nor.scheme import MIRRORING
from spiflash.nor.sfdp import Sfdp
from spiflash.nor.sfdp.derived import (
    leaves_by_bank,
    leaves_with_e9h,
    mode_needs_write_enable,
    to_geometry,
)
from spiflash.nor.sfdp.headers import SfdpError
from spiflash.text import amount


def chip_of(
    answers: Answers, parts: Sequence[Part], sfdp: Sfdp | None, complaint: str, how: str
) -> Chip:
    """The chip that gave `answers` and is one of `parts`: each figure is safe for all of them.

    `complaint` says why its SFDP cannot be used ("": it can, or there is none), `how` what
    identified it. Raises `ChipAmbiguousError` if the parts cannot be read in the same way.
    """
    _refuse_unlike(parts)
    first = parts[0]
    differ = _differences_for_writing(parts)
    same = len(parts) == 1
    notes = [*(first.notes if same else ()), *([complaint] if complaint else ())]
    doubt = first.refused
    if differ:
        doubt = (
            f"{joined_names(parts)} share this ID and differ in {', '.join(differ)}; "
            "name the right one with --part"
        )
    if sfdp is not None and sfdp.basic.size != first.size:
        notes.append(
            f"SFDP gives a size of {amount(sfdp.basic.size)}, the chip table {amount(first.size)}"
        )
    if not differ and len({_erase_map(part) for part in parts}) > 1:
        notes.append("Only erases that all of these parts have are used")
    geometry = geometry_of(first) if differ else _careful_geometry(parts)
    has_map = sfdp is not None and sfdp.sector_map is not None
    mirrored = False if has_map else _is_mirrored(parts, answers)
    if mirrored:
        geometry = replace(geometry, regions=geometry.regions[::-1])
    elif mirrored is None:
        doubt = doubt or "it could not be read at which end its small sectors are"
    if sfdp is not None and sfdp.basic.size == first.size:
        try:
            bits = first.map_bits if same else 0
            geometry = _as_set_up(geometry, sfdp, answers.sector_map, bits)
        except SfdpError as exc:
            doubt = doubt or (
                f"its sector layout could not be found out ({exc}), and an erase might clear "
                "more than it should"
            )
        geometry, dispute = _undisputed(_no_faster_than(geometry, sfdp), sfdp)
        if dispute:
            notes.append(dispute[0].upper() + dispute[1:])
    four_byte = _common_four_byte_methods(parts, sfdp)
    return Chip(
        name=first.name if same else _family_name(parts),
        vendor=" or ".join(_vendors(parts)),
        answers=answers,
        geometry=geometry,
        protection_schemes=tuple(sorted({part.protection for part in parts})),
        quad_enable=_shared([part.quad_enable for part in parts]) or "unknown",
        four_byte=four_byte,
        exit_4byte=_exit_opcode(parts, sfdp),
        leaves_by_bank=leaves_by_bank(sfdp),
        clock_read=min(part.clock_read for part in parts),
        clock_fast=min(part.clock_fast for part in parts),
        fast_read_dummy=_fast_read_dummy(first, four_byte),
        supply=common_supply(parts),
        supplies=supplies(parts),
        unique_id=_shared([part.unique_id for part in parts]),
        security=_shared([part.security for part in parts]),
        locked_at_power_up=any(part.locked_at_power_up for part in parts),
        status_write_volatile=all(part.status_write_volatile for part in parts),
        part=first if same else None,
        candidates=tuple(part.name for part in parts),
        how=how,
        sfdp=sfdp,
        write_doubt=doubt,
        notes=tuple(notes),
        erases_known=_erases_known(parts, sfdp),
    )


# -- what they have in common --------------------------------------------------------------------

LEAST_PREFIX = 5
"""Characters that names must share to be called a family."""

COMMON_EXIT = 0xE9

_T = TypeVar("_T")


def joined_names(parts: Sequence[Part]) -> str:
    """All names, for a sentence."""
    return " or ".join(part.name for part in parts)


def _family_name(parts: Sequence[Part]) -> str:
    """One short name for several parts: what most of their names begin with, or else all names."""
    vendor = _vendors(parts)[0]
    same = [part.name for part in parts if part.vendor == vendor]
    columns = takewhile(lambda column: len(set(column)) == 1, zip(*same, strict=False))
    prefix = "".join(column[0] for column in columns)
    if len(same) > 1 and len(prefix) >= LEAST_PREFIX:
        return f"{prefix} family"
    return joined_names(parts)


def _vendors(parts: Sequence[Part]) -> list[str]:
    """Each vendor once, the one with most parts first."""
    return [vendor for vendor, _ in Counter(part.vendor for part in parts).most_common()]


_Aspects = tuple[tuple[str, Callable[[Part], object]], ...]

_FOR_READING: _Aspects = (
    ("size", lambda p: p.size),
    ("dummy bytes of the fast read", lambda p: (p.fast_read_dummy, p.fast_read_dummy_4byte)),
    # Pages of 528 bytes have a completely different addressing scheme.
    ("addresses", lambda p: p.program_method.value == "page-528"),
)

_FOR_WRITING: _Aspects = (
    ("page size", lambda p: p.page),
    ("program method", lambda p: p.program_method),
    ("erase regions", lambda p: tuple(region.length for region in p.regions)),
    ("lock at power-up", lambda p: p.locked_at_power_up),
    ("refusal", lambda p: p.refused),
)
"""What parts must agree on before one of them may be written as if it were the other."""


def _refuse_unlike(parts: Sequence[Part]) -> None:
    """Raise `ChipAmbiguousError` if the parts cannot even be read in the same way."""
    differ = _differ(parts, _FOR_READING)
    methods = [frozenset(part.four_byte) for part in parts if part.size > THREE_BYTE_REACH]
    if methods and not frozenset.intersection(*methods):
        differ.append("addresses above 16 MiB")
    if differ:
        raise ChipAmbiguousError(
            f"{joined_names(parts)} share this ID and differ in {', '.join(differ)}.",
            state="Nothing has been changed on the chip; no contents have been read.",
            remedy="Read the marking on the package and name the right one with --part.",
        )


def _differences_for_writing(parts: Sequence[Part]) -> list[str]:
    """The differences between the parts that matter for erasing and programming.

    The parts need not have the same erases: those that all have are enough.
    """
    found = _differ(parts, _FOR_WRITING)
    if not found and not all(_shared_erases(parts)):
        found.append("erase map")
    return found


def _common_four_byte_methods(parts: Sequence[Part], sfdp: Sfdp | None) -> tuple[FourByte, ...]:
    """Methods above 16 MiB that all of `parts` have, preferred ones first. Whether B7h needs 06h
    before it is decided by the chip's own SFDP, if it says so."""
    methods = tuple(m for m in parts[0].four_byte if all(m in p.four_byte for p in parts))
    wants = None if sfdp is None else mode_needs_write_enable(sfdp)
    if wants is None:
        return methods
    right = FourByte.ENTER_WREN if wants else FourByte.ENTER
    return tuple(right if m in (FourByte.ENTER, FourByte.ENTER_WREN) else m for m in methods)


def _exit_opcode(parts: Sequence[Part], sfdp: Sfdp | None) -> int | None:
    """The opcode that ends 4-byte mode on all of `parts`; None if they differ, or if the chip's
    SFDP lists exits and E9h, the table's default, is not among them."""
    opcode = _shared([part.exit_4byte for part in parts])
    if opcode == COMMON_EXIT and sfdp is not None and leaves_with_e9h(sfdp) is False:
        return None
    return opcode


def _fast_read_dummy(part: Part, methods: Sequence[FourByte]) -> int:
    """Dummy bytes of the fast read that is used with the first of `methods`: 0Ch or 0Bh."""
    if part.size > THREE_BYTE_REACH and tuple(methods[:1]) == (FourByte.OPCODES,):
        wide = part.fast_read_dummy_4byte
        return part.fast_read_dummy if wide is None else wide
    return part.fast_read_dummy


def common_supply(parts: Sequence[Part]) -> tuple[float, float] | None:
    """The volts that all of the parts tolerate; None if they have no range in common."""
    low, high = max(p.supply[0] for p in parts), min(p.supply[1] for p in parts)
    return (low, high) if low < high else None


def supplies(parts: Sequence[Part]) -> tuple[tuple[tuple[str, ...], tuple[float, float]], ...]:
    """(names, volts) for each range of supply among the parts, the lowest first."""
    spans = sorted({part.supply for part in parts}, key=lambda span: (span[1], span[0]))
    return tuple(
        (tuple(dict.fromkeys(p.name for p in parts if p.supply == span)), span) for span in spans
    )


def _differ(parts: Sequence[Part], aspects: _Aspects) -> list[str]:
    return [name for name, value in aspects if len({value(part) for part in parts}) > 1]


def _shared(values: Sequence[_T | None]) -> _T | None:
    """The value if all candidates have the same one."""
    return values[0] if all(value == values[0] for value in values) else None


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


def _erase_map(part: Part) -> tuple[frozenset[tuple[int, int]], ...]:
    """(size, opcode) of the erases that work in each region."""
    return tuple(
        frozenset(_kind(part.erase_types[i]) for i in region.types) for region in part.regions
    )


def _kind(erase: EraseType) -> tuple[int, int]:
    return erase.size, erase.opcode


def _shared_erases(parts: Sequence[Part]) -> list[frozenset[tuple[int, int]]]:
    """For each region (alike in all parts): the (size, opcode) of erases that work in all."""
    return [
        frozenset.intersection(*columns) for columns in zip(*map(_erase_map, parts), strict=True)
    ]


def _careful_geometry(parts: Sequence[Part]) -> Geometry:
    """One geometry for parts whose regions are alike: the erases that all have, with the
    slowest times of all."""
    maps = [geometry_of(part) for part in parts]
    base = maps[0]

    def slowest(erase: EraseType) -> EraseType:
        same = [each for m in maps for each in m.erase_types if _kind(each) == _kind(erase)]
        return replace(
            erase,
            time=_slower([each.time for each in same]),
            opcode_4byte=_shared([each.opcode_4byte for each in same]),
        )

    regions = tuple(
        EraseRegion(
            region.length, tuple(i for i in region.types if _kind(base.erase_types[i]) in works)
        )
        for region, works in zip(base.regions, _shared_erases(parts), strict=True)
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


def _slower(spans: Sequence[Duration]) -> Duration:
    return Duration(max(s.typical for s in spans), max(s.maximum for s in spans))


def _erases_known(parts: Sequence[Part], sfdp: Sfdp | None) -> tuple[tuple[int, int], ...]:
    """(opcode, bytes) of every block erase that any of `parts` or the chip's SFDP has."""
    found = set() if sfdp is None else set(sfdp.erases())
    for kind in (kind for part in parts for kind in part.erase_types):
        found |= {
            (code, kind.size) for code in (kind.opcode, kind.opcode_4byte) if code is not None
        }
    return tuple(sorted(found))


def _is_mirrored(parts: Sequence[Part], answers: Answers) -> bool | None:
    """Whether a bit of this chip mirrors the erase map of the table; None if parts have such a bit
    and it was not read."""
    places = {part.mirrored_by for part in parts} - {""}
    if not places or all(len(part.regions) < 2 for part in parts):
        return False
    if len(places) > 1 or not all(part.mirrored_by for part in parts):
        return None
    register, mask = MIRRORING[places.pop()]
    values = [value for name, value in answers.registers if name == register.name]
    return bool(values[0] & mask) if values else None


def _as_set_up(
    geometry: Geometry, sfdp: Sfdp, answers: Sequence[int] | None, map_bits: int = 0
) -> Geometry:
    """The erase map of this very chip, if its SFDP has a sector map: such parts can be configured
    in several ways (S25FS, S25H), and the table has only the configuration from the factory. Times
    and 4-byte opcodes are the table's, if it has that erase; `map_bits` is the part's.

    Raises `SfdpError` if the map does not cover the chip, or if no erase is the same in all
    configurations that it may have.
    """
    if sfdp.sector_map is None or not sfdp.sector_map.configurations:
        return geometry
    mapped = to_geometry(sfdp, answers, map_bits=map_bits)
    ours = {_kind(kind): kind for kind in geometry.erase_types}
    wide = {kind.opcode: kind.opcode_4byte for kind in geometry.erase_types}

    def known(kind: EraseType) -> EraseType:
        if same := ours.get(_kind(kind)):
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


def _undisputed(geometry: Geometry, sfdp: Sfdp) -> tuple[Geometry, str]:
    """The same without erases for which the chip's own SFDP gives another size than the table, as
    long as others work everywhere; and a note if there are such erases. One of the two sizes is
    wrong, and an erase that is larger than expected clears its neighbours as well.

    Chips with a sector map are not checked: there one opcode erases blocks of several sizes.
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
        f"{kind.opcode:02X}h erases {amount(kind.size)} by the chip table, "
        + " or ".join(amount(size) for size in sorted(said[kind.opcode]))
        + " by SFDP"
        for kind in kinds
    )
    kept = tuple(
        replace(region, types=tuple(i for i in region.types if i not in disputed))
        for region in geometry.regions
    )
    if not all(region.types for region in kept):
        return geometry, f"{note}; there is no other erase"
    return replace(geometry, regions=kept), f"{note}; it is not used"


def _no_faster_than(geometry: Geometry, sfdp: Sfdp) -> Geometry:
    """The same, with no maximum time below that of the chip's own SFDP: waiting longer costs
    nothing, and giving up too early leaves a block half done."""
    limits = [(e.opcode, e.time.maximum) for e in sfdp.basic.erases if e.time is not None]

    def slow(span: Duration, limit: float | None) -> Duration:
        return span if limit is None else Duration(span.typical, max(span.maximum, limit))

    def erase(kind: EraseType) -> EraseType:
        # The rest of a block beside small sectors (S25FS) takes no longer than the whole block.
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
