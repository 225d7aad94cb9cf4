"""A simulated FTDI USB bridge behind a pyusb backend, on which real pyftdi runs unchanged.

Written from the FT232H, FT2232H, FT4232H and FT2232D data sheets, AN_108 (MPSSE commands) and
AN_135 (MPSSE basics), all from memory.
"""

from __future__ import annotations

from hwmocks.ftdi.backend import UsbBackend
from hwmocks.ftdi.counters import Counters
from hwmocks.ftdi.device import FtdiDevice
from hwmocks.ftdi.faults import LongReadFlaw, UsbFaults
from hwmocks.ftdi.fifos import Mode
from hwmocks.ftdi.profile import (
    FT232H,
    FT2232C,
    FT2232D,
    FT2232H,
    FT4232H,
    FT4232HA,
    PROFILES,
    AdapterProfile,
)

__all__ = [
    "FT232H",
    "FT2232C",
    "FT2232D",
    "FT2232H",
    "FT4232H",
    "FT4232HA",
    "PROFILES",
    "AdapterProfile",
    "Counters",
    "FtdiDevice",
    "LongReadFlaw",
    "Mode",
    "UsbBackend",
    "UsbFaults",
]
