"""What the chip table says about one part: plain frozen values.

Units: sizes in bytes, times in seconds, clocks in hertz, voltages in volts. Opcodes are the
byte that is sent first in a chip-select period.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Duration:
    """How long an operation takes: data sheet typical and maximum, in seconds."""

    typical: float
    maximum: float


@dataclass(frozen=True, slots=True)
class EraseType:
    """One way to erase: how much, with which opcode, for how long."""

    size: int
    opcode: int
    time: Duration
    opcode_4byte: int | None = None
    """The opcode that always takes a 4-byte address, where the part has one."""


@dataclass(frozen=True, slots=True)
class EraseRegion:
    """A region of the chip in which the same erase types work.

    `types` are indices into `Part.erase_types`, smallest erase first.
    """

    length: int
    types: tuple[int, ...]


class ProgramMethod(enum.Enum):
    """How bytes are programmed."""

    PAGE = "page"  # 02h with 1..page bytes, wraps within its page
    BYTE = "byte"  # 02h with a single byte
    AAI_WORD = "aai-word"  # ADh auto-address-increment, two bytes at a time (SST25VF)
    PAGE_528 = "page-528"  # DataFlash with 264/528-byte pages and its own command set


class FourByte(enum.Enum):
    """Methods to address more than 16 MiB; a part lists all that it has, the preferred one
    first."""

    OPCODES = "opcodes"  # 13h/0Ch/12h/21h/DCh take 4-byte addresses
    ENTER = "enter"  # B7h, and back with `Part.exit_4byte`
    ENTER_WREN = "enter-wren"  # the same, each after 06h
    EXTENDED_REGISTER = "extended-register"  # C5h / C8h hold address bits 24 and up
    BANK_REGISTER = "bank-register"  # 17h / 16h (Spansion)
    ALWAYS = "always"  # only ever 4-byte addresses


@dataclass(frozen=True, slots=True)
class UniqueId:
    """How the factory-programmed unique ID is read: opcode, `address` (the bytes to send, none on
    most parts), dummy bytes, then the ID."""

    opcode: int = 0x4B
    dummy: int = 4
    length: int = 8
    address: bytes = b""


@dataclass(frozen=True, slots=True)
class SecurityRegisters:
    """One-time-programmable security registers, read with `opcode`, 3-byte address and
    `dummy` bytes."""

    addresses: tuple[int, ...]
    length: int
    opcode: int = 0x48
    dummy: int = 1


@dataclass(frozen=True, slots=True)
class Source:
    """Where a block of figures comes from.

    `kind`: "data-sheet" (read from the document), "memory" (from a data sheet, from memory),
    or "open-table" (a public table, named in `text`).
    """

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Part:
    """An entry of the chip table: one orderable chip family member."""

    name: str
    vendor: str
    id: bytes
    """Answer to 9Fh: manufacturer, type, capacity (3 bytes)."""
    size: int
    page: int
    erase_types: tuple[EraseType, ...]
    regions: tuple[EraseRegion, ...]
    """From address 0 up; their lengths add up to `size`."""
    program: Duration
    """Time to program one full page (one byte or word for BYTE and AAI_WORD)."""
    sources: tuple[tuple[str, Source], ...]
    """(block of figures, source): blocks are "id", "size", "erase", "times", "electrical",
    "registers"."""
    extended_id: bytes = b""
    """Bytes that follow `id` in the answer to 9Fh and tell parts with this ID apart."""
    aliases: tuple[str, ...] = ()
    """Other order codes with the same figures."""
    mirrored_by: str = ""
    """The one-time bit that mirrors `regions` ("cr1.2"); empty if there is none."""
    program_method: ProgramMethod = ProgramMethod.PAGE
    programs_once: bool = False
    """What is not blank must be erased before it is programmed again, even if bits only change to
    0: the chip's error correction covers units of several bytes (S25HL-T: 16)."""
    chip_erase_opcode: int | None = 0xC7
    chip_erase: Duration | None = None
    needs_erase: bool = True
    """False for memories that overwrite without erasing (MRAM, FRAM, EEPROM)."""
    supply: tuple[float, float] = (2.7, 3.6)
    clock_read: float = 20e6
    """Fastest SCK for 03h."""
    clock_fast: float = 50e6
    """Fastest SCK for 0Bh."""
    fast_read_dummy: int = 1
    """Dummy bytes after the address of 0Bh."""
    fast_read_dummy_4byte: int | None = None
    """The same for 0Ch, if it needs more than 0Bh (mode clocks)."""
    four_byte: tuple[FourByte, ...] = ()
    exit_4byte: int | None = 0xE9
    """The opcode that ends the mode of B7h; None if only a reset does."""
    protection: str = "unknown"
    """Name of the block protection scheme (see `nor/scheme.py`); "none" if there is none."""
    quad_enable: str = "unknown"
    """"none", or register and bit: "sr1.6", "sr2.1", "sr2.7", "cr1.1"."""
    status_write_volatile: bool = False
    """50h makes the next 01h/31h volatile."""
    locked_at_power_up: bool = False
    """Every block is protected after power-up until unlocked (SST25VF, AT25DF)."""
    flag_status: bool = False
    """The flag status register (70h) must be read until bit 7 says ready after every program and
    erase, or the next one is ignored (Micron parts of several dies)."""
    unique_id: UniqueId | None = None
    security: SecurityRegisters | None = None
    sfdp: bool | None = None
    """True or False if the data sheet says so, None if it is not known."""
    sfdp_size: int | None = None
    """The capacity that the SFDP of this part gives, if it is not the true one."""
    sfdp_minor: int | None = None
    """Minor revision of its basic flash table (0: JESD216, 5: A, 6: B), if it distinguishes the
    part from another with the same ID. Only whether it is 0 counts: later ones change with the
    date."""
    map_bits: int = 0
    """Bits that belong into the number of the sector map's configuration, although the chip answers
    with 0 for them (S25FS512S)."""
    refused: str = ""
    """The reason, in words, if this part does not follow the common command set closely enough to
    be written with this program; empty otherwise."""
    notes: tuple[str, ...] = field(default=())
    """Quirks: in what this chip differs from others."""
