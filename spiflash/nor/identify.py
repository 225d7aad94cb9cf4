"""ID + SFDP + chip table -> `Chip`, or a clear refusal. Pure, but for reading a table file.

The rules that live here: a part that a person names is used unless the chip contradicts it. Parts
that share an ID are weighed by what the chip answers. Only a size that differs from SFDP's density
excludes a part for good. Everything else (is there SFDP at all, which erases and 4-byte opcodes
does it name, does a register answer) excludes a part only when another one fits everything: data
sheets and chips differ between revisions, and a table that is right in most things is no reason to
refuse a chip. The parts that remain become one careful chip (`shared_id`). Chips that are not in
the table are described by their SFDP or a stated size (`unlisted`). Nothing is ever guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from chipdb.errors import TableError
from chipdb.loader import load_builtin, parse_file
from chipdb.part import FourByte, Part
from chipdb.table import ChipTable
from spiflash.errors import ChipMismatchError, ChipTableError, ChipUnknownError
from spiflash.files import UNCHANGED, read_named
from spiflash.nor.chip import Answers, Chip
from spiflash.nor.jedec import CONTINUATION, split_continuation
from spiflash.nor.scheme import scheme
from spiflash.nor.sfdp import Sfdp, parse
from spiflash.nor.sfdp.derived import four_byte_methods, quad_enable
from spiflash.nor.sfdp.headers import SfdpError
from spiflash.nor.shared_id import chip_of, common_supply, geometry_of, joined_names, supplies
from spiflash.nor.unlisted import (
    capacity_hint,
    from_sfdp,
    manufacturer_name,
    read_only_chip,
    refuse_nand,
    shown_id,
    with_stated_size,
)
from spiflash.text import amount

__all__ = [
    "ChipTable",
    "Part",
    "candidates_for",
    "chip_table",
    "geometry_of",
    "identify",
    "parts_of_file",
    "select",
]

UNTOUCHED = "Nothing has been changed on it; no contents have been read."


def identify(
    answers: Answers,
    table: ChipTable,
    wanted: str | None = None,
    *,
    size: int | None = None,
    trust_sfdp: bool = False,
) -> Chip:
    """Find out what answered.

    `wanted` is the name of a part that a person gave, `size` a capacity in bytes that they stated;
    a size other than the part's own makes the chip read-only. `trust_sfdp` allows writing to a chip
    that only its SFDP describes.

    Raises `ChipUnknownError` for an SPI NAND, and if neither the table nor SFDP nor a person gives
    a size, `ChipMismatchError` if `wanted`, the table and the answers contradict each other,
    `ChipAmbiguousError` if the parts with this ID cannot all be read in the same way, `UsageError`
    for a size that no chip has.
    """
    if not table.by_id(answers.id):
        refuse_nand(answers)
    sfdp, complaint = _parsed(answers.sfdp)
    if wanted is not None:
        chosen = _named(wanted, table, answers)
        chip = chip_of(
            answers, (chosen,), sfdp, complaint, f"the name that you gave, {chosen.name}"
        )
        chip = replace(chip, supplies=supplies((chosen, *candidates_for(answers, table))))
        return chip if size is None else with_stated_size(chip, size)
    candidates = candidates_for(answers, table)
    if candidates:
        chip = _listed(answers, candidates, sfdp, complaint, size)
        return chip if size is None else with_stated_size(chip, size)
    if sfdp is not None:
        try:
            chip = from_sfdp(answers, sfdp, trusted=trust_sfdp)
        except SfdpError as exc:
            complaint = f"Its SFDP cannot be used: {exc}"
        else:
            return chip if size is None else with_stated_size(chip, size)
    if size is not None:
        return read_only_chip(answers, size, complaint)
    raise ChipUnknownError(
        f"The chip answers with JEDEC ID {shown_id(answers)} ({manufacturer_name(answers)}), which "
        "is not in the chip table, and has no usable SFDP"
        + (f" ({complaint})." if complaint else "."),
        state="Nothing has been changed on it.",
        remedy="Read the marking on the package and name the part with --part, or give its "
        "figures in a table file of your own with --chips. To read it without either, state its "
        f"size, such as --size 8M. {capacity_hint(answers)}".rstrip(),
    )


def candidates_for(answers: Answers, table: ChipTable) -> tuple[Part, ...]:
    """The parts of the table with this ID.

    The ID of a chip that sends JEP106 continuation codes (7Fh) is looked up with them, and if that
    finds nothing without them: data sheets print it either way.
    """
    found = table.by_id(answers.id)
    if not found and answers.id[:1] == bytes([CONTINUATION]):
        return table.by_id(_without_continuation(answers.id))
    return found


def _without_continuation(answer: bytes) -> bytes:
    bank, _ = split_continuation(answer)
    return answer[bank - 1 :]


def _parsed(raw: bytes) -> tuple[Sfdp | None, str]:
    if not raw:
        return None, ""
    try:
        return parse(raw), ""
    except SfdpError as exc:
        return None, f"Its SFDP cannot be used: {exc}"


def _named(wanted: str, table: ChipTable, answers: Answers) -> Part:
    named = table.by_name(wanted)
    if not named:
        near = ", ".join(part.name for part in table.search(wanted)[:6])
        raise ChipUnknownError(
            f"The chip table has no part '{wanted}'.",
            state="Nothing has been changed on the chip.",
            remedy=f"Similar names: {near}."
            if near
            else "'spiflash chips WORDS' finds names; --chips FILE adds a table of your own.",
        )
    answered = (answers.jedec_id, _without_continuation(answers.id)[:3])
    # An order code may stand for several parts.
    part = next((part for part in named if part.id in answered), named[0])
    if part.id not in answered:
        raise ChipMismatchError(
            f"The {part.name} has JEDEC ID {part.id.hex(' ').upper()}, but the chip on the clip "
            f"answers {answers.jedec_id.hex(' ').upper()}.",
            state="Nothing has been changed on it.",
            remedy="Leave out --part, or check which chip the clip is on.",
        )
    return part


def _listed(
    answers: Answers,
    candidates: Sequence[Part],
    sfdp: Sfdp | None,
    complaint: str,
    size: int | None,
) -> Chip:
    weighed = weigh(candidates, answers, sfdp)
    how = "JEDEC ID and chip table"
    if not weighed.remaining:
        assert sfdp is not None  # only its size can exclude every part
        if size is not None:
            # All of them remain, with figures that are safe for each: a size that a person states
            # must not select one of them.
            chip = chip_of(answers, candidates, sfdp, complaint, how)
            doubt = chip.write_doubt or (
                f"its SFDP gives {amount(sfdp.basic.size)}, and no part with this ID has that "
                "size; name the part with --part if you know it"
            )
            return replace(chip, write_doubt=doubt)
        raise ChipMismatchError(
            f"The ID {answers.jedec_id.hex(' ').upper()} belongs to {joined_names(candidates)}, "
            f"but the chip's own SFDP gives a size of {amount(sfdp.basic.size)}.",
            state=UNTOUCHED,
            remedy="The chip may be relabelled. If you know the part, name it with --part. To read "
            "it at a size that you state, use --size.",
        )
    if weighed.excluded:
        how = "JEDEC ID, chip table and SFDP"
        if answers.registers:
            how = "JEDEC ID, chip table, SFDP and registers"
    elif len(weighed.remaining) == 1 and weighed.remaining[0].extended_id:
        how = "extended JEDEC ID and chip table"
    chip = chip_of(answers, weighed.remaining, sfdp, complaint, how)
    # SFDP is no reason to connect 3.3 V: for the supply all parts with this ID count.
    return replace(
        chip,
        notes=(*chip.notes, *weighed.doubts),
        supply=common_supply(candidates),
        supplies=supplies(candidates),
    )


# -- which of several parts it can be --------------------------------------------------------------

MAP_WITH_FOUR_BYTE_TABLE = 6
"""Minor revision of the basic table from which a chip above 16 MiB with 4-byte opcodes is expected
to have the table that lists them (JESD216A is 1.5, B is 1.6); older ones could not."""


ONE_BIT = {"cr1.1": "sr2.1"}
"""One bit with two names: 35h reads it, and the second byte of 01h writes it. Spansion calls its
register configuration register 1, SFDP calls it status register 2."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """The parts that remain, and why the others do not. `doubts`: objections to the parts that
    remain, if there are objections to every part."""

    remaining: tuple[Part, ...]
    excluded: tuple[str, ...]
    doubts: tuple[str, ...]


def weigh(candidates: Sequence[Part], answers: Answers, sfdp: Sfdp | None) -> Weighed:
    """Exclude parts with this ID by the answers, as far as they allow. `remaining` is empty if
    SFDP's size contradicts all of them."""
    excluded: list[str] = []
    possible: list[Part] = []
    for part in candidates:
        # Some parts are known to give another capacity in SFDP than they have.
        if sfdp is not None and sfdp.basic.size != (part.sfdp_size or part.size):
            excluded.append(
                f"{part.name} holds {amount(part.size)}, SFDP says {amount(sfdp.basic.size)}"
            )
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
            found.append(f"{part.name} has SFDP, this chip has none")
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
        # The rest of a block beside small sectors is erased with the opcode of the block (S25FS).
        whole = {opcode: size for size, opcode in sorted(listed)}
        listed |= {(size, code) for size, code in claimed if size < whole.get(code, 0)}
    sizes = {size for size, _ in listed}
    has = {size for size, _ in claimed}
    # Another opcode for a size that both have proves nothing: SFDP has room for one, and parts may
    # have two.
    return [
        f"{part.name} erases {amount(size)} with {opcode:02X}h, SFDP does not list that"
        for size, opcode in sorted(claimed - listed)
        if size not in sizes
    ] + [
        f"SFDP lists {opcode:02X}h for {amount(size)}, {part.name} has no such erase"
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
        found.append(f"{part.name} has QE in {part.quad_enable}, SFDP says {place}")
    return found


# -- the chip table in use: the built-in one, and a person's own files on top ----------------------

_LIMIT = 16 << 20  # bytes


def chip_table(files: Sequence[Path] = ()) -> ChipTable:
    """The built-in table with the parts of `files` added; theirs take precedence.

    Raises `ChipTableError` naming file and line.
    """
    table = load_builtin()
    for file in files:
        table = table.merged(_loaded(file))
    return table


def parts_of_file(files: Sequence[Path]) -> tuple[Part, ...]:
    """The parts in these files; raises as `chip_table` does."""
    return tuple(part for file in files for part in _loaded(file))


def select(
    table: ChipTable, text: str = "", *, size: int | None = None, volts: float | None = None
) -> tuple[Part, ...]:
    """The parts in which all words of `text` are found (name, maker or ID; no words: all), of
    `size` bytes, for a supply of `volts`."""
    return tuple(
        part
        for part in (table.search(text) if text.strip() else table.parts)
        if (size is None or part.size == size)
        and (volts is None or part.supply[0] <= volts <= part.supply[1])
    )


def _loaded(file: Path) -> tuple[Part, ...]:
    raw = read_named(file, ChipTableError, limit=_LIMIT)
    try:
        return parse_file(raw, str(file))
    except TableError as exc:
        raise ChipTableError(
            str(exc),
            state=UNCHANGED,
            remedy="Correct that line; DEVELOPERS.md describes the format.",
        ) from exc
