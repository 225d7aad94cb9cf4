"""Status and configuration registers: which a part has. Pure.

Only registers that the named part documents are ever read: 35h, for one, reads status
register 2 on a Winbond and switches a Macronix into QPI mode. The one exception is in
`TELLING`: registers that tell parts with one ID apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Register:
    """A register that one opcode reads, `length` bytes long."""

    name: str
    opcode: int
    length: int = 1


SR1 = Register("SR1", 0x05)

_SR2 = Register("SR2", 0x35)
_SR3 = Register("SR3", 0x15)
_WINBOND_LIKE = (SR1, _SR2, _SR3)
_TWO = (SR1, _SR2)
_MACRONIX = (SR1, Register("CR", 0x15), Register("SCUR", 0x2B))
_MACRONIX_OLD = (SR1, Register("SCUR", 0x2B))
_MICRON = (
    SR1,
    Register("FSR", 0x70),
    Register("NVCR", 0xB5, 2),
    Register("VCR", 0x85),
    Register("EVCR", 0x65),
)
_SPANSION = (SR1, Register("CR1", 0x35), Register("SR2", 0x07))
_SPANSION_L = (
    SR1,
    Register("CR1", 0x35),
    Register("SR2", 0x07),
    Register("CR2", 0x15),
    Register("CR3", 0x33),
)
_SST26 = (SR1, Register("CR", 0x35))
_ISSI = (SR1, Register("FR", 0x48), Register("RPR", 0x61))

REGISTERS: Mapping[str, tuple[Register, ...]] = {
    "bp3-tb-sec-cmp": _WINBOND_LIKE,
    "bp3-tb-sec": _TWO,
    "bp4-tb": _WINBOND_LIKE,
    "bp4-tb-cr": _MACRONIX,
    "bp4": _MACRONIX_OLD,
    "bp-micron": _MICRON,
    "bp-spansion": _SPANSION,
    "bp-spansion-l": _SPANSION_L,
    "bp4-spansion-l": _SPANSION_L,
    "sst-block": _SST26,
    "bp4-tb-issi": _ISSI,
}
"""By protection scheme; a part with any other scheme has only SR1 read."""


def documented(schemes: Sequence[str]) -> tuple[Register, ...]:
    """The registers that every one of the schemes has: what may be read of a chip that could
    be any of several parts."""
    first, *others = (REGISTERS.get(scheme, (SR1,)) for scheme in schemes)
    return tuple(register for register in first if all(register in other for other in others))


TELLING: Mapping[int, tuple[Register, ...]] = {
    0xC2: (Register("CR", 0x15),),
    0xEF: (_SR3,),
}
"""By manufacturer: registers that newer parts answer and older ones with the same ID do not
know. An opcode is listed only where no part of that maker takes it for anything else: 15h is
the configuration register of a Macronix (F and later) and status register 3 of a Winbond (FV
and later), and unused on their older parts (data sheets MX25L12805D, MX25L12835F, W25Q64BV,
W25Q64FV, from memory)."""


def telling(maker: int, schemes: Sequence[str]) -> tuple[Register, ...]:
    """The registers worth a try on a chip that could have any of `schemes`: those that some of
    them document and others do not."""
    lists = [REGISTERS.get(scheme, (SR1,)) for scheme in schemes]
    return tuple(
        register
        for register in TELLING.get(maker, ())
        if any(register in each for each in lists) and not all(register in each for each in lists)
    )
