"""Faults between adapter and chip: each wraps one `SpiDevice` in another.

Faults nest, and each draws from its own seed. Bits travel most significant first. Only
`HeldLow` and `PowerCut` know more of what they wrap than the wire contract says; the faults in
`reads` follow the read commands.
"""

from hwmocks.faults.bits import BitErrors, FixedPlaceError, OneBitLate, SlowWire
from hwmocks.faults.bursts import Bursts, IntermittentContact, OtherMaster
from hwmocks.faults.pins import (
    DeadClock,
    HeldLow,
    LooseChipSelect,
    LooseMiso,
    LooseMosi,
    NoPower,
    StuckBits,
)
from hwmocks.faults.power import MovedClip, PowerCut
from hwmocks.faults.reads import AlikeAtClocks, Meanwhile, Pattern, WeakCells, WrongBlock
from hwmocks.faults.wrapper import Wrapper

__all__ = [
    "AlikeAtClocks",
    "BitErrors",
    "Bursts",
    "DeadClock",
    "FixedPlaceError",
    "HeldLow",
    "IntermittentContact",
    "LooseChipSelect",
    "LooseMiso",
    "LooseMosi",
    "Meanwhile",
    "MovedClip",
    "NoPower",
    "OneBitLate",
    "OtherMaster",
    "Pattern",
    "PowerCut",
    "SlowWire",
    "StuckBits",
    "WeakCells",
    "Wrapper",
    "WrongBlock",
]
