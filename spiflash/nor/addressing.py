"""How addresses reach the chip, and whether it is in 3-byte or in 4-byte mode.

Chips up to 16 MiB take three address bytes. For larger ones the chip table lists the addressing
schemes of a part, and the first one that this file knows is used. A chip is left in the mode in
which it was found: most boards' boot ROMs expect three bytes and would not start otherwise, but a
chip whose power-up mode is set to four (Winbond ADP) sits on a board that expects four (common
practice, no source). During work a chip is never in a mode that was not chosen: one found in
4-byte mode is taken out of it first wherever the addressing scheme needs three bytes.

The mode is read from its status bit, or else found by comparing reads; neither changes the chip.
The comparison rests on this: a read whose header has four bytes after the opcode is, to a chip in
3-byte mode, a read at the first three with the fourth as a dummy, so headers that differ only in
the fourth byte give the same contents; to a chip in 4-byte mode they are different addresses.
Headers that differ only in the highest bit give the same contents in 4-byte mode (no chip is that
large) and mostly different ones in 3-byte mode.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from spiflash.bus import Bus, Transaction
from spiflash.errors import ChipMismatchError, ChipUnknownError
from spiflash.nor import commands
from spiflash.nor.chip import Chip, FourByte
from spiflash.nor.commands import Width
from spiflash.nor.geometry import EraseRegion, Geometry
from spiflash.nor.probe import any_register
from spiflash.nor.scheme import ModeBit, scheme

# -- the addressing scheme -------------------------------------------------------------------------

THREE_BYTE_REACH = 1 << 24
WINBOND = 0xEF


@dataclass(frozen=True, slots=True)
class Addressing:
    """The addressing scheme chosen for one chip.

    `native`: use the opcodes that always take four bytes. `segment_opcode` writes the register that
    holds address bits 24 and up; reads and programs then stay inside one 16 MiB segment. `enter`
    and `exit` begin and end a session. `pause` and `resume` switch a session in 4-byte mode to
    three bytes and back, for commands whose length depends on the mode (unique ID, security
    registers).
    """

    width: Width = Width.THREE
    native: bool = False
    enter: tuple[Transaction, ...] = ()
    exit: tuple[Transaction, ...] = ()
    segment_opcode: int | None = None
    pause: tuple[Transaction, ...] = ()
    resume: tuple[Transaction, ...] = ()
    plain: Width = Width.THREE
    """The address bytes that 03h takes while `native` opcodes are used."""

    def reach(self, start: int) -> tuple[Transaction, ...]:
        """What must be sent before a command for `start`, if its segment is not the last one
        used."""
        if self.segment_opcode is None:
            return ()
        segment = bytes((start >> 24,))
        if self.segment_opcode == commands.WRITE_BANK:
            return (commands.write_register(self.segment_opcode, segment),)
        return (
            commands.write_enable(),
            commands.write_register(self.segment_opcode, segment),
        )

    def shown(self, start: int) -> int:
        """The address that goes into the command."""
        return start if self.segment_opcode is None else start % THREE_BYTE_REACH


@dataclass(frozen=True, slots=True)
class ModeFound:
    """The address mode in which a chip was found.

    `four`: it is in 4-byte mode; None if that could not be found out. `segment`: what the register
    with the high address bits held (0 if there is none). `evidence`: how this was found out.
    """

    four: bool | None = None
    segment: int = 0
    evidence: str = "not checked"


AS_POWERED_UP = ModeFound(False, 0, "assumed after power-up")


def choose_addressing(chip: Chip, found: ModeFound = AS_POWERED_UP) -> Addressing:
    """Choose the addressing scheme for `chip`, which was found in the mode `found` and will be left
    in it.

    Raises `ChipUnknownError` for a chip above 16 MiB without a known scheme.
    """
    chosen = _after_power_up(chip)
    enter, exit_ = chosen.enter, chosen.exit
    switches = _switches(chip) if found.four else None
    into, out = switches or ((), ())
    if switches is not None and chosen.width is Width.FOUR and not chosen.native:
        enter, exit_, into, out = (), (), (), ()
    register = _segment_register(chip) if found.segment else None
    if register is not None:
        # The register applies to every command with three address bytes, in every scheme. Leaving
        # 4-byte mode may change it (`_switch`), so it is restored after that.
        if chosen.segment_opcode is None:
            enter = (*register.reach(0), *enter)
        exit_ = (*exit_, *register.reach(found.segment << 24))
    stuck = bool(found.four) and switches is None
    return replace(
        chosen,
        enter=(*out, *enter),
        exit=(*exit_, *into),
        # No command is known that would end the mode: it stays, and 03h takes four bytes.
        plain=Width.FOUR if stuck else Width.THREE,
    )


_Orders = tuple[Transaction, ...]


def _switches(chip: Chip) -> tuple[_Orders, _Orders] | None:
    """The orders that enter and leave 4-byte mode, for a chip that has the mode and a known order
    to leave it."""
    if chip.exit_4byte is not None:
        for method in (FourByte.ENTER, FourByte.ENTER_WREN):
            if method in chip.four_byte:
                wren = method is FourByte.ENTER_WREN
                return _switch(chip, chip.exit_4byte, with_write_enable=wren)
    if FourByte.BANK_REGISTER in chip.four_byte or chip.leaves_by_bank:
        # Bit 7 of the bank register (S25FL256S and IS25LP256D; the latter needs 06h first).
        return _bank(0x80), _bank(0x00)
    return None


def _bank(value: int) -> _Orders:
    order = commands.write_register(commands.WRITE_BANK, bytes((value,)))
    return commands.write_enable(), order, commands.write_disable()


def _switch(chip: Chip, leave: int, *, with_write_enable: bool) -> tuple[_Orders, _Orders]:
    into: _Orders = (commands.enter_4byte(),)
    out: _Orders = (commands.exit_4byte(leave),)
    if with_write_enable:
        into = (commands.write_enable(), *into, commands.write_disable())
        out = (commands.write_enable(), *out, commands.write_disable())
    if chip.jedec_id[0] == WINBOND or FourByte.EXTENDED_REGISTER in chip.four_byte:
        # E9h sets the register to 1 on a W25Q256FV. Three address bytes then reach the upper half,
        # and the board does not start. The kernel clears the register on every Winbond
        # (winbond.c, winbond_nor_set_4byte_addr_mode); boards start with zero in any case.
        register = _by_register(commands.WRITE_EXTENDED_ADDRESS)
        out = (*out, *register.reach(0), commands.write_disable())
    return into, out


def _after_power_up(chip: Chip) -> Addressing:
    """The scheme for a chip that is in its mode after power-up."""
    if chip.size <= THREE_BYTE_REACH and FourByte.ALWAYS not in chip.four_byte:
        return Addressing()
    for method in chip.four_byte:
        if method is FourByte.OPCODES:
            return Addressing(Width.FOUR, native=True)
        if method is FourByte.ALWAYS:
            return Addressing(Width.FOUR)
        if method in (FourByte.ENTER, FourByte.ENTER_WREN):
            switches = _switches(chip)
            if switches is None:
                continue
            into, out = switches
            return Addressing(Width.FOUR, enter=into, exit=out, pause=out, resume=into)
        return _by_register(_SEGMENT[method][0])
    raise ChipUnknownError(
        f"It is not known how to address the {chip.name} above 16 MiB.",
        state="Nothing has been changed on it.",
        remedy="Read the marking on the package and name the part with --part, or give its "
        "figures in a table file of your own with --chips.",
    )


def _segment_register(chip: Chip) -> Addressing | None:
    return next((_by_register(_SEGMENT[m][0]) for m in _SEGMENT if m in chip.four_byte), None)


_SEGMENT = {
    FourByte.EXTENDED_REGISTER: (
        commands.WRITE_EXTENDED_ADDRESS,
        commands.READ_EXTENDED_ADDRESS,
        0xFF,
    ),
    FourByte.BANK_REGISTER: (commands.WRITE_BANK, commands.READ_BANK, 0x7F),
}
"""The register that holds address bits 24 and up: what writes it, what reads it, and its bits."""


def _by_register(opcode: int) -> Addressing:
    chosen = Addressing(segment_opcode=opcode)
    return replace(chosen, exit=chosen.reach(0))


def usable_geometry(geometry: Geometry, addressing: Addressing) -> Geometry:
    """The erase types that work with this addressing scheme: with native 4-byte opcodes only
    those that have one."""
    if not addressing.native:
        return geometry
    return replace(
        geometry,
        regions=tuple(
            EraseRegion(
                region.length,
                tuple(i for i in region.types if geometry.erase_types[i].opcode_4byte is not None),
            )
            for region in geometry.regions
        ),
    )


# -- the address mode of a chip --------------------------------------------------------------------

SAMPLE = 64
"""Bytes compared at each place."""

_PLACES = tuple(number * 0x11000 for number in range(1, 120))
"""Addresses up to 8 MiB, in steps that are no power of two, with the top bit of a 3-byte address
clear."""


def mode_bit(chip: Chip) -> ModeBit | None:
    """The bit that shows the mode; None if the part, or one that it may be, has none."""
    if chip.size <= THREE_BYTE_REACH:
        return None
    maker = chip.jedec_id[0]
    bits = {scheme(name).mode_bits.get(maker) for name in chip.protection_schemes}
    return bits.pop() if len(bits) == 1 else None


def find_mode(bus: Bus, chip: Chip) -> ModeFound:
    """Find out how `chip` takes addresses now, and which segment is selected."""
    if chip.size <= THREE_BYTE_REACH or FourByte.ALWAYS in chip.four_byte:
        return ModeFound(False, 0, "this part has only one mode")
    register = next((_SEGMENT[m] for m in _SEGMENT if m in chip.four_byte), None)
    segment = 0 if register is None else _register(bus, register[1]) & register[2]
    if segment << 24 >= chip.size:
        # An open line, or no such register: there is no such segment.
        segment = 0
    if all(scheme(name).mode_by_any_register for name in chip.protection_schemes):
        form = any_register(bus)
        if form is not None:
            return ModeFound(form.width == 4, segment, "how 65h takes its address")
    bit = mode_bit(chip)
    if bit is not None:
        four = bool(_register(bus, bit.opcode) & bit.mask)
        return ModeFound(four, segment, bit.name)
    return _by_comparison(bus, segment)


def _register(bus: Bus, opcode: int) -> int:
    return bus.run([commands.read_register(opcode)])[0][0]


def _read(header: Sequence[int]) -> Transaction:
    return Transaction(bytes((commands.READ, *header)), SAMPLE)


def _by_comparison(bus: Bus, segment: int) -> ModeFound:
    plain, low, high = [], [], []
    for place in _PLACES:
        upper, middle = place >> 16 & 0x7F, place >> 8 & 0xF0
        plain.append(_read((upper, middle, 0, 0)))
        low.append(_read((upper, middle, 0, 0x80)))
        high.append(_read((upper | 0x80, middle, 0, 0)))
    first, fourth, top, again = (bus.run(reads) for reads in (plain, low, high, plain))
    steady = [a == b for a, b in zip(first, again, strict=True)]
    four = any(s and a != b for s, a, b in zip(steady, first, fourth, strict=True))
    three = any(s and a != b for s, a, b in zip(steady, first, top, strict=True))
    if four == three:
        why = (
            "the contents are blank or repeat" if not four else "the readings contradict each other"
        )
        return ModeFound(None, segment, f"could not be found out: {why}")
    return ModeFound(four, segment, "comparison of reads with three and four address bytes")


def confirm_mode(bus: Bus, chip: Chip) -> str:
    """Check that a chip which was switched to 4-byte mode is in it; returns how that is known.

    Raises `ChipMismatchError` if it is not: every address would be wrong.
    """
    found = find_mode(bus, chip)
    if found.four is False:
        # Parts with one ID may show the mode in different bits; the contents are better evidence.
        second = _by_comparison(bus, found.segment)
        if second.four:
            return f"{second.evidence}, although {found.evidence} does not show it"
        raise ChipMismatchError(
            f"The {chip.name} was switched to 4-byte addresses but still takes three bytes "
            f"({found.evidence}).",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="The chip may be relabelled, or another part with the same ID: read the marking "
            "and name the part with --part.",
        )
    return found.evidence


def confirm_opcodes(bus: Bus, chip: Chip, plain: Width) -> None:
    """Check that 13h, the read with four address bytes, gives the same as 03h, which takes `plain`
    address bytes in the chip's present mode. A chip that does not know 13h does not answer, and
    looks blank.

    Raises `ChipMismatchError` if they differ.
    """

    def contents(opcode: int, width: int) -> list[bytes]:
        heads = (bytes((opcode,)) + at.to_bytes(width, "big") for at in (0, *_PLACES[::12]))
        return bus.run([Transaction(head, SAMPLE) for head in heads])

    if contents(commands.READ, plain) != contents(commands.READ_4BYTE, 4):
        raise ChipMismatchError(
            f"The {chip.name} should support the read with four address bytes (13h), but this chip "
            "gives other contents for it than for the plain read (03h).",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="The chip may be relabelled, or another part with the same ID: read the marking "
            "and name the part with --part. If it is correct, seat the clip again and repeat.",
        )
