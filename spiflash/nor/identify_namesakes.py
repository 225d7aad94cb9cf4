"""Several parts, one ID: what they share, made one careful chip. Pure.

The rules that live here: parts that agree on everything that matters for writing are treated as
one, with the slowest times and clocks of all; parts that differ in what matters for reading have
to be named by a person; anything between may be read but not written.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import takewhile
from typing import TypeVar

from chipdb.part import EraseRegion, EraseType, Part, Span
from spiflash.errors import ChipAmbiguousError
from spiflash.nor.geometry import Geometry
from spiflash.nor.sfdp import Sfdp

LEAST_PREFIX = 5
"""Characters that names must share before they are called a family."""

_T = TypeVar("_T")


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
    )


def names(parts: Sequence[Part]) -> str:
    """All names, for a sentence."""
    return " or ".join(part.name for part in parts)


def family_name(parts: Sequence[Part]) -> str:
    """One short name for namesakes: what most of their names begin with, else all of them."""
    vendor = vendors(parts)[0]
    same = [part.name for part in parts if part.vendor == vendor]
    columns = takewhile(lambda column: len(set(column)) == 1, zip(*same, strict=False))
    prefix = "".join(column[0] for column in columns)
    if len(same) > 1 and len(prefix) >= LEAST_PREFIX:
        return f"{prefix} family"
    return names(parts)


def vendors(parts: Sequence[Part]) -> list[str]:
    """Each vendor once, the one with the most parts first."""
    return [vendor for vendor, _ in Counter(part.vendor for part in parts).most_common()]


_Aspects = tuple[tuple[str, Callable[[Part], object]], ...]

_FOR_READING: _Aspects = (
    ("size", lambda p: p.size),
    ("dummy bytes of the fast read", lambda p: p.fast_read_dummy),
    # Pages of 528 bytes are addressed in another way altogether.
    ("addresses", lambda p: p.program_method.value == "page-528"),
)

_FOR_WRITING: _Aspects = (
    ("page size", lambda p: p.page),
    ("way of programming", lambda p: p.program_method),
    ("erase regions", lambda p: tuple(region.length for region in p.regions)),
    ("lock at power-up", lambda p: p.locked_at_power_up),
    ("refusal", lambda p: p.refused),
)
"""What namesakes must agree on before one of them may be written as if it were the other."""


def refuse_unlike(parts: Sequence[Part]) -> None:
    """Raise `ChipAmbiguousError` when the parts cannot even be read in one way."""
    differ = _differ(parts, _FOR_READING)
    ways = [frozenset(part.four_byte) for part in parts if part.size > 1 << 24]
    if ways and not frozenset.intersection(*ways):
        differ.append("reach above 16 MiB")
    if differ:
        raise ChipAmbiguousError(
            f"{names(parts)} share this ID and differ in {', '.join(differ)}.",
            state="Nothing has been changed on the chip; no contents have been read.",
            remedy="Read the marking on the package and name the right one with --part.",
        )


def differences_for_writing(parts: Sequence[Part]) -> list[str]:
    """In what the parts differ that matters when one of them is erased or programmed.

    Not all of them need the same erases: those that all have are enough.
    """
    found = _differ(parts, _FOR_WRITING)
    if not found and not all(_shared_erases(parts)):
        found.append("erase map")
    return found


def erases_known(parts: Sequence[Part], sfdp: Sfdp | None) -> tuple[tuple[int, int], ...]:
    """(opcode, bytes) of every block erase that any of `parts` or the chip's SFDP has."""
    found = set() if sfdp is None else set(sfdp.erases())
    for kind in (kind for part in parts for kind in part.erase_types):
        found |= {
            (code, kind.size) for code in (kind.opcode, kind.opcode_4byte) if code is not None
        }
    return tuple(sorted(found))


def leaves_out_erases(parts: Sequence[Part]) -> bool:
    """Whether some of the parts have erases that others lack."""
    return len({_erase_map(part) for part in parts}) > 1


def _shared_erases(parts: Sequence[Part]) -> list[frozenset[tuple[int, int]]]:
    """For each region (alike in all parts): the (size, opcode) of erases that work in all."""
    return [
        frozenset.intersection(*columns) for columns in zip(*map(_erase_map, parts), strict=True)
    ]


def _differ(parts: Sequence[Part], aspects: _Aspects) -> list[str]:
    return [name for name, value in aspects if len({value(part) for part in parts}) > 1]


def _erase_map(part: Part) -> tuple[frozenset[tuple[int, int]], ...]:
    """(size, opcode) of the erases that work in each region."""
    return tuple(
        frozenset((part.erase_types[i].size, part.erase_types[i].opcode) for i in region.types)
        for region in part.regions
    )


def shared(values: Sequence[_T | None]) -> _T | None:
    """The value when all candidates have the same one."""
    return values[0] if all(value == values[0] for value in values) else None


def _slower(spans: Sequence[Span]) -> Span:
    return Span(max(s.typical for s in spans), max(s.maximum for s in spans))


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

    common = _shared_erases(parts)
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
        chip_erase=replace(chips[0], time=_slower([c.time for c in chips]))
        if len(chips) == len(maps) and len({c.opcode for c in chips}) == 1
        else None,
    )
