"""What was found out about the chip on the clip, as text and as JSON."""

from __future__ import annotations

from collections.abc import Mapping

from spiflash.nor.chip import Chip
from spiflash.nor.geometry import EraseType
from spiflash.nor.protection import Protection
from spiflash.report.cautions import at_the_clip
from spiflash.text import amount, clock, hex_pairs, span


def protection_text(protection: Protection) -> str:
    """The protected ranges in words."""
    where = ", ".join(span(low, high) for low, high in protection.ranges)
    if not protection.ranges:
        text = "nothing"
    elif not protection.extent_known:
        text = f"some of the chip, at most {where}; how much is not known for this part"
    else:
        text = where
    if protection.individual:
        text += " (by locks of single blocks)"
    return text + (
        f"; status register {protection.lock.value}" if protection.register_locked else ""
    )


def identity_text(
    chip: Chip,
    unique_id: bytes | None,
    registers: Mapping[str, bytes],
    protection: Protection,
    adapter: str,
) -> str:
    """The screen of `identify`."""
    answers = chip.answers
    erases = ", ".join(amount(kind.size) for kind in sorted_erases(chip)) or "nothing smaller"
    said = [f"9Fh {hex_pairs(chip.jedec_id)}"]
    if answers.rems:
        said.append(f"90h {hex_pairs(answers.rems)}")
    if answers.legacy:
        said.append(f"ABh {hex_pairs(answers.legacy)}")
    said.append(f"SFDP {chip.sfdp.major}.{chip.sfdp.minor}" if chip.sfdp is not None else "no SFDP")
    rows = [
        ("Adapter", adapter),
        ("Chip", f"{chip.name}, {chip.vendor}"),
        *((("One of", ", ".join(chip.candidates)),) if len(chip.candidates) > 1 else ()),
        ("Holds", f"{amount(chip.size)} in pages of {chip.geometry.page} bytes"),
        ("Erases", f"{erases} at a time"),
        ("Answered", "; ".join(said)),
        ("Known by", chip.how),
        ("Unique ID", hex_pairs(unique_id) if unique_id else "none"),
        ("Quad bit", _quad(chip, registers)),
        ("Registers", "  ".join(f"{name} {hex_pairs(value)}" for name, value in registers.items())),
        ("Protected", protection_text(protection)),
        ("Top clock", f"{clock(chip.clock_read)} plain, {clock(chip.clock_fast)} fast read"),
        ("Supply", chip.supply_text),
    ]
    lines = [f"{name:<10} {value}" for name, value in rows]
    lines += [f"{'Note':<10} {note}" for note in chip.notes]
    if chip.write_doubt:
        lines.append(f"{'Read only':<10} {chip.write_doubt}")
    return "\n".join([*lines, "", *at_the_clip(chip)])


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
            "name": chip.name,
            "vendor": chip.vendor,
            "candidates": list(chip.candidates),
            "known_by": chip.how,
            "jedec_id": chip.jedec_id.hex(),
            "id_answer": chip.answers.id.hex(),
            "rems": chip.answers.rems.hex(),
            "legacy_id": chip.answers.legacy.hex(),
            "sfdp": chip.answers.sfdp.hex(),
            "unique_id": unique_id.hex() if unique_id else None,
            "size": chip.size,
            "page": chip.geometry.page,
            "erases": [
                {
                    "size": kind.size,
                    "opcode": kind.opcode,
                    "typical_s": kind.time.typical,
                    "maximum_s": kind.time.maximum,
                }
                for kind in sorted_erases(chip)
            ],
            "registers": {name: value.hex() for name, value in registers.items()},
            "protected": [list(pair) for pair in protection.ranges],
            "protected_extent_known": protection.extent_known,
            "register_locked": protection.register_locked,
            "register_lock": protection.lock.name.lower(),
            "block_locks": protection.individual,
            "clock_read_hz": chip.clock_read,
            "clock_fast_hz": chip.clock_fast,
            "supply_v": list(chip.supply) if chip.supply else None,
            "supplies_v": [
                {"parts": list(names), "supply_v": list(span)} for names, span in chip.supplies
            ],
            "writable": not chip.write_doubt,
            "write_doubt": chip.write_doubt,
            "notes": list(chip.notes),
        },
        "cautions": list(at_the_clip(chip)),
    }
