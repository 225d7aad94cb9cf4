"""ID + SFDP + chip table -> `Chip`, or a clear refusal. Pure.

The rules that live here: namesakes (parts with one ID) are told apart by extended ID and by
whether their SFDP can be what was read; those that remain are merged when they agree on
everything that matters, with the slowest times and clocks of all; otherwise the chip may be
read but not written until a person names the part. Nothing is ever guessed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import takewhile
from typing import TypeVar

from chipdb.part import EraseType, FourByte, Part, Span
from chipdb.table import ChipTable
from spiflash.errors import ChipMismatchError, ChipUnknownError
from spiflash.nor.chip import Answers, Chip
from spiflash.nor.geometry import Geometry
from spiflash.nor.jedec import manufacturer
from spiflash.nor.sfdp import EnterFourByte, Sfdp, SfdpError, parse, to_geometry

LEAST_PREFIX = 5
"""Characters that names must share before they are called a family."""

_T = TypeVar("_T")

UNKNOWN_CLOCK = 20e6
"""Hertz that every SPI NOR chip of the last twenty years reads at (common practice, no
source); the limit where no data sheet is known."""


def identify(answers: Answers, table: ChipTable, wanted: str | None = None) -> Chip:
    """Find out what answered.

    `wanted` is a part name that a person insists on. Raises `ChipUnknownError` when neither
    the table nor SFDP gives a size, `ChipMismatchError` when `wanted` contradicts the answer.
    """
    sfdp, complaint = _parsed(answers.sfdp)
    candidates = table.by_id(answers.id)
    if wanted is not None:
        chosen = _insist(wanted, table, answers)
        return _known(answers, (chosen,), sfdp, complaint, f"named by you as {chosen.name}")
    if candidates:
        fitting, reasons = _told_apart(candidates, sfdp)
        if not fitting:
            return _contradicted(answers, candidates, sfdp, reasons)
        how = "JEDEC ID and chip table" + (", told apart by SFDP" if reasons else "")
        return _known(answers, fitting, sfdp, complaint, how)
    if sfdp is not None:
        try:
            return _from_sfdp(answers, sfdp)
        except SfdpError as exc:
            complaint = f"SFDP is there but unusable: {exc}"
    raise ChipUnknownError(
        f"A chip answers with JEDEC ID {answers.jedec_id.hex(' ').upper()} "
        f"({_maker(answers)}), which is not in the chip table, and it has no usable SFDP"
        + (f" ({complaint})." if complaint else "."),
        state="Nothing has been changed on it.",
        remedy="Read the marking on the package and name the part with --part, or give its "
        "figures in a table file of your own with --chips.",
    )


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


def _parsed(raw: bytes) -> tuple[Sfdp | None, str]:
    if not raw:
        return None, ""
    try:
        return parse(raw), ""
    except SfdpError as exc:
        return None, f"SFDP is there but unusable: {exc}"


def _maker(answers: Answers) -> str:
    return manufacturer(answers.id).name


def _insist(wanted: str, table: ChipTable, answers: Answers) -> Part:
    named = table.by_name(wanted)
    if not named:
        near = ", ".join(part.name for part in table.search(wanted)[:6])
        raise ChipUnknownError(
            f"The chip table has no part '{wanted}'.",
            state="Nothing has been changed on the chip.",
            remedy=f"Close to it: {near}." if near else "Give its figures with --chips.",
        )
    # An order code may stand for several parts.
    part = next((part for part in named if part.id == answers.jedec_id), named[0])
    if part.id != answers.jedec_id:
        raise ChipMismatchError(
            f"{part.name} has JEDEC ID {part.id.hex(' ').upper()}, but the chip on the clip "
            f"answers {answers.jedec_id.hex(' ').upper()}.",
            state="Nothing has been changed on it.",
            remedy="Leave out --part, or check which chip the clip sits on.",
        )
    return part


def _told_apart(
    candidates: Sequence[Part], sfdp: Sfdp | None
) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """The candidates that SFDP does not rule out, and why the others are out."""
    fitting: list[Part] = []
    reasons: list[str] = []
    for part in candidates:
        if sfdp is not None and part.sfdp is False:
            reasons.append(f"{part.name} has no SFDP, this chip has")
        elif sfdp is None and part.sfdp is True:
            reasons.append(f"{part.name} has SFDP, this chip shows none")
        elif sfdp is not None and sfdp.basic.size != part.size:
            reasons.append(f"{part.name} holds {part.size} bytes, SFDP says {sfdp.basic.size}")
        else:
            fitting.append(part)
    return tuple(fitting), tuple(reasons)


def _contradicted(
    answers: Answers, candidates: Sequence[Part], sfdp: Sfdp | None, reasons: Sequence[str]
) -> Chip:
    """The ID is in the table, but SFDP says otherwise for all its parts."""
    if sfdp is not None and all(part.size != sfdp.basic.size for part in candidates):
        raise ChipMismatchError(
            f"The ID {answers.jedec_id.hex(' ').upper()} belongs to {_names(candidates)}, but "
            f"the chip's own SFDP gives a size of {sfdp.basic.size} bytes.",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="The chip may be relabelled. If you know better, name it with --part.",
        )
    # Data sheets and their chips differ in this between revisions: doubtful, not impossible.
    chip = _known(answers, candidates, sfdp, "", "JEDEC ID and chip table")
    return replace(chip, notes=(*chip.notes, *reasons))


def _names(parts: Sequence[Part]) -> str:
    return " or ".join(part.name for part in parts)


def _family_name(parts: Sequence[Part]) -> str:
    """One short name for namesakes: what most of their names begin with, else all of them."""
    vendor = _vendors(parts)[0]
    names = [part.name for part in parts if part.vendor == vendor]
    columns = takewhile(lambda column: len(set(column)) == 1, zip(*names, strict=False))
    prefix = "".join(column[0] for column in columns)
    if len(names) > 1 and len(prefix) >= LEAST_PREFIX:
        return f"{prefix} family"
    return _names(parts)


def _vendors(parts: Sequence[Part]) -> list[str]:
    """Each vendor once, the one with the most parts first."""
    return [vendor for vendor, _ in Counter(part.vendor for part in parts).most_common()]


_MATTERS: tuple[tuple[str, Callable[[Part], object]], ...] = (
    ("size", lambda p: p.size),
    ("page size", lambda p: p.page),
    ("way of programming", lambda p: p.program_method),
    ("erase map", lambda p: _erase_map(p)),
    ("reach above 16 MiB", lambda p: frozenset(p.four_byte) if p.size > 1 << 24 else None),
    ("lock at power-up", lambda p: p.locked_at_power_up),
    ("refusal", lambda p: p.refused),
)
"""What namesakes must agree on before one of them may be written as if it were the other."""


def _erase_map(part: Part) -> object:
    return tuple(
        (
            region.length,
            frozenset((part.erase_types[i].size, part.erase_types[i].opcode) for i in region.types),
        )
        for region in part.regions
    )


def _known(
    answers: Answers,
    parts: Sequence[Part],
    sfdp: Sfdp | None,
    complaint: str,
    how: str,
) -> Chip:
    first = parts[0]
    differ = [name for name, value in _MATTERS if len({value(part) for part in parts}) > 1]
    notes = list(first.notes if len(parts) == 1 else ())
    if complaint:
        notes.append(complaint)
    doubt = ""
    if differ:
        doubt = (
            f"{_names(parts)} share this ID and differ in {', '.join(differ)}; "
            "name the right one with --part"
        )
    elif first.refused:
        doubt = first.refused
    if sfdp is not None and sfdp.basic.size != first.size:
        notes.append(f"SFDP gives a size of {sfdp.basic.size} bytes, the chip table {first.size}")
    same = len(parts) == 1
    geometry = geometry_of(first) if same or differ else _careful(parts)
    quads = {part.quad_enable for part in parts}
    return Chip(
        name=first.name if same else _family_name(parts),
        vendor=" or ".join(_vendors(parts)),
        answers=answers,
        geometry=geometry,
        protection_schemes=tuple(sorted({part.protection for part in parts})),
        quad_enable=quads.pop() if len(quads) == 1 else "unknown",
        four_byte=tuple(w for w in first.four_byte if all(w in p.four_byte for p in parts)),
        clock_read=min(part.clock_read for part in parts),
        clock_fast=min(part.clock_fast for part in parts),
        fast_read_dummy=first.fast_read_dummy,
        supply=(max(p.supply[0] for p in parts), min(p.supply[1] for p in parts)),
        unique_id=_shared([part.unique_id for part in parts]),
        security=_shared([part.security for part in parts]),
        locked_at_power_up=any(part.locked_at_power_up for part in parts),
        part=first if same else None,
        candidates=tuple(part.name for part in parts),
        how=how,
        sfdp=sfdp,
        write_doubt=doubt,
        notes=tuple(notes),
    )


def _shared(values: Sequence[_T | None]) -> _T | None:
    """The value when all candidates have the same one."""
    return values[0] if all(value == values[0] for value in values) else None


def _slower(spans: Sequence[Span]) -> Span:
    return Span(max(s.typical for s in spans), max(s.maximum for s in spans))


def _careful(parts: Sequence[Part]) -> Geometry:
    """One geometry for parts that agree on their erase map: the slowest times of all."""
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

    chips = [m.chip_erase for m in maps if m.chip_erase is not None]
    return replace(
        base,
        erase_types=tuple(slowest(erase) for erase in base.erase_types),
        program=_slower([m.program for m in maps]),
        chip_erase=replace(chips[0], time=_slower([c.time for c in chips]))
        if len(chips) == len(maps) and len({c.opcode for c in chips}) == 1
        else None,
    )


def _four_byte_ways(sfdp: Sfdp) -> tuple[FourByte, ...]:
    """The ways above 16 MiB that the tables name, those without a mode to put back first."""
    entry = sfdp.basic.enter_four_byte or EnterFourByte(0)
    named = (
        (sfdp.four_byte is not None, FourByte.OPCODES),
        (EnterFourByte.ALWAYS in entry, FourByte.ALWAYS),
        (EnterFourByte.B7H in entry, FourByte.ENTER),
        (EnterFourByte.WREN_B7H in entry, FourByte.ENTER_WREN),
        (EnterFourByte.EXTENDED_REGISTER in entry, FourByte.EXTENDED_REGISTER),
        (EnterFourByte.BANK_REGISTER in entry, FourByte.BANK_REGISTER),
    )
    return tuple(way for said, way in named if said)


def _from_sfdp(answers: Answers, sfdp: Sfdp) -> Chip:
    """A chip that is not in the table but describes itself."""
    geometry = to_geometry(sfdp)
    doubt = "this ID is not in the chip table; only the chip's own SFDP describes it"
    notes = [f"SFDP does not say: {', '.join(sfdp.missing)}"] if sfdp.missing else []
    four = _four_byte_ways(sfdp) if geometry.size > 1 << 24 else ()
    return Chip(
        name=f"unknown {answers.jedec_id.hex().upper()}",
        vendor=_maker(answers),
        answers=answers,
        geometry=geometry,
        protection_schemes=("unknown",),
        quad_enable="unknown",
        four_byte=four,
        clock_read=UNKNOWN_CLOCK,
        clock_fast=UNKNOWN_CLOCK,
        fast_read_dummy=1,
        supply=None,
        unique_id=None,
        security=None,
        locked_at_power_up=False,
        how="the chip's own SFDP",
        sfdp=sfdp,
        write_doubt=doubt,
        notes=tuple(notes),
    )
