"""The commands of a serial NOR flash as SPI transactions. Pure.

Every opcode that the program sends is in this file (erase opcodes, and how unique IDs and security
registers are read, come from the chip table as values). Opcodes without a remark are those of
JESD216F, table "common command set", and of every vendor's data sheet.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from spiflash.bus import Transaction

WRITE_ENABLE = 0x06
WRITE_DISABLE = 0x04
VOLATILE_STATUS_WRITE_ENABLE = 0x50
READ_STATUS = 0x05
READ_FLAG_STATUS = 0x70  # Micron
READ_ID = 0x9F
READ_REMS = 0x90
RELEASE_POWER_DOWN = 0xAB  # also answers the legacy one-byte ID
READ_SFDP = 0x5A
READ = 0x03
FAST_READ = 0x0B
READ_4BYTE = 0x13
FAST_READ_4BYTE = 0x0C
PROGRAM = 0x02
PROGRAM_4BYTE = 0x12
AAI_WORD_PROGRAM = 0xAD  # SST25VF: two bytes, address counts up by itself
ENTER_4BYTE = 0xB7
WRITE_EXTENDED_ADDRESS = 0xC5
READ_EXTENDED_ADDRESS = 0xC8
WRITE_BANK = 0x17  # Spansion bank register
READ_BANK = 0x16
RESET_ENABLE = 0x66
RESET = 0x99

WEL = 0x02
"""Write enable latch in status register 1."""
WIP = 0x01
"""Write in progress in status register 1."""


class Width(enum.IntEnum):
    """Bytes in an address."""

    THREE = 3
    FOUR = 4


@dataclass(frozen=True, slots=True)
class ReadStyle:
    """How one pass reads: `fast` uses 0Bh (or 0Ch) with `dummy` bytes after the address, otherwise
    03h (or 13h); `chunk` is the longest single transfer of the adapter in bytes."""

    fast: bool = True
    dummy: int = 1
    chunk: int = 65536


def address(value: int, width: Width) -> bytes:
    """An address, most significant byte first. Raises OverflowError if it does not fit."""
    return value.to_bytes(width, "big")


def read_id(count: int = 3) -> Transaction:
    """9Fh: manufacturer, type, capacity, and whatever the chip sends after them."""
    return Transaction(bytes((READ_ID,)), count)


def read_id_after_dummy(count: int) -> Transaction:
    """9Fh and a byte of 00h: the ID command of most SPI NAND chips."""
    return Transaction(bytes((READ_ID, 0)), count)


def read_rems() -> Transaction:
    """90h: manufacturer and device, one byte each; some older chips answer only this."""
    return Transaction(bytes((READ_REMS, 0, 0, 0)), 2)


def read_legacy_id() -> Transaction:
    """ABh: wakes the chip from deep power-down, and is answered with one byte after three dummies.

    The rest covers tRES: 3 to 30 µs (Winbond, Macronix), 35 µs at most.
    """
    return Transaction(bytes((RELEASE_POWER_DOWN, 0, 0, 0)), 1, rest=50e-6)


def read_sfdp(start: int, count: int) -> Transaction:
    """5Ah: always a 3-byte address and one dummy byte (JESD216F, 4.1)."""
    return Transaction(bytes((READ_SFDP,)) + address(start, Width.THREE) + b"\xff", count)


def read_register(opcode: int, count: int = 1) -> Transaction:
    """A register that is read without an address."""
    return Transaction(bytes((opcode,)), count)


def read_status() -> Transaction:
    """05h: status register 1."""
    return read_register(READ_STATUS)


def read_unique_id(opcode: int, dummy: int, count: int, place: bytes = b"") -> Transaction:
    """4Bh and similar: the address bytes `place`, dummy bytes, then the ID."""
    return Transaction(bytes((opcode,)) + place + bytes(dummy), count)


def read_security(opcode: int, start: int, dummy: int, count: int) -> Transaction:
    """48h and similar: 3-byte address, dummy bytes, then the contents."""
    return Transaction(bytes((opcode,)) + address(start, Width.THREE) + bytes(dummy), count)


def write_enable() -> Transaction:
    """06h: enables the next erase, program or register write."""
    return Transaction(bytes((WRITE_ENABLE,)))


def volatile_write_enable() -> Transaction:
    """50h: the next status write lasts only until power-down."""
    return Transaction(bytes((VOLATILE_STATUS_WRITE_ENABLE,)))


def write_disable() -> Transaction:
    """04h: clears the write enable latch; ends an AAI run."""
    return Transaction(bytes((WRITE_DISABLE,)))


def write_register(opcode: int, value: bytes, rest: float = 0.0) -> Transaction:
    """A register that is written without an address."""
    return Transaction(bytes((opcode,)) + value, rest=rest)


def read_head(start: int, width: Width, style: ReadStyle, *, native: bool) -> bytes:
    """What is sent before the contents are clocked in; `native` uses the 4-byte opcodes."""
    if style.fast:
        opcode = FAST_READ_4BYTE if native else FAST_READ
        return bytes((opcode,)) + address(start, width) + b"\xff" * style.dummy
    return bytes((READ_4BYTE if native else READ,)) + address(start, width)


def program(
    start: int, data: bytes, width: Width, *, native: bool, rest: float = 0.0
) -> Transaction:
    """02h (12h): one page or less; bits only change from 1 to 0."""
    opcode = PROGRAM_4BYTE if native else PROGRAM
    return Transaction(bytes((opcode,)) + address(start, width) + data, rest=rest)


def aai_first(start: int, word: bytes, rest: float) -> Transaction:
    """ADh with an address: the first two bytes of an auto-increment run (SST25VF)."""
    return Transaction(bytes((AAI_WORD_PROGRAM,)) + address(start, Width.THREE) + word, rest=rest)


def aai_next(word: bytes, rest: float) -> Transaction:
    """ADh without an address: the next two bytes of the run."""
    return Transaction(bytes((AAI_WORD_PROGRAM,)) + word, rest=rest)


def erase(opcode: int, start: int, width: Width) -> Transaction:
    """Erase the block of the opcode's size that contains `start`."""
    return Transaction(bytes((opcode,)) + address(start, width))


def chip_erase(opcode: int) -> Transaction:
    """C7h or 60h: erase everything."""
    return Transaction(bytes((opcode,)))


def enter_4byte() -> Transaction:
    """B7h: addresses have four bytes from now on."""
    return Transaction(bytes((ENTER_4BYTE,)))


def exit_4byte(opcode: int) -> Transaction:
    """Back to three bytes, as boot ROMs expect: E9h on most parts, 29h on ISSI's, B8h on
    Infineon's."""
    return Transaction(bytes((opcode,)))


def software_reset() -> tuple[Transaction, Transaction]:
    """66h, 99h; tRST is 30 µs for an idle chip, and 12 ms covers a reset during an erase (W25Q and
    MX25L data sheets)."""
    return Transaction(bytes((RESET_ENABLE,))), Transaction(bytes((RESET,)), rest=12e-3)


def leave_continuous_read() -> Transaction:
    """Eight FFh bytes: a chip that a processor left in continuous (XIP) read mode takes them for an
    address and a mode byte that ends the mode (W25Q, GD25Q data sheets)."""
    return Transaction(b"\xff" * 8)
