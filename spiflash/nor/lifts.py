"""How the block protection of each scheme is cleared. Pure; from memory of the data sheets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Lift:
    """How the block protection of one scheme is cleared: the BP bits in SR1, and the register
    that a second byte of 01h writes ("" where 01h takes one byte only)."""

    bp: int
    second: str = ""
    complement: int = 0
    """The CMP bit in the second register: with it set, BP all ones protects nothing."""
    second_lost: int = 0
    """Bits of the second register that a one-byte 01h may have cleared and that can be set
    again: QE, CMP, latency code. Never a one-time bit, nor one that locks the register."""


LIFTS: Mapping[str, Lift] = {
    "bp3-tb-sec-cmp": Lift(0x1C, "SR2", 0x40, second_lost=0x42),
    "bp3-tb-sec": Lift(0x1C, "SR2", second_lost=0x02),
    "bp4-tb": Lift(0x3C, "SR2", 0x40, second_lost=0x42),
    "bp-spansion-l": Lift(0x1C, "CR1", 0x40, second_lost=0x42),
    "bp4-spansion-l": Lift(0x3C, "CR1", 0x40, second_lost=0x42),
    "bp-spansion": Lift(0x1C, "CR1", second_lost=0xC2),
    "bp3-tb": Lift(0x1C),
    "bp3": Lift(0x1C),
    "bp2": Lift(0x0C),
    "bp4": Lift(0x3C),
    # One byte leaves the configuration register alone (MX25L12835F data sheet, from memory).
    "bp4-tb-cr": Lift(0x3C),
    "bp4-tb-issi": Lift(0x3C),
    "bp-micron": Lift(0x5C),
    "bp-en": Lift(0x3C),
    "sst-bp": Lift(0x3C),
}
"""By the names of the chip table."""
