"""The SFDP header and the parameter headers, and the arithmetic that all SFDP tables share.

Rules that live here: JESD216F section 6.2 (SFDP header) and 6.3 (parameter headers), and how far
a reader follows pointers that a chip gives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from spiflash.nor.geometry import Duration


class SfdpError(ValueError):
    """The tables cannot be used; the message gives the reason."""


def dwords(raw: bytes, start: int, count: int) -> tuple[int, ...]:
    """Up to `count` complete little-endian DWORDs from byte `start` on."""
    count = max(0, min(count, (len(raw) - start) // 4))
    return tuple(
        int.from_bytes(raw[at : at + 4], "little") for at in range(start, start + 4 * count, 4)
    )


def bits(dword: int, high: int, low: int) -> int:
    """Bits `high` down to `low`, as the standard's tables write them."""
    return (dword >> low) & ((1 << (high - low + 1)) - 1)


def flag(dword: int, position: int) -> bool:
    """Whether bit `position` is set."""
    return bool(dword >> position & 1)


def hexcode(opcode: int) -> int | None:
    """An opcode field; 00h and FFh mean that there is none."""
    return None if opcode in (0x00, 0xFF) else opcode


def span(count: int, unit: float, multiplier: int) -> Duration:
    """Typical (count + 1) x unit seconds, maximum 2 x (multiplier + 1) times that
    (JESD216F, 10th and 11th DWORD)."""
    typical = round((count + 1) * unit, 9)
    return Duration(typical, round(2 * (multiplier + 1) * typical, 9))


SIGNATURE = b"SFDP"
HEADER = 8
"""Bytes in the SFDP header, and in each parameter header."""
MAX_AREA = 1 << 16
"""Most bytes that are read. Real tables end within a few KiB; a pointer beyond this is a fault of
the chip or of the contact, and following it would only read noise."""

BASIC = 0xFF00
SECTOR_MAP = 0xFF81
FOUR_BYTE = 0xFF84

# Function-specific IDs of JESD216F. Bit 7 of the low byte makes its parity even.
_NAMES = {
    BASIC: "basic flash parameters",
    SECTOR_MAP: "sector map",
    0xFF03: "replay protected monotonic counters",
    FOUR_BYTE: "4-byte address instructions",
    0xFF05: "xSPI profile 1.0",
    0xFF06: "xSPI profile 2.0",
    0xFF87: "status, control and configuration register map",
    0xFF88: "status, control and configuration register map for multi-chip devices",
    0xFF09: "status, control and configuration register map for xSPI profile 2.0",
    0xFF0A: "command sequences to change to octal DDR mode",
}


@dataclass(frozen=True, slots=True)
class ParameterHeader:
    """One parameter header: an ID, a revision, and where the table lies.

    `length` counts DWORDs, `pointer` is a byte address in the SFDP area.
    """

    id: int
    major: int
    minor: int
    length: int
    pointer: int

    @property
    def end(self) -> int:
        """Address of the first byte after the table, as the header claims."""
        return self.pointer + 4 * self.length

    @property
    def blank(self) -> bool:
        """True for a header slot that was never filled in (all FFh or all 00h)."""
        return (self.id, self.pointer) in ((0xFFFF, 0xFFFFFF), (0, 0))

    @property
    def vendor_code(self) -> int | None:
        """JEP106 code of the vendor whose table this is, None for a JEDEC table.

        In JESD216 of 2011 (1.0) the high byte was unused and FFh: an ID such as FFC2h is then a
        vendor's. JEDEC's own low bytes have even parity and JEP106 codes odd parity, so the two
        cannot be confused.
        """
        low, high = self.id & 0xFF, self.id >> 8
        if high == 0xFF and low.bit_count() % 2 == 0:
            return None
        return low

    @property
    def bank(self) -> int | None:
        """JEP106 bank (from 1) of a vendor's table, None if it is not given."""
        high = self.id >> 8
        return None if self.vendor_code is None or high in (0x00, 0xFF) else high

    @property
    def name(self) -> str:
        """What the table describes, in words."""
        if self.vendor_code is not None:
            bank = "" if self.bank is None else f" of bank {self.bank}"
            return f"vendor table (JEP106 code {self.vendor_code:02X}h{bank})"
        return _NAMES.get(self.id, f"JEDEC table {self.id:04X}h")


@dataclass(frozen=True, slots=True)
class AreaHeader:
    """The first eight bytes: revision, how many headers follow, how to read them."""

    major: int
    minor: int
    headers: int
    """Number of parameter headers that the chip claims (the field NPH plus one)."""
    protocol: int
    """Access protocol byte (JESD216C and later); FFh: 5Ah, 3 address bytes, 8 dummy clocks."""


def area_header(raw: bytes) -> AreaHeader:
    """Decode the SFDP header (JESD216F 6.2).

    Raises `SfdpError` if the signature is missing or the header is incomplete.
    """
    if raw[:4] != SIGNATURE:
        raise SfdpError("no SFDP signature")
    if len(raw) < HEADER:
        raise SfdpError("the SFDP header is incomplete")
    return AreaHeader(major=raw[5], minor=raw[4], headers=raw[6] + 1, protocol=raw[7])


def parameter_headers(raw: bytes) -> tuple[ParameterHeader, ...]:
    """Every complete parameter header in `raw`, up to the number the chip claims (6.3).

    Headers end where a table begins: a wrong count does not turn a table into headers.
    Raises `SfdpError` as `area_header` does.
    """
    claimed = area_header(raw).headers
    found: list[ParameterHeader] = []
    tables = MAX_AREA
    for start in range(HEADER, HEADER * (claimed + 1), HEADER):
        slot = raw[start : start + HEADER]
        if len(slot) < HEADER or start + HEADER > tables:
            break
        header = ParameterHeader(
            id=slot[7] << 8 | slot[0],
            major=slot[2],
            minor=slot[1],
            length=slot[3],
            pointer=int.from_bytes(slot[4:7], "little"),
        )
        found.append(header)
        if not header.blank:
            tables = min(tables, header.pointer)
    return tuple(found)


def read_whole(fetch: Callable[[int, int], bytes]) -> bytes:
    """The SFDP area from address 0 to the end of the last table, b"" without a signature.

    `fetch(address, length)` returns `length` bytes of the SFDP area (fewer when the chip stops
    answering). At most `MAX_AREA` bytes are read; `parse` reports tables that lie beyond. Raises
    only what `fetch` raises.
    """
    first = fetch(0, HEADER)
    if len(first) < HEADER or first[:4] != SIGNATURE:
        return b""
    raw = first + fetch(HEADER, HEADER * area_header(first).headers)
    ends = [header.end for header in parameter_headers(raw) if not header.blank and header.length]
    wanted = max((end for end in ends if end <= MAX_AREA), default=0)
    if wanted > len(raw):
        raw += fetch(len(raw), wanted - len(raw))
    return raw
