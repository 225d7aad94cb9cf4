"""Chips: the one on the clip, and the parts of the chip table, as text and as JSON."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence

from spiflash.nor.chip import Chip, Part
from spiflash.nor.geometry import Duration, EraseType
from spiflash.nor.protection import Protection
from spiflash.report import Headline, facts, next_steps, wrapped
from spiflash.report.bench import AT_THE_CLIP, about_voltage
from spiflash.report.plain import document, plain
from spiflash.text import amount, clock, counted, hex_pairs, seconds, span


def protection_text(protection: Protection) -> str:
    """The protected ranges in words."""
    where = ", ".join(span(low, high) for low, high in protection.ranges)
    if not protection.ranges:
        text = "nothing"
    elif not protection.extent_known:
        text = f"some of the chip, at most {where} (how much is not known for this part)"
    else:
        text = where
    if protection.individual:
        text += " (by locks of single blocks)"
    return text + (
        f"; status register {protection.lock.value}" if protection.register_locked else ""
    )


def identity_headline(chip: Chip, protection: Protection) -> Headline:
    """Which chip it is, and whether it can be written."""
    name = f"{chip.vendor} {chip.name}, {amount(chip.size)}"
    if chip.write_doubt:
        return Headline("mixed", "Read only", f"{name}. It is not written: {chip.write_doubt}.")
    if protection.ranges:
        return Headline("mixed", "Identified", f"{name}, write-protected in part or whole.")
    return Headline("good", "Identified", f"{name}.")


def identity_text(
    chip: Chip,
    unique_id: bytes | None,
    registers: Mapping[str, bytes],
    protection: Protection,
    adapter: str,
    words: Sequence[str] = (),
) -> str:
    """The screen of `identify`; `words` are the options that a next command needs."""
    answers = chip.answers
    erases = ", ".join(amount(kind.size) for kind in sorted_erases(chip)) or "the whole chip only"
    said = [f"9Fh {hex_pairs(chip.jedec_id)}"]
    if answers.rems:
        said.append(f"90h {hex_pairs(answers.rems)}")
    if answers.legacy:
        said.append(f"ABh {hex_pairs(answers.legacy)}")
    said.append(f"SFDP {chip.sfdp.major}.{chip.sfdp.minor}" if chip.sfdp is not None else "no SFDP")
    rows = [
        *((("One of", ", ".join(chip.candidates)),) if len(chip.candidates) > 1 else ()),
        ("Size", f"{amount(chip.size)}; page size {chip.geometry.page} bytes"),
        ("Erase sizes", erases),
        ("Supply", chip.supply_text),
        ("Protected", protection_text(protection)),
        ("Identified by", chip.how),
        ("Answers", "; ".join(said)),
        ("Unique ID", hex_pairs(unique_id) if unique_id else "none"),
        ("Quad bit", _quad(chip, registers)),
        ("Registers", "  ".join(f"{name} {hex_pairs(value)}" for name, value in registers.items())),
        ("Top clock", f"{clock(chip.clock_read)} read, {clock(chip.clock_fast)} fast read"),
        ("Adapter", adapter),
        *(("Note", note) for note in chip.notes),
    ]
    head = identity_headline(chip, protection)
    steps = [("Save what it holds", shlex.join(["spiflash", "backup", *words]))]
    lines = [*wrapped(head.line, "", "  "), *facts(rows), "", *wrapped(AT_THE_CLIP, "", "  ")]
    return "\n".join([*lines, *next_steps(steps)])


_QUAD_BITS = {
    "sr1.6": ("SR1", 6),
    "sr2.1": ("SR2", 1),
    "sr2.7": ("SR2", 7),
    "cr1.1": ("CR1", 1),
}


def _quad(chip: Chip, registers: Mapping[str, bytes]) -> str:
    """Where the quad enable bit is, and whether it is set."""
    place = _QUAD_BITS.get(chip.quad_enable)
    if place is None:
        return {"none": "none", "unknown": "not known"}.get(chip.quad_enable, chip.quad_enable)
    name, bit = place
    if name not in registers:
        return f"bit {bit} of {name}, which was not read"
    state = "set" if registers[name][0] >> bit & 1 else "clear"
    return f"{state} (bit {bit} of {name})"


def sorted_erases(chip: Chip) -> list[EraseType]:
    """The erase types, smallest first."""
    return sorted(chip.geometry.erase_types, key=lambda kind: kind.size)


def identity_json(
    chip: Chip,
    unique_id: bytes | None,
    registers: Mapping[str, bytes],
    protection: Protection,
    adapter: str,
) -> dict[str, object]:
    """The same for scripts: sizes in bytes, clocks in hertz, bytes in hexadecimal."""
    return {
        "adapter": adapter,
        "chip": {
            **document(chip),
            **document(protection),
            "unique_id": unique_id.hex() if unique_id else None,
            "erases": plain(sorted_erases(chip)),
            "registers": plain(registers),
            "register_lock": protection.lock.name.lower(),
            "supplies_v": [
                {"parts": plain(names), "supply_v": plain(span)} for names, span in chip.supplies
            ],
            "writable": not chip.write_doubt,
        },
        "cautions": [*about_voltage(chip), AT_THE_CLIP],
    }


_PROGRAMMED = {
    "page": "a page at a time",
    "byte": "a byte at a time",
    "aai-word": "two bytes at a time, at rising addresses",
    "page-528": "one page of 528 bytes at a time, with commands of its own",
}

_REACH = {
    "opcodes": "opcodes with 4-byte addresses",
    "enter": "4-byte mode (B7h)",
    "enter-wren": "4-byte mode (06h, then B7h)",
    "extended-register": "extended address register (C5h/C8h)",
    "bank-register": "bank register (17h/16h)",
    "always": "4-byte addresses only",
}

_KINDS = {
    "data-sheet": "data sheet",
    "memory": "data sheet, from memory",
    "open-table": "open table",
}


def list_text(parts: Sequence[Part], total: int) -> str:
    """One line a part, and how many there are."""
    if not parts:
        return f"None of the {total} parts in the chip table matches. Try fewer words."
    names = max(len(part.name) for part in parts)
    makers = max(len(part.vendor) for part in parts)
    names, makers = max(names, len("Part")), max(makers, len("Maker"))
    lines = [
        f"{'Part':<{names}}  {'Maker':<{makers}}  {'JEDEC ID':<17}  {'Size':>8}  Supply",
        *(
            f"{part.name:<{names}}  {part.vendor:<{makers}}  {_id(part):<17}  "
            f"{amount(part.size):>8}  {_volts(part):<15}"
            f"{'  read only' if part.refused else ''}".rstrip()
            for part in parts
        ),
    ]
    steps = [("See all figures of one part, and their sources", f"spiflash chips {parts[0].name}")]
    return "\n".join([f"{counted(len(parts), 'part')} of {total}.", *lines, *next_steps(steps)])


def part_text(part: Part) -> str:
    """All that the table says of one part, each block of figures with its source."""
    rows: list[tuple[str, str]] = [
        ("Part", f"{part.name}, {part.vendor}"),
        *((("Also", ", ".join(part.aliases)),) if part.aliases else ()),
        ("JEDEC ID", _id(part)),
        ("Size", f"{amount(part.size)}; page size {part.page} bytes"),
    ]
    start = 0
    for region in part.regions:
        end = start + region.length
        kinds = ", ".join(amount(part.erase_types[i].size) for i in region.types) or "nothing"
        rows.append(("Erases", f"{span(start, end, part.size)} by {kinds}"))
        start = end
    for kind in part.erase_types:
        four = f" ({kind.opcode_4byte:02X}h with 4 bytes)" if kind.opcode_4byte else ""
        rows.append(("", f"{amount(kind.size)}: {kind.opcode:02X}h{four}, {_time(kind.time)}"))
    if part.chip_erase is not None and part.chip_erase_opcode is not None:
        rows.append(("", f"whole chip: {part.chip_erase_opcode:02X}h, {_time(part.chip_erase)}"))
    if part.programs_once:
        rows.append(("", "needed before anything is programmed again, even where bits only clear"))
    if part.mirrored_by:
        rows.append(("", f"in the opposite order where {part.mirrored_by} is set"))
    if part.map_bits:
        rows.append(
            ("", f"SFDP configuration: {part.map_bits:b}b is set in its number in any case")
        )
    if not part.needs_erase:
        rows.append(("", "overwrites without erasing"))
    rows += [
        ("Programs", f"{_PROGRAMMED[part.program_method.value]}, {_time(part.program)}"),
        (
            "Reads",
            f"03h to {clock(part.clock_read)}, 0Bh to {clock(part.clock_fast)} with "
            f"{counted(part.fast_read_dummy, 'dummy byte')}" + _wide_dummy(part),
        ),
        ("Supply", _volts(part)),
        ("Addresses", "; ".join(_REACH[way.value] for way in part.four_byte) or "3 bytes"),
        *((("Mode exit", _exit(part)),) if part.exit_4byte != 0xE9 else ()),
        ("Protection", part.protection + _volatile(part)),
        ("Quad bit", part.quad_enable),
        ("SFDP", {True: "yes", False: "no", None: "not known"}[part.sfdp] + _sfdp_facts(part)),
        (
            "Unique ID",
            "none"
            if part.unique_id is None
            else f"{part.unique_id.length} bytes with {part.unique_id.opcode:02X}h"
            + (f" at {part.unique_id.address.hex().upper()}h" if part.unique_id.address else "")
            + f" and {counted(part.unique_id.dummy, 'dummy byte')}",
        ),
        (
            "Security",
            "none"
            if part.security is None
            else f"{part.security.length} bytes each at "
            f"{', '.join(f'{address:06X}h' for address in part.security.addresses)}, with "
            f"{part.security.opcode:02X}h and {counted(part.security.dummy, 'dummy byte')}",
        ),
        *((("Power-up", "every block is protected"),) if part.locked_at_power_up else ()),
        *((("Flags", "has a flag status register (70h)"),) if part.flag_status else ()),
        *(("Note", note) for note in part.notes),
        *((("Read only", part.refused),) if part.refused else ()),
    ]
    rows += [("Source", f"{block}: {_KINDS[s.kind]}, {s.text}") for block, s in part.sources]
    return "\n".join(f"{name:<11} {value}".rstrip() for name, value in rows)


def part_json(part: Part) -> dict[str, object]:
    """The same for scripts: bytes, seconds, hertz, volts; IDs in hexadecimal."""
    return {**document(part), "sources": plain(dict(part.sources))}


def _id(part: Part) -> str:
    extra = f" + {hex_pairs(part.extended_id)}" if part.extended_id else ""
    return hex_pairs(part.id) + extra


def _exit(part: Part) -> str:
    return "with a reset only" if part.exit_4byte is None else f"{part.exit_4byte:02X}h"


def _wide_dummy(part: Part) -> str:
    wide = part.fast_read_dummy_4byte
    return "" if wide is None else f", 0Ch with {counted(wide, 'dummy byte')}"


def _sfdp_facts(part: Part) -> str:
    minor = "" if part.sfdp_minor is None else f" 1.{part.sfdp_minor}"
    wrong = "" if part.sfdp_size is None else f"; it gives {amount(part.sfdp_size)}, which is wrong"
    return minor + wrong


def _volts(part: Part) -> str:
    return f"{part.supply[0]:g} V to {part.supply[1]:g} V"


def _volatile(part: Part) -> str:
    return ", with a volatile status write (50h)" if part.status_write_volatile else ""


def _time(taken: Duration) -> str:
    return f"{_short(taken.typical)}, at most {_short(taken.maximum)}"


def _short(value: float) -> str:
    if value < 1e-3:
        return f"{value * 1e6:.3g} µs"
    return f"{value * 1e3:.3g} ms" if value < 0.1 else seconds(value)
