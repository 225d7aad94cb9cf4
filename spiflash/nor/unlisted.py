"""Chips that are not in the table: described by their own SFDP, or only by a stated size. Pure.

Such a chip may be read. It may be written only if SFDP describes its erases and a person has
explicitly said that this is to be trusted; a chip without SFDP is never written.
"""

from __future__ import annotations

from dataclasses import replace

from spiflash import text
from spiflash.errors import ChipUnknownError, UsageError
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.chip import Answers, Chip
from spiflash.nor.geometry import Duration, EraseRegion, Geometry
from spiflash.nor.jedec import CONTINUATION, FLOATING, manufacturer, nand, split_continuation
from spiflash.nor.sfdp import Missing, Sfdp
from spiflash.nor.sfdp.derived import (
    Assumed,
    four_byte_methods,
    leaves_by_bank,
    leaves_with_e9h,
    quad_enable,
    to_geometry,
)
from spiflash.nor.sfdp.headers import SfdpError
from spiflash.spans import SECTOR

UNKNOWN_CLOCK = 20e6
"""Hertz at which every SPI NOR chip of the last twenty years can be read (common practice, no
source): the limit if no data sheet is known."""

ASSUMED = Assumed(page=64)
"""SFDP of 2011 gives no page size, only whether at least 64 bytes can be programmed at once. Blocks
of 64 bytes never cross the boundary of a page of 64 bytes or more."""

_NO_TIME = Duration(1.0, 1.0)  # nothing is programmed or erased with it


def shown_id(answers: Answers) -> str:
    """The ID as people search for it: continuation codes, manufacturer, type, capacity."""
    bank, code = split_continuation(answers.id)
    count = 3 if code is None else bank - 1 + 3
    return answers.id[:count].hex(" ").upper()


def manufacturer_name(answers: Answers) -> str:
    """The most likely firm for the manufacturer code, in words."""
    if set(answers.id) <= {CONTINUATION}:
        return "no manufacturer code"
    firm = manufacturer(answers.id)
    return firm.name or f"unknown manufacturer {firm.code:02X}h of JEP106 bank {firm.bank}"


def refuse_nand(answers: Answers) -> None:
    """Raise `ChipUnknownError` for an SPI NAND, and for an answer that no NOR flash gives, whatever
    size or part a person states: only FFh would be read from such a chip."""
    found = nand(answers.id, answers.after_dummy)
    if not found and answers.id[:1] and answers.id[0] in FLOATING:
        raise ChipUnknownError(
            f"The chip answers 9Fh with {answers.id[:4].hex(' ').upper()}, which is not a NOR "
            "flash's ID: those begin with a manufacturer code.",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="Read the marking: it may be a NAND chip, which this program does not support. "
            "If it is NOR flash, seat the clip again and run 'spiflash contact'.",
        )
    if not found:
        return
    raise ChipUnknownError(
        f"This is a NAND chip ({found}), which this program does not support: it answers 9Fh with "
        f"{(answers.after_dummy or answers.id)[:4].hex(' ').upper()}.",
        state="Nothing has been changed on it; no contents have been read.",
        remedy="Use a reader for SPI NAND, which handles its pages, spare bytes, error correction "
        "and bad blocks. Read as NOR flash it would look blank.",
    )


def capacity_hint(answers: Answers) -> str:
    """What the third byte of the ID means with most manufacturers; "" if it has no such meaning."""
    bank, _ = split_continuation(answers.id)
    code = answers.id[bank - 1 :][2:3]
    exponent = code[0] if code else 0
    if not 0x10 <= exponent <= 0x18:
        return ""
    return f"With most manufacturers its third byte would mean --size {size_option(1 << exponent)}."


def size_option(size: int) -> str:
    """A whole number of KiB as it is written after --size."""
    return f"{size >> 20}M" if size % (1 << 20) == 0 else f"{size >> 10}K"


def from_sfdp(answers: Answers, sfdp: Sfdp, *, trusted: bool) -> Chip:
    """A chip that describes itself. Raises `SfdpError` if its tables give a size that no chip has,
    or no erase map."""
    if not _possible(sfdp.basic.size):
        raise SfdpError(f"it gives a size of {text.amount(sfdp.basic.size)}, which no chip has")
    geometry = to_geometry(sfdp, answers.sector_map, assumed=ASSUMED)
    # Without answers only what holds in every configuration is used.
    notes = [f"SFDP does not say: {', '.join(sfdp.missing)}"] if sfdp.missing else []
    notes += sfdp.anomalies
    doubt = (
        "its ID is not in the chip table, only its own SFDP describes it; if you trust that and "
        "know its supply voltage, --trust-sfdp allows writing"
    )
    how = "the chip's own SFDP"
    if trusted and Missing.FOUR_BYTE in sfdp.missing:
        doubt = "its SFDP does not say how it is addressed above 16 MiB"
    elif trusted:
        doubt = ""
        how += ", which you said to trust for writing"
        notes.append(
            "Supply voltage and block protection of this chip are not known: SFDP gives neither"
        )
    return replace(
        _unlisted(answers, geometry),
        quad_enable=quad_enable(sfdp),
        four_byte=four_byte_methods(sfdp),
        exit_4byte=0xE9 if leaves_with_e9h(sfdp) else None,
        leaves_by_bank=leaves_by_bank(sfdp),
        how=how,
        sfdp=sfdp,
        write_doubt=doubt,
        notes=tuple(notes),
        erases_known=sfdp.erases(),
    )


def read_only_chip(answers: Answers, size: int, complaint: str) -> Chip:
    """A chip of which only a size is known, because a person stated it: read-only.

    Raises `UsageError` for a size that no chip has, `ChipUnknownError` above 16 MiB.
    """
    check_size(size)
    if size > THREE_BYTE_REACH:
        raise ChipUnknownError(
            f"A chip with the unknown ID {shown_id(answers)} and without SFDP can be read only up "
            "to 16 MiB: it is not known how it takes longer addresses.",
            state="Nothing has been changed on it.",
            remedy="Read the first 16 MiB with --size 16M, or name the part with --part.",
        )
    return replace(
        _unlisted(answers, read_only_geometry(size)),
        size_stated=True,
        how="the size that you stated",
        write_doubt="its ID is not in the chip table and it has no usable SFDP",
        notes=(complaint,) if complaint else (),
    )


def _unlisted(answers: Answers, geometry: Geometry) -> Chip:
    """A chip of which nothing but these is known."""
    return Chip(
        name=f"unknown {shown_id(answers).replace(' ', '')}",
        vendor=manufacturer_name(answers),
        answers=answers,
        geometry=geometry,
        protection_schemes=("unknown",),
        quad_enable="unknown",
        four_byte=(),
        clock_read=UNKNOWN_CLOCK,
        clock_fast=UNKNOWN_CLOCK,
        fast_read_dummy=1,
        supply=None,
        unique_id=None,
        security=None,
        locked_at_power_up=False,
    )


def with_stated_size(chip: Chip, size: int) -> Chip:
    """`chip` at the size that a person states. The same size confirms it; any other makes the chip
    read-only. Raises `UsageError` for a size that no chip has."""
    check_size(size)
    if size == chip.size:
        return replace(chip, size_confirmed=True, notes=(*chip.notes, "You stated the same size"))
    if size > THREE_BYTE_REACH and not chip.four_byte:
        raise UsageError(
            f"It is not known how to address {text.amount(size)} on the {chip.name}.",
            state="Nothing has been changed on it.",
            remedy="State a size up to 16M.",
        )
    return replace(
        chip,
        geometry=read_only_geometry(size, chip.geometry.page),
        size_stated=True,
        how=f"{chip.how}; the size that you stated",
        write_doubt=f"you stated {text.amount(size)}, but the {chip.name} should hold "
        f"{text.amount(chip.size)}",
    )


def read_only_geometry(size: int, page: int = 256) -> Geometry:
    """A geometry in which nothing can be erased."""
    return Geometry(size, page, (), (EraseRegion(size, ()),), _NO_TIME)


def _possible(size: int) -> bool:
    """Whether a chip can have `size` bytes: a multiple of 4 KiB, at least 64 KiB, and no more than
    four address bytes reach."""
    return 1 << 16 <= size <= 1 << 32 and size % SECTOR == 0


def check_size(size: int) -> None:
    """Raise `UsageError` for a size that no chip has."""
    if not _possible(size):
        raise UsageError(
            f"A chip of {size:,} bytes does not exist.",
            remedy="State a size such as 512K, 8M or 16M.",
        )
