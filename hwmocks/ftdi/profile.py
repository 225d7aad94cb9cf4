"""What distinguishes one FTDI bridge from another.

Figures are from the FT232H, FT2232H, FT4232H and FT2232D data sheets and AN_108, from memory,
except where a line says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

_VENDOR = 0x0403


@dataclass(frozen=True, slots=True)
class AdapterProfile:
    """One type of USB bridge.

    `release` is bcdDevice, by which drivers tell the types apart. FIFO sizes are in bytes and seen
    from the host: `tx_fifo` holds what the host sent, `rx_fifo` what it has not fetched. `packet`
    is the bulk packet size in bytes, `frame` the (micro)frame in seconds, `throughput` the bulk
    limit in bytes a second, `overhead` the seconds an engine needs before one command begins.
    """

    name: str
    product: int
    release: int
    interfaces: int
    mpsse: frozenset[int]
    tx_fifo: int
    rx_fifo: int
    port_bits: int
    high_speed: bool
    drive_zero: bool = False
    vendor: int = _VENDOR

    @property
    def packet(self) -> int:
        """Bulk packet size in bytes (USB 2.0, 5.8.3)."""
        return 512 if self.high_speed else 64

    @property
    def frame(self) -> float:
        """Seconds from one (micro)frame to the next (USB 2.0, 8.4.3)."""
        return 125e-6 if self.high_speed else 1e-3

    @property
    def throughput(self) -> float:
        """Bulk bytes a second that a good host controller moves (common practice, no source)."""
        return 40e6 if self.high_speed else 1e6

    @property
    def overhead(self) -> float:
        """Seconds to begin one MPSSE command; an assumption, no published figure."""
        return 0.2e-6 if self.high_speed else 1e-6

    @property
    def base_clock(self) -> float:
        """The clock in hertz that the divisor divides, with the extra division by 5 off."""
        return 60e6 if self.high_speed else 12e6

    @property
    def status_head(self) -> int:
        """First of the two status bytes: CTS and DSR up, low nibble 2 for high speed, else 1."""
        return 0x32 if self.high_speed else 0x31


FT232H = AdapterProfile(
    name="FT232H",
    product=0x6014,
    release=0x0900,
    interfaces=1,
    mpsse=frozenset({1}),
    tx_fifo=1024,
    rx_fifo=1024,
    port_bits=16,
    high_speed=True,
    drive_zero=True,
)
FT2232H = AdapterProfile(
    name="FT2232H",
    product=0x6010,
    release=0x0700,
    interfaces=2,
    mpsse=frozenset({1, 2}),
    tx_fifo=4096,
    rx_fifo=4096,
    port_bits=16,
    high_speed=True,
)
FT4232H = AdapterProfile(
    name="FT4232H",
    product=0x6011,
    release=0x0800,
    interfaces=4,
    mpsse=frozenset({1, 2}),
    tx_fifo=2048,
    rx_fifo=2048,
    port_bits=8,
    high_speed=True,
)
#: The automotive FT4232H, with a product number and a release of its own (pyftdi's tables).
FT4232HA = AdapterProfile(
    name="FT4232HA",
    product=0x6048,
    release=0x3600,
    interfaces=4,
    mpsse=frozenset({1, 2}),
    tx_fifo=2048,
    rx_fifo=2048,
    port_bits=8,
    high_speed=True,
)
FT2232C = AdapterProfile(
    name="FT2232C",
    product=0x6010,
    release=0x0500,
    interfaces=2,
    mpsse=frozenset({1}),
    tx_fifo=128,
    rx_fifo=384,
    port_bits=12,
    high_speed=False,
)
#: The FT2232D is the FT2232C's successor and reports the same bcdDevice.
FT2232D = AdapterProfile(
    name="FT2232D",
    product=0x6010,
    release=0x0500,
    interfaces=2,
    mpsse=frozenset({1}),
    tx_fifo=128,
    rx_fifo=384,
    port_bits=12,
    high_speed=False,
)

PROFILES: dict[str, AdapterProfile] = {
    profile.name: profile for profile in (FT232H, FT2232H, FT4232H, FT4232HA, FT2232C, FT2232D)
}
