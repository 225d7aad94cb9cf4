"""SFDP's answers in the words of the chip table, for identification."""

from __future__ import annotations

from chipdb.part import FourByte
from spiflash.nor.sfdp.basic import AddressBytes, EnterFourByte, ExitFourByte, QuadEnable
from spiflash.nor.sfdp.table import Sfdp

_QUAD_ENABLE = {
    QuadEnable.NONE: "none",
    QuadEnable.SR2_BIT1_SHORT_WRITE_CLEARS: "sr2.1",
    QuadEnable.SR1_BIT6: "sr1.6",
    QuadEnable.SR2_BIT7: "sr2.7",
    QuadEnable.SR2_BIT1: "sr2.1",
    QuadEnable.SR2_BIT1_READABLE: "sr2.1",
    QuadEnable.SR2_BIT1_OWN_WRITE: "sr2.1",
}


def four_byte_methods(sfdp: Sfdp) -> tuple[FourByte, ...]:
    """Ways to reach above 16 MiB, preferred ones first; () where SFDP names none or the chip
    ends there.

    The opcodes count only when the table has both a read (13h or 0Ch) and a program (12h).
    """
    if sfdp.basic.size <= 1 << 24 and sfdp.basic.address is AddressBytes.THREE:
        return ()
    enter = sfdp.basic.enter_four_byte or EnterFourByte(0)
    table = sfdp.four_byte
    opcodes = (
        table is not None
        and table.supports(0x12)
        and (table.supports(0x13) or table.supports(0x0C))
    )
    always = sfdp.basic.address is AddressBytes.FOUR or EnterFourByte.ALWAYS in enter
    known = (
        (FourByte.ALWAYS, always),
        (FourByte.OPCODES, opcodes),
        (FourByte.ENTER, EnterFourByte.B7H in enter),
        (FourByte.ENTER_WREN, EnterFourByte.WREN_B7H in enter),
        (FourByte.EXTENDED_REGISTER, EnterFourByte.EXTENDED_REGISTER in enter),
        (FourByte.BANK_REGISTER, EnterFourByte.BANK_REGISTER in enter),
    )
    return tuple(method for method, there in known if there)


_SOFTWARE_EXITS = (
    ExitFourByte.E9H
    | ExitFourByte.WREN_E9H
    | ExitFourByte.EXTENDED_REGISTER
    | ExitFourByte.BANK_REGISTER
    | ExitFourByte.CONFIGURATION
)


def leaves_with_e9h(sfdp: Sfdp) -> bool | None:
    """Whether E9h ends 4-byte mode; None where the tables name no exit at all."""
    ways = sfdp.basic.exit_four_byte or ExitFourByte(0)
    if not ways & _SOFTWARE_EXITS:
        return None
    return bool(ways & (ExitFourByte.E9H | ExitFourByte.WREN_E9H))


def leaves_by_bank(sfdp: Sfdp | None) -> bool:
    """Whether bit 7 of the bank register (17h) ends 4-byte mode."""
    ways = (sfdp and sfdp.basic.exit_four_byte) or ExitFourByte(0)
    return ExitFourByte.BANK_REGISTER in ways


def mode_needs_write_enable(sfdp: Sfdp) -> bool | None:
    """Whether B7h wants 06h before it; None where the tables do not list B7h."""
    ways = sfdp.basic.enter_four_byte or EnterFourByte(0)
    if EnterFourByte.B7H in ways:
        return False
    return True if EnterFourByte.WREN_B7H in ways else None


def quad_enable(sfdp: Sfdp) -> str:
    """Register and bit of the quad enable bit, "none", or "unknown"."""
    requirement = sfdp.basic.quad_enable
    return "unknown" if requirement is None else _QUAD_ENABLE.get(requirement, "unknown")
