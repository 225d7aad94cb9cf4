"""Protection schemes: one entry each, with everything that differs from scheme to scheme. Pure.

A part of the chip table names its scheme (`chipdb/schemes.py` lists the names and describes the
bits). The entry here says which registers such a part has, which addresses its bits protect
(`protection_rules`), how they are cleared, what locks the status register, where the chip shows its
address mode, how the error bits of a failed operation are cleared, and how a part is unlocked that
is locked after power-up. To add a scheme, add a line in `chipdb/schemes.py`, an entry in `SCHEMES`,
and its rule if it has one.

Only registers that the named part documents are read: 35h, for example, reads status register 2 on
a Winbond and switches a Macronix into QPI mode. The one exception is `TELLING`: registers that
distinguish parts with one ID. Bits are those of the data sheets named at each rule; what comes from
the Linux kernel (drivers/mtd/spi-nor, 6.12) is marked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from spiflash.nor import protection_rules as rules

# -- registers -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Register:
    """A register of `length` bytes that `opcode` reads."""

    name: str
    opcode: int
    length: int = 1


SR1 = Register("SR1", 0x05)
_SR2 = Register("SR2", 0x35)
_SR3 = Register("SR3", 0x15)
_CR = Register("CR", 0x15)
_SCUR = Register("SCUR", 0x2B)
_CR1 = Register("CR1", 0x35)
_SPANSION_SR2 = Register("SR2", 0x07)


@dataclass(frozen=True, slots=True)
class ModeBit:
    """Where a part shows its address mode: the register that `opcode` reads, and the bit."""

    opcode: int
    mask: int
    name: str


# -- what differs from scheme to scheme ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clearing:
    """How the block protection is cleared: the BP bits in SR1, and the register that the second
    byte of 01h writes ("" if 01h takes one byte only)."""

    bp: int
    second: str = ""
    complement: int = 0
    """The CMP bit in the second register: if it is set, all BP bits set protect nothing."""
    second_lost: int = 0
    """Bits of the second register that a one-byte 01h may have cleared and that can be set again:
    QE, CMP, latency code. Never a one-time bit, nor one that locks the register."""
    unseen_second: bool = False
    """The part may have a second register that cannot be read and that a one-byte 01h may clear. So
    a volatile write (50h) is tried first, and a non-volatile one is only for parts whose QE bit is
    not in such a register."""


@dataclass(frozen=True, slots=True)
class PowerUpLock:
    """How a part is unlocked whose blocks are all protected after power-up, and locked again.

    `opcode` is sent with `value` (empty for an opcode alone). The bits `seen` of SR1, read before,
    show that blocks were protected. `close` is then written to SR1: None for the same bits again,
    -1 if the part stays unlocked until the next power-up.
    """

    opcode: int = 0x01
    value: bytes = b"\x00"
    seen: int = 0
    close: int | None = None


@dataclass(frozen=True, slots=True)
class Scheme:
    """Everything about one protection scheme."""

    name: str
    registers: tuple[Register, ...] = (SR1,)
    rule: rules.Rule | None = None
    """None: any BP bit that is set says only that something may be protected."""
    decides: str = ""
    """The register besides SR1 that decides what is protected. It is not read on a chip that may be
    a part without it."""
    clearing: Clearing | None = None
    bp_in_sr1: int = 0x3C
    """For schemes without a rule: if these bits of SR1 are clear, nothing is protected."""
    lock_bit: bool = True
    """SR1 bit 7 (SRP0, SRWD, BPL) locks the status register while WP# is low."""
    power_lock: str = ""
    """The second register whose bit 0 is SRP1 (SRL), if any: with SRP0 clear it locks until
    power-down, with SRP0 set permanently (W25Q64FV, status register protection table). The JV calls
    the latter reserved."""
    individual: Mapping[int, tuple[str, int]] = field(default_factory=dict)
    """By manufacturer: (register, mask) of the bit that enables locks of single blocks in place of
    the BP bits."""
    mode_bits: Mapping[int, ModeBit] = field(default_factory=dict)
    """By manufacturer: the bit that shows the address mode."""
    mode_by_any_register: bool = False
    """The form in which 65h (read any register) takes its address shows the mode (Infineon)."""
    clear_errors: int | None = None
    """While an error bit (SR1.5, SR1.6) is set, the chip says busy and ignores everything except
    this opcode."""
    power_up: PowerUpLock | None = None
    states_registers: bool = True
    """False: the scheme does not say which registers besides SR1 a part has."""


_BLOCK_LOCKS = {0xEF: ("SR3", 0x04), 0xC2: ("SCUR", 0x80)}
"""WPS, bit 2 of SR3 (W25Q64JV, W25Q128FV, W25Q256FV), and WPSEL, bit 7 of SCUR (MX25L12835F,
MX25L25645G; one-time)."""

_FSR = ModeBit(0x70, 0x01, "bit 0 of FSR")
_EXTADD = ModeBit(0x16, 0x80, "EXTADD, bit 7 of the bank register")
# Mode bits: W25Q256FV and JV (ADS), MX25L25635F and 25645G (4BYTE),
# MX25L25635E, N25Q256A and MT25Q (addressing), S25FL256S (EXTADD), IS25LP256 (EXTADD).

_WINBOND = Scheme("", (SR1, _SR2, _SR3), power_lock="SR2", individual=_BLOCK_LOCKS, decides="SR2")
_SPANSION_L = Scheme(
    "",
    (SR1, _CR1, _SPANSION_SR2, Register("CR2", 0x15), Register("CR3", 0x33)),
    power_lock="CR1",
    decides="CR1",
)
_MACRONIX = Scheme("", (SR1, _SCUR), individual=_BLOCK_LOCKS)

_ALL = (
    Scheme("none", lock_bit=False, states_registers=False),
    Scheme("unknown", states_registers=False),
    Scheme("sector-locks", states_registers=False),
    Scheme("atmel-sector", lock_bit=False, states_registers=False),
    replace(
        _WINBOND,
        name="bp3-tb-sec-cmp",
        rule=rules.bp3_tb_sec_cmp,
        clearing=Clearing(0x1C, "SR2", 0x40, second_lost=0x42),
    ),
    Scheme(
        "bp3-tb-sec",
        (SR1, _SR2),
        rule=rules.bp3_tb_sec,
        clearing=Clearing(0x1C, "SR2", second_lost=0x02),
        power_lock="SR2",
    ),
    replace(
        _WINBOND,
        name="bp4-tb",
        rule=rules.bp4_tb,
        clearing=Clearing(0x3C, "SR2", 0x40, second_lost=0x42),
        mode_bits={0xEF: ModeBit(0x15, 0x01, "ADS, bit 0 of SR3")},
    ),
    replace(
        _MACRONIX,
        name="bp4-tb-cr",
        registers=(SR1, _CR, _SCUR),
        rule=rules.bp4_tb_cr,
        decides="CR",
        # One byte leaves the configuration register unchanged (MX25L12835F data sheet).
        clearing=Clearing(0x3C),
        mode_bits={0xC2: ModeBit(0x15, 0x20, "4BYTE, bit 5 of CR")},
    ),
    replace(
        _MACRONIX,
        name="bp4",
        rule=rules.bp4,
        clearing=Clearing(0x3C),
        mode_bits={0xC2: ModeBit(0x2B, 0x04, "4BYTE, bit 2 of SCUR")},
    ),
    Scheme("bp3-tb", rule=rules.bp3_tb, clearing=Clearing(0x1C)),
    Scheme("bp3", rule=rules.bp3, clearing=Clearing(0x1C)),
    Scheme("bp2", rule=rules.bp2, clearing=Clearing(0x0C)),
    Scheme(
        "bp-micron",
        (
            SR1,
            Register("FSR", 0x70),
            Register("NVCR", 0xB5, 2),
            Register("VCR", 0x85),
            Register("EVCR", 0x65),
        ),
        rule=rules.bp_micron,
        clearing=Clearing(0x5C),
        mode_bits={0x20: _FSR, 0x2C: _FSR},
    ),
    Scheme(
        "bp-spansion",
        (SR1, _CR1, _SPANSION_SR2),
        rule=rules.bp_spansion,
        decides="CR1",
        clearing=Clearing(0x1C, "CR1", second_lost=0xC2),
        mode_bits={0x01: _EXTADD},
        # S25FL128S data sheet, "status register 1"; spansion.c of the kernel (USE_CLSR) clears
        # with 30h too.
        clear_errors=0x30,
    ),
    Scheme(
        "bp-semper",
        # S25HL512T: 35h reads CFR1V, which has TBPROT in bit 5 like CR1 of the S generation; the
        # second byte of 01h goes there.
        (SR1, _CR1),
        rule=rules.bp_spansion,
        decides="CR1",
        clearing=Clearing(0x1C, "CR1", second_lost=0x02),
        mode_by_any_register=True,
        # spansion.c (USE_CLPEF): 82h; 30h resumes a suspended erase on these parts.
        clear_errors=0x82,
    ),
    replace(
        _SPANSION_L,
        name="bp-spansion-l",
        rule=rules.bp_spansion_l,
        clearing=Clearing(0x1C, "CR1", 0x40, second_lost=0x42),
    ),
    replace(
        _SPANSION_L,
        name="bp4-spansion-l",
        rule=rules.bp4_spansion_l,
        clearing=Clearing(0x3C, "CR1", 0x40, second_lost=0x42),
    ),
    Scheme(
        "bp4-tb-issi",
        (SR1, Register("FR", 0x48), Register("RPR", 0x61)),
        rule=rules.bp4_tb_issi,
        decides="FR",
        clearing=Clearing(0x3C),
        mode_bits={0x9D: _EXTADD},
    ),
    Scheme("bp-en", rule=rules.bp_en, clearing=Clearing(0x3C)),
    Scheme(
        "bp-sr1",
        rule=rules.bp_sr1,
        clearing=Clearing(0x3C, unseen_second=True),
        states_registers=False,
    ),
    Scheme(
        "bp-volatile",
        rule=rules.bp_sr1,
        clearing=Clearing(0x3C),
        # The BP bits of F25L32PA and of Intel's S33 are set after power-up; esmt.c and intel.c of
        # the kernel (SPI_NOR_SWP_IS_VOLATILE) clear them at every start.
        power_up=PowerUpLock(seen=0xBC),
    ),
    # atmel.c of the kernel (at25fs_nor_ops): only 00h for the whole status register is certain.
    Scheme("bp-at25fs", rule=rules.bp_at25fs, clearing=Clearing(0x7C)),
    Scheme(
        "sst-bp",
        rule=rules.sst_bp,
        clearing=Clearing(0x3C),
        # SST25VF032B: the BP bits are set after power-up; BPL is bit 7.
        power_up=PowerUpLock(seen=0xBC),
    ),
    Scheme(
        "sst-block",
        (SR1, Register("CR", 0x35)),
        bp_in_sr1=0,
        lock_bit=False,
        # SST26VF064B: 98h unlocks all blocks, until the next power-up.
        power_up=PowerUpLock(opcode=0x98, value=b"", close=-1),
    ),
    Scheme(
        "global-unlock",
        rule=rules.global_unlock,
        # AT25DF321A: "global unprotect" 00h, "global protect" ones in bits 5 to 2; SWP, bits 3
        # and 2, read ones while all sectors are protected.
        power_up=PowerUpLock(seen=0x0C, close=0x3C),
    ),
)

SCHEMES: Mapping[str, Scheme] = {entry.name: entry for entry in _ALL}
"""By the names of the chip table."""


def scheme(name: str) -> Scheme:
    """The entry of that name, or that of "unknown" if there is none."""
    return SCHEMES.get(name, SCHEMES["unknown"])


# -- what may be read on a chip that can be one of several parts -----------------------------------


def common_registers(names: Sequence[str]) -> tuple[Register, ...]:
    """The registers that all of the schemes have: those that may be read on a chip that could be
    any of several parts."""
    first, *others = (scheme(name).registers for name in names)
    return tuple(register for register in first if all(register in other for other in others))


TELLING: Mapping[int, tuple[Register, ...]] = {0xC2: (_CR,), 0xEF: (_SR3,)}
"""By manufacturer: registers that newer parts have and older ones with the same ID do not. An
opcode is listed only if it means nothing else on any part of that manufacturer: 15h reads the
configuration register of a Macronix (F and later) and status register 3 of a Winbond (FV and
later), and is unused on their older parts (data sheets MX25L12805D, MX25L12835F, W25Q64BV,
W25Q64FV)."""


MIRRORING: Mapping[str, tuple[Register, int]] = {"cr1.2": (_CR1, 0x04)}
"""The bits that mirror an erase map (`Part.mirrored_by`): register and mask. TBPARM of S25FL-P and
S25FL-S; their CR1 is read with 35h, which means nothing else on any part with their IDs."""


def distinguishing_registers(maker: int, names: Sequence[str]) -> tuple[Register, ...]:
    """The registers to try on a chip that could have any of these schemes: those that some of them
    document and others do not."""
    lists = [scheme(name).registers for name in names]
    return tuple(
        register
        for register in TELLING.get(maker, ())
        if any(register in each for each in lists) and not all(register in each for each in lists)
    )
