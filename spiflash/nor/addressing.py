"""How addresses reach the chip: three bytes, four bytes, or a register for the high bits.

Chips up to 16 MiB take three address bytes. Above, the chip table lists the ways a part has;
the first one this file knows is used. The mode found at the start is the mode left behind: most
boards' boot ROMs expect three bytes and would not start otherwise, but a chip whose power-up mode
is set to four (Winbond ADP) sits on a board that expects four (common practice, no source).
While work goes on a chip is never in a mode that nobody chose: one found in 4-byte mode is
taken out of it first wherever the way of working needs three.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from chipdb.part import FourByte
from spiflash.bus.transaction import Transaction
from spiflash.errors import ChipUnknownError
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import Width
from spiflash.nor.geometry import EraseRegion, Geometry

THREE_BYTE_REACH = 1 << 24
WINBOND = 0xEF


@dataclass(frozen=True, slots=True)
class Addressing:
    """The way chosen for one chip.

    `native` sends the opcodes that always take four bytes; `segment_opcode` writes the
    register that holds address bits 24 and up, and reads and programs stay inside one
    16 MiB segment then. `pause` and `resume` switch a session in 4-byte mode to three bytes for
    commands whose length depends on the mode (unique ID, security registers) and back.
    """

    width: Width = Width.THREE
    native: bool = False
    enter: tuple[Transaction, ...] = ()
    leave: tuple[Transaction, ...] = ()
    segment_opcode: int | None = None
    pause: tuple[Transaction, ...] = ()
    resume: tuple[Transaction, ...] = ()
    plain: Width = Width.THREE
    """The address bytes that 03h takes while `native` opcodes are used."""

    def reach(self, start: int) -> tuple[Transaction, ...]:
        """What must be sent before a command for `start`, when its segment is not the last
        one used."""
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
    """How a chip took addresses when it was met.

    `four`: 4-byte mode; None where it could not be told. `segment`: what the register with the
    high address bits held (0 where there is none). `evidence` says how it is known.
    """

    four: bool | None = None
    segment: int = 0
    evidence: str = "not looked for"


AS_POWERED_UP = ModeFound(False, 0, "taken for granted")


def addressing(chip: Chip, found: ModeFound = AS_POWERED_UP) -> Addressing:
    """Choose the way for `chip`, which was found in the mode `found` and will be left in it.

    Raises `ChipUnknownError` for a chip above 16 MiB without a known one.
    """
    way = _fresh(chip)
    enter, leave = way.enter, way.leave
    switches = _switches(chip) if found.four else None
    into, out = switches or ((), ())
    if switches is not None and way.width is Width.FOUR and not way.native:
        enter, leave, into, out = (), (), (), ()
    register = _segment_register(chip) if found.segment else None
    if register is not None:
        # The register counts for every command with three address bytes, whatever the way.
        # Leaving 4-byte mode may set it (`_switch`): it is put back after that.
        if way.segment_opcode is None:
            enter = (*register.reach(0), *enter)
        leave = (*leave, *register.reach(found.segment << 24))
    stuck = bool(found.four) and switches is None
    return replace(
        way,
        enter=(*out, *enter),
        leave=(*leave, *into),
        # Nothing is known that would end the mode: it stays, and 03h takes four bytes.
        plain=Width.FOUR if stuck else Width.THREE,
    )


_Orders = tuple[Transaction, ...]


def _switches(chip: Chip) -> tuple[_Orders, _Orders] | None:
    """Into 4-byte mode and out of it, for a chip that has such a mode and a known way back."""
    if chip.exit_4byte is not None:
        for way in (FourByte.ENTER, FourByte.ENTER_WREN):
            if way in chip.four_byte:
                return _switch(chip, chip.exit_4byte, with_write_enable=way is FourByte.ENTER_WREN)
    if FourByte.BANK_REGISTER in chip.four_byte or chip.leaves_by_bank:
        # Bit 7 of the bank register (S25FL256S and IS25LP256D, from memory; the latter wants 06h
        # first).
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
        # E9h sets the register to 1 on a W25Q256FV, so that three bytes reach the upper half from
        # then on and the board does not start. The kernel clears it on every Winbond
        # (winbond.c, winbond_nor_set_4byte_addr_mode); zero is where a board starts anyway.
        register = _by_register(commands.WRITE_EXTENDED_ADDRESS)
        out = (*out, *register.reach(0), commands.write_disable())
    return into, out


def _fresh(chip: Chip) -> Addressing:
    """The way for a chip in the mode in which it wakes."""
    if chip.size <= THREE_BYTE_REACH and FourByte.ALWAYS not in chip.four_byte:
        return Addressing()
    for way in chip.four_byte:
        if way is FourByte.OPCODES:
            return Addressing(Width.FOUR, native=True)
        if way is FourByte.ALWAYS:
            return Addressing(Width.FOUR)
        if way in (FourByte.ENTER, FourByte.ENTER_WREN):
            switches = _switches(chip)
            if switches is None:
                continue
            into, out = switches
            return Addressing(Width.FOUR, enter=into, leave=out, pause=out, resume=into)
        if way is FourByte.EXTENDED_REGISTER:
            return _by_register(commands.WRITE_EXTENDED_ADDRESS)
        return _by_register(commands.WRITE_BANK)
    raise ChipUnknownError(
        f"No way is known to reach above 16 MiB on the {chip.name}.",
        state="Nothing has been changed on it.",
        remedy="Read the marking on the package and name the part with --part, or give its "
        "figures in a table file of your own with --chips.",
    )


def _segment_register(chip: Chip) -> Addressing | None:
    if FourByte.EXTENDED_REGISTER in chip.four_byte:
        return _by_register(commands.WRITE_EXTENDED_ADDRESS)
    if FourByte.BANK_REGISTER in chip.four_byte:
        return _by_register(commands.WRITE_BANK)
    return None


def _by_register(opcode: int) -> Addressing:
    way = Addressing(segment_opcode=opcode)
    return replace(way, leave=way.reach(0))


def usable_geometry(geometry: Geometry, way: Addressing) -> Geometry:
    """The erase types that work with this way of addressing: with native 4-byte opcodes only
    those that have one."""
    if not way.native:
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
