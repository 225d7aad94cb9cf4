"""What speaks for and against each part that has the ID in question. Pure.

Evidence that excludes a part for good is its size against SFDP's density. Everything else (is
there SFDP at all, which erases and 4-byte opcodes does it name, does a register answer) excludes
a part only when another one fits everything: data sheets and chips differ between revisions, and
a table that is right in most things is no ground for refusing a chip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from chipdb.part import FourByte, Part
from spiflash.nor.chip import Answers
from spiflash.nor.scheme import scheme
from spiflash.nor.sfdp import Sfdp, four_byte_methods, quad_enable

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
    if part.sfdp_minor is not None and part.sfdp_minor != minor:
        found.append(f"{part.name} has SFDP 1.{part.sfdp_minor}, this chip has 1.{minor}")
    if sfdp.basic.page is not None and sfdp.basic.page != part.page:
        found.append(f"{part.name} has pages of {part.page} bytes, SFDP says {sfdp.basic.page}")
    place = quad_enable(sfdp)
    known = ("unknown", "none")
    ours = ONE_BIT.get(part.quad_enable, part.quad_enable)
    if place not in known and part.quad_enable not in known and place != ours:
        found.append(f"{part.name} keeps QE in {part.quad_enable}, SFDP says {place}")
    return found
