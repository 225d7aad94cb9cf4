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
    if found.segment:
        # The register counts for every command with three address bytes, whatever the way.
        register = _segment_register(chip)
        if register is not None:
            enter = () if way.segment_opcode is not None else register.reach(0)
            way = replace(way, enter=enter, leave=register.reach(found.segment << 24))
    if not found.four:
        return way
    switches = _switches(chip)
    if switches is None:
        # Only three bytes or only four: nothing that could have been switched.
        return way
    into, out = switches
    if way.width is Width.FOUR and not way.native:
        return replace(way, enter=(), leave=())
    return replace(way, enter=(*out, *way.enter), leave=(*way.leave, *into))


def _switches(chip: Chip) -> tuple[tuple[Transaction, ...], tuple[Transaction, ...]] | None:
    """Into 4-byte mode and out of it, for a chip that has such a mode."""
    if FourByte.ENTER in chip.four_byte:
        return _switch(with_write_enable=False)
    if FourByte.ENTER_WREN in chip.four_byte:
        return _switch(with_write_enable=True)
    if FourByte.BANK_REGISTER in chip.four_byte:
        # Bit 7 of the bank register (S25FL256S, from memory).
        return (
            (commands.write_register(commands.WRITE_BANK, b"\x80"),),
            (commands.write_register(commands.WRITE_BANK, b"\x00"),),
        )
    return None


def _switch(*, with_write_enable: bool) -> tuple[tuple[Transaction, ...], tuple[Transaction, ...]]:
    first = (commands.write_enable(),) if with_write_enable else ()
    return (*first, commands.enter_4byte()), (*first, commands.exit_4byte())


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
            into, out = _switch(with_write_enable=way is FourByte.ENTER_WREN)
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
