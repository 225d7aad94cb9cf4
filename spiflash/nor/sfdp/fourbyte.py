"""The 4-byte address instruction table, ID FF84h (JESD216F section 6.6).

Bit positions from memory of the standard.
"""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.nor.sfdp.fields import bits, flag, hexcode

# 1st DWORD: bit, what it does, opcode. The erase types (bits 9 to 12) have theirs in the 2nd.
_INSTRUCTIONS = (
    (0, "read 1-1-1", 0x13),
    (1, "fast read 1-1-1", 0x0C),
    (2, "fast read 1-1-2", 0x3C),
    (3, "fast read 1-2-2", 0xBC),
    (4, "fast read 1-1-4", 0x6C),
    (5, "fast read 1-4-4", 0xEC),
    (6, "page program 1-1-1", 0x12),
    (7, "page program 1-1-4", 0x34),
    (8, "page program 1-4-4", 0x3E),
    (13, "DTR read 1-1-1", 0x0E),
    (14, "DTR read 1-2-2", 0xBE),
    (15, "DTR read 1-4-4", 0xEE),
    (16, "volatile sector lock read", 0xE0),
    (17, "volatile sector lock write", 0xE1),
    (18, "non-volatile sector lock read", 0xE2),
    (19, "non-volatile sector lock write", 0xE3),
    (20, "fast read 1-1-8", 0x7C),
    (21, "fast read 1-8-8", 0xCC),
    (22, "DTR read 1-8-8", 0xFD),
    (23, "page program 1-1-8", 0x84),
    (24, "page program 1-8-8", 0x8E),
)


@dataclass(frozen=True, slots=True)
class FourByteInstructions:
    """Opcodes that always take a 4-byte address."""

    dwords: tuple[int, ...]
    instructions: tuple[tuple[str, int], ...]
    """(what it does, opcode) of every supported instruction but the erases."""
    erases: tuple[int | None, int | None, int | None, int | None]
    """Opcodes for erase types 1 to 4, None where there is none."""

    def supports(self, opcode: int) -> bool:
        """Whether `opcode` is among the instructions or erases."""
        return opcode in self.erases or any(code == opcode for _, code in self.instructions)


def four_byte_instructions(table: tuple[int, ...]) -> FourByteInstructions | None:
    """Decode the table; None when it is shorter than two DWORDs or blank."""
    if len(table) < 2 or table[0] in (0, 0xFFFFFFFF):
        return None
    support, opcodes = table[0], table[1]

    def erase(number: int) -> int | None:
        low = 8 * (number - 1)
        return hexcode(bits(opcodes, low + 7, low)) if flag(support, 8 + number) else None

    return FourByteInstructions(
        dwords=table,
        instructions=tuple(
            (name, opcode) for bit, name, opcode in _INSTRUCTIONS if flag(support, bit)
        ),
        erases=(erase(1), erase(2), erase(3), erase(4)),
    )
