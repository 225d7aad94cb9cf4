"""How addresses reach the chip: three bytes, four bytes, or a register for the high bits.

Chips up to 16 MiB take three address bytes. Above, the chip table lists the ways a part has;
the first one this file knows is used. A chip that was put into 4-byte mode is put back: a
board's boot ROM expects 3-byte addresses and would not start (common practice, no source).
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
    16 MiB segment then.
    """

    width: Width = Width.THREE
    native: bool = False
    enter: tuple[Transaction, ...] = ()
    leave: tuple[Transaction, ...] = ()
    segment_opcode: int | None = None

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


def addressing(chip: Chip) -> Addressing:
    """Choose the way for `chip`.

    Raises `ChipUnknownError` for a chip above 16 MiB without a known one.
    """
    if chip.size <= THREE_BYTE_REACH and FourByte.ALWAYS not in chip.four_byte:
        return Addressing()
    for way in chip.four_byte:
        if way is FourByte.OPCODES:
            return Addressing(Width.FOUR, native=True)
        if way is FourByte.ALWAYS:
            return Addressing(Width.FOUR)
        if way is FourByte.ENTER:
            return Addressing(
                Width.FOUR, enter=(commands.enter_4byte(),), leave=(commands.exit_4byte(),)
            )
        if way is FourByte.ENTER_WREN:
            return Addressing(
                Width.FOUR,
                enter=(commands.write_enable(), commands.enter_4byte()),
                leave=(commands.write_enable(), commands.exit_4byte()),
            )
        if way is FourByte.EXTENDED_REGISTER:
            return _by_register(commands.WRITE_EXTENDED_ADDRESS)
        return _by_register(commands.WRITE_BANK)
    raise ChipUnknownError(
        f"No way is known to reach above 16 MiB on the {chip.name}.",
        state="Nothing has been changed on it.",
        remedy="Read the marking on the package and name the part with --part, or give its "
        "figures in a table file of your own with --chips.",
    )


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
