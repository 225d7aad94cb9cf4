"""What a data sheet says of one chip, as the simulated chip needs it: frozen values only.

Sizes are in bytes, times in seconds, voltages in volts. Independent of any chip table used to
drive chips: a mistake there must not be repeated here.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType


class Op(enum.Enum):
    """What an opcode makes a chip do; which opcode does it is each chip's own affair."""

    READ_ID = "read-id"  # 9Fh
    READ_LEGACY_ID = "read-legacy-id"  # ABh: three dummies, then one byte, repeated
    READ_REMS = "read-rems"  # 90h: manufacturer and device byte, alternating
    READ_SFDP = "read-sfdp"
    READ_UNIQUE_ID = "read-unique-id"
    READ = "read"
    FAST_READ = "fast-read"
    READ_4 = "read-4"  # address always 4 bytes
    FAST_READ_4 = "fast-read-4"
    PROGRAM = "program"
    PROGRAM_4 = "program-4"
    PROGRAM_AAI = "program-aai"  # two bytes at a time, address counts up
    ERASE = "erase"
    ERASE_4 = "erase-4"
    ERASE_CHIP = "erase-chip"
    WRITE_ENABLE = "write-enable"
    WRITE_DISABLE = "write-disable"
    VOLATILE_WRITE_ENABLE = "volatile-write-enable"
    READ_REGISTER = "read-register"
    READ_ANY = "read-any"  # 65h: any register, by its address (Infineon)
    WRITE_REGISTER = "write-register"
    CLEAR_FLAGS = "clear-flags"
    ENTER_4 = "enter-4"
    EXIT_4 = "exit-4"
    READ_SECURITY = "read-security"
    PROGRAM_SECURITY = "program-security"
    ERASE_SECURITY = "erase-security"
    ENTER_SECURED = "enter-secured"  # B1h: reads and programs go to the secured area
    EXIT_SECURED = "exit-secured"
    LOCK_SECURED = "lock-secured"  # 2Fh: the secured area becomes read-only permanently
    LOCK_BLOCK = "lock-block"
    UNLOCK_BLOCK = "unlock-block"
    READ_BLOCK_LOCK = "read-block-lock"
    LOCK_ALL = "lock-all"
    UNLOCK_ALL = "unlock-all"
    RESET_ENABLE = "reset-enable"
    RESET = "reset"
    RESET_AT_ONCE = "reset-at-once"  # F0h on S25FL-S: no enabling first
    SUSPEND = "suspend"
    RESUME = "resume"
    POWER_DOWN = "power-down"


@dataclass(frozen=True, slots=True)
class Time:
    """Typical and maximum duration in seconds."""

    typical: float
    maximum: float


@dataclass(frozen=True, slots=True)
class Erase:
    """One erase granularity; with `only_below`, it works below that address alone, or in as many
    bytes at the top where the chip's `parameters_top` is set."""

    size: int
    time: Time
    only_below: int | None = None


@dataclass(frozen=True, slots=True)
class Bit:
    """One bit of one register."""

    register: str
    position: int


@dataclass(frozen=True, slots=True)
class Overlay:
    """Small sectors laid over the lowest or highest `length` bytes (S25FS-S, "hybrid sectors").

    Small erases work only there. A large erase of a block that they lie in erases what they leave
    of it, and nothing else. `top` set: they lie at the highest addresses. `off` set: there are
    none, every block is whole and the small erase is ignored.
    """

    length: int
    top: Bit
    off: Bit


@dataclass(frozen=True, slots=True)
class Register:
    """One 8-bit status, configuration or bank register.

    `read` is the opcode that reads it. Masks say which bits a write changes at all
    (`writable`), which of them can only ever become 1 (`otp`), which are lost at power-off
    (`volatile`). `default` is the value the factory leaves, or each power-up sets for volatile
    bits. Bits that the chip computes (WIP, WEL, SUS, ADS) are outside `writable`. `read` is -1
    for a register that only 65h reads.
    """

    name: str
    read: int
    writable: int = 0
    otp: int = 0
    volatile: int = 0
    default: int = 0


@dataclass(frozen=True, slots=True)
class RegisterWrite:
    """One write opcode: the registers its data bytes go to, in order.

    `clears_missing`: data bytes that do not come count as 00h (older parts lose QE and CMP
    after a one-byte 01h); otherwise the register keeps its value. `volatile`: takes effect at
    once, with no busy time (bank and extended address registers).
    """

    registers: tuple[str, ...]
    clears_missing: bool = False
    volatile: bool = False
    needs_wel: bool = True


class Protection(enum.Enum):
    """Families of block protection tables; see `protection.py`."""

    NONE = "none"
    FRACTION = "fraction"  # BP2–0 (1/64 … all), TB, SEC, CMP
    DOUBLING = "doubling"  # BP3–0 (64 KiB, doubling), TB, CMP
    MIRRORED = "mirrored"  # BP3–0: 1001 … 1110 leave out what their mirror image protects
    EON = "eon"  # BP2–0 (64 KiB, doubling), BP3 selects top or bottom


@dataclass(frozen=True, slots=True)
class SecurityArea:
    """Security registers (erasable until locked) or a one-time-programmable area.

    `lock` holds one bit per register, all OTP. With `entered`, the area is reached by
    B1h/C1h instead of opcodes of its own.
    """

    addresses: tuple[int, ...]
    length: int
    lock: tuple[Bit, ...] = ()
    dummy: int = 1
    entered: bool = False
    one_time: bool = False


@dataclass(frozen=True, slots=True)
class ChipDescription:
    """Everything the simulated chip needs to behave like one part number."""

    name: str
    source: str
    """The data sheet; its figures are from memory unless something else is named."""
    id: bytes
    """Answer to 9Fh, extended bytes included; repeated from the start when clocked further."""
    size: int
    opcodes: Mapping[int, Op]
    erases: Mapping[int, Erase]
    """By opcode, 3- or 4-byte ones alike."""
    program: Time
    chip_erase: Time
    legacy_id: int | None = None
    rems: bytes = b""
    page: int = 256
    registers: tuple[Register, ...] = ()
    register_writes: Mapping[int, RegisterWrite] = field(
        default_factory=lambda: MappingProxyType({})
    )
    register_time: Time = Time(10e-3, 15e-3)
    protection: Protection = Protection.NONE
    bp: tuple[Bit, ...] = ()
    """Block protection bits, least significant first."""
    tb: Bit | None = None
    sec: Bit | None = None
    cmp: Bit | None = None
    srp0: Bit | None = None
    """With WP# low, locks the status registers ("SRP", "SRWD", "BPL")."""
    srp1: Bit | None = None
    """Power-supply lock-down until the next power cycle ("SRL")."""
    srp_otp: bool = False
    """SRP1 and SRP0 both set lock the status registers permanently."""
    wps: Bit | None = None
    """Individual block locks instead of BP bits."""
    qe: Bit | None = None
    """While set, WP# and HOLD# are data lines and lose their old meaning."""
    sus: tuple[Bit, Bit] | None = None
    """Where a suspended (erase, program) shows; both may be the same bit."""
    ads: Bit | None = None
    """Shows 4-byte address mode."""
    adp: Bit | None = None
    """4-byte address mode after power-up."""
    bank: tuple[str, int] | None = None
    """Register holding address bits 24 and up, and the mask of those bits."""
    bank_extadd: Bit | None = None
    """Bank register bit that makes addresses 4 bytes long."""
    enter_4_needs_wel: bool = False
    segment_wrap: bool = True
    """In 3-byte mode a read past 16 MiB goes on at the start of the same 16 MiB segment."""
    flag_register: str = ""
    """Micron's flag status register (its bits are computed)."""
    error_bits: tuple[Bit, Bit] | None = None
    """Where a failed (erase, program) shows."""
    errors_hold_busy: bool = False
    """WIP stays set after a failure until the flags are cleared (S25FL-S)."""
    exit_4_sets_bank: int = 0
    """What the bank register holds after 4-byte mode was left by opcode."""
    any_registers: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    """Register by the address that 65h takes."""
    any_dummy: tuple[int, int] = (0, 1)
    """Dummy bytes of 65h: (volatile registers, from 800000h on; the others)."""
    overlay: Overlay | None = None
    ecc_unit: int | None = None
    """Programming such a unit of bytes that is not blank fails (S25HL-T, S28H-T)."""
    parameters_top: Bit | None = None
    """TBPARM: the small sectors lie at the top (S25FL-P, S25FL-S)."""
    fast_read_dummy: int = 1
    fast_read_4_dummy: int | None = None
    """The same of 0Ch, where it is another."""
    unique_id_dummy: int = 4
    unique_id_length: int = 0
    unique_id_in_sfdp: int | None = None
    """Where in the SFDP area the unique ID is read (EN25QH), None where 4Bh or alike reads it."""
    security: SecurityArea | None = None
    sfdp: bytes = b""
    suspend_latency: float = 20e-6
    power_up_delay: float = 5e-3
    """tPUW: from power-on until writes are accepted."""
    wake_delay: float = 3e-6
    """tRES: from ABh until the chip listens again."""
    reset_delay: float = 30e-6
    has_hold: bool = True
    has_reset: bool = False
    program_bytes: int | None = None
    """02h takes exactly this many data bytes (SST25VF: one)."""
    supply: tuple[float, float] = (2.7, 3.6)

    def __deepcopy__(self, memo: object) -> ChipDescription:
        # Frozen values: a copied chip is of the same kind.
        return self

    def register(self, name: str) -> Register:
        """The register of that name; KeyError when the chip has none."""
        for register in self.registers:
            if register.name == name:
                return register
        raise KeyError(name)
