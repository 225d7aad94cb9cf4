"""Several parts, one ID: telling them apart, and making those that remain one careful chip. Pure.

The rules that live here: evidence that excludes a part for good is its size against SFDP's density.
Everything else (is there SFDP at all, which erases and 4-byte opcodes does it name, does a register
answer) excludes a part only when another one fits everything: data sheets and chips differ between
revisions, and a table that is right in most things is no ground for refusing a chip. Parts that
agree on everything that matters for writing are treated as one; parts that differ in what matters
for reading have to be named by a person; anything between may be read but not written. No evidence
excludes a part when it comes to the supply.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import TypeVar

from chipdb.part import FourByte, Part
from spiflash.errors import ChipAmbiguousError
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.chip import Answers
from spiflash.nor.identify_geometry import erase_map, shared_erases
from spiflash.nor.scheme import scheme
from spiflash.nor.sfdp import (
    Sfdp,
    four_byte_methods,
    leaves_with_e9h,
    mode_needs_write_enable,
    quad_enable,
)

# -- what speaks for and against each --------------------------------------------------------------

MAP_WITH_FOUR_BYTE_TABLE = 6
"""Minor revision of the basic table (JESD216A/B: 1.5 and 1.6) from which a chip above 16 MiB
with 4-byte opcodes is expected to carry the table that lists them; older ones could not."""


ONE_BIT = {"cr1.1": "sr2.1"}
"""One bit under two names: 35h reads it, and the second byte of 01h writes it. Spansion calls that
register configuration register 1, SFDP status register 2."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """The parts that remain, and why the others do not. `doubts` are objections to the parts
    that remain, where every part has some."""

    remaining: tuple[Part, ...]
    excluded: tuple[str, ...]
    doubts: tuple[str, ...]


def weigh(candidates: Sequence[Part], answers: Answers, sfdp: Sfdp | None) -> Weighed:
    """Tell namesakes apart as far as the answers allow. `remaining` is empty when SFDP's size
    contradicts all of them."""
    excluded: list[str] = []
    possible: list[Part] = []
    for part in candidates:
        # Some parts give another capacity in SFDP than they have, and are known to.
        if sfdp is not None and sfdp.basic.size != (part.sfdp_size or part.size):
            excluded.append(f"{part.name} holds {part.size} bytes, SFDP says {sfdp.basic.size}")
        else:
            possible.append(part)
    objections = [(part, _objections(part, answers, sfdp)) for part in possible]
    fitting = [part for part, against in objections if not against]
    against_all = tuple(one for _, against in objections for one in against)
    if not fitting:
        return Weighed(tuple(possible), tuple(excluded), against_all)
    return Weighed(tuple(fitting), (*excluded, *against_all), ())


def _objections(part: Part, answers: Answers, sfdp: Sfdp | None) -> list[str]:
    found = _by_registers(part, answers)
    if sfdp is None:
        if part.sfdp is True:
            found.append(f"{part.name} has SFDP, this chip shows none")
        return found
    if part.sfdp is False:
        found.append(f"{part.name} has no SFDP, this chip has")
        return found
    return found + _by_erases(part, sfdp) + _by_four_byte(part, sfdp) + _by_the_rest(part, sfdp)


def _by_registers(part: Part, answers: Answers) -> list[str]:
    own = scheme(part.protection)
    if not own.states_registers:
        return []
    has = {register.name for register in own.registers}
    return [
        f"{part.name} has no register {name}, this chip answers {value:02X}h"
        for name, value in answers.registers
        if name not in has
    ]


def _by_erases(part: Part, sfdp: Sfdp) -> list[str]:
    listed = {(erase.size, erase.opcode) for erase in sfdp.basic.erases}
    if sfdp.basic.uniform_4k and sfdp.basic.opcode_4k is not None:
        listed.add((4096, sfdp.basic.opcode_4k))
    if not listed:
        return []
    claimed = {(kind.size, kind.opcode) for kind in part.erase_types}
    if sfdp.sector_map is not None:
        # What smaller sectors leave of a block is erased with the opcode of the block (S25FS).
        whole = {opcode: size for size, opcode in sorted(listed)}
        listed |= {(size, code) for size, code in claimed if size < whole.get(code, 0)}
    sizes = {size for size, _ in listed}
    has = {size for size, _ in claimed}
    # Another opcode for a size that both have proves nothing: SFDP has room for one, parts may
    # have two.
    return [
        f"{part.name} erases {size // 1024} KiB with {opcode:02X}h, SFDP does not list that"
        for size, opcode in sorted(claimed - listed)
        if size not in sizes
    ] + [
        f"SFDP lists {opcode:02X}h for {size // 1024} KiB, {part.name} has no such erase"
        for size, opcode in sorted(listed - claimed)
        if size not in has
    ]


def _by_four_byte(part: Part, sfdp: Sfdp) -> list[str]:
    if part.size <= 1 << 24:
        return []
    named = FourByte.OPCODES in four_byte_methods(sfdp)
    has = FourByte.OPCODES in part.four_byte
    if named and not has:
        return [f"SFDP lists opcodes with 4-byte addresses, {part.name} has none"]
    told = sfdp.four_byte is not None or sfdp.basic_header.minor >= MAP_WITH_FOUR_BYTE_TABLE
    if has and not named and told:
        return [f"{part.name} has opcodes with 4-byte addresses, SFDP lists none"]
    return []


def _by_the_rest(part: Part, sfdp: Sfdp) -> list[str]:
    found = []
    minor = sfdp.basic_header.minor
    if part.sfdp_minor is not None and bool(part.sfdp_minor) != bool(minor):
        found.append(f"{part.name} has SFDP 1.{part.sfdp_minor}, this chip has 1.{minor}")
    if sfdp.basic.page is not None and sfdp.basic.page != part.page:
        found.append(f"{part.name} has pages of {part.page} bytes, SFDP says {sfdp.basic.page}")
    place = quad_enable(sfdp)
    known = ("unknown", "none")
    ours = ONE_BIT.get(part.quad_enable, part.quad_enable)
    if place not in known and part.quad_enable not in known and place != ours:
        found.append(f"{part.name} keeps QE in {part.quad_enable}, SFDP says {place}")
    return found


# -- what those that remain have in common ---------------------------------------------------------

LEAST_PREFIX = 5
"""Characters that names must share before they are called a family."""


COMMON_EXIT = 0xE9


_T = TypeVar("_T")


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
    ("dummy bytes of the fast read", lambda p: (p.fast_read_dummy, p.fast_read_dummy_4byte)),
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
    if not found and not all(shared_erases(parts)):
        found.append("erase map")
    return found


def four_byte_ways(parts: Sequence[Part], sfdp: Sfdp | None) -> tuple[FourByte, ...]:
    """Ways above 16 MiB that all of `parts` have, preferred ones first. Whether B7h wants 06h
    before it, the chip's own SFDP knows best."""
    ways = tuple(w for w in parts[0].four_byte if all(w in p.four_byte for p in parts))
    wants = None if sfdp is None else mode_needs_write_enable(sfdp)
    if wants is None:
        return ways
    right = FourByte.ENTER_WREN if wants else FourByte.ENTER
    return tuple(right if w in (FourByte.ENTER, FourByte.ENTER_WREN) else w for w in ways)


def exit_opcode(parts: Sequence[Part], sfdp: Sfdp | None) -> int | None:
    """What ends 4-byte mode on every one of `parts`; None where they differ, or where the chip's
    SFDP lists exits and E9h, which the table takes for granted, is none of them."""
    opcodes = {part.exit_4byte for part in parts}
    if len(opcodes) > 1:
        return None
    (opcode,) = opcodes
    if opcode == COMMON_EXIT and sfdp is not None and leaves_with_e9h(sfdp) is False:
        return None
    return opcode


def fast_read_dummy(part: Part, ways: Sequence[FourByte]) -> int:
    """Dummy bytes of the fast read that is used with the first of `ways`: 0Ch or 0Bh."""
    if part.size > THREE_BYTE_REACH and ways[:1] == (FourByte.OPCODES,):
        wide = part.fast_read_dummy_4byte
        return part.fast_read_dummy if wide is None else wide
    return part.fast_read_dummy


def common_supply(parts: Sequence[Part]) -> tuple[float, float] | None:
    """The volts that all of the parts stand; None where they have none in common."""
    low, high = max(p.supply[0] for p in parts), min(p.supply[1] for p in parts)
    return (low, high) if low < high else None


def supplies(parts: Sequence[Part]) -> tuple[tuple[tuple[str, ...], tuple[float, float]], ...]:
    """(names, volts) for each range of supply among the parts, the lowest first."""
    spans = sorted({part.supply for part in parts}, key=lambda span: (span[1], span[0]))
    return tuple(
        (tuple(dict.fromkeys(p.name for p in parts if p.supply == span)), span) for span in spans
    )


def leaves_out_erases(parts: Sequence[Part]) -> bool:
    """Whether some of the parts have erases that others lack."""
    return len({erase_map(part) for part in parts}) > 1


def _differ(parts: Sequence[Part], aspects: _Aspects) -> list[str]:
    return [name for name, value in aspects if len({value(part) for part in parts}) > 1]


def shared(values: Sequence[_T | None]) -> _T | None:
    """The value when all candidates have the same one."""
    return values[0] if all(value == values[0] for value in values) else None
