"""From the bytes of the SFDP area to one value: which tables count, and what is odd about them.

Real chips carry headers that promise more than is there, several basic tables of different
revisions at one address, and tables that disagree with their own revision. Whatever can be used
is used; whatever is wrong is written down in `Sfdp.anomalies`.
"""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.nor.sfdp.basic import AddressBytes, BasicFlash, basic_flash
from spiflash.nor.sfdp.errors import SfdpError
from spiflash.nor.sfdp.fields import dwords
from spiflash.nor.sfdp.fourbyte import FourByteInstructions, four_byte_instructions
from spiflash.nor.sfdp.headers import (
    BASIC,
    FOUR_BYTE,
    SECTOR_MAP,
    ParameterHeader,
    area_header,
    parameter_headers,
)
from spiflash.nor.sfdp.sectormap import SectorMap, sector_map

_SIXTEEN_MIB = 1 << 24
_BASIC_LENGTHS = {0: 9, 5: 16, 6: 16, 7: 20, 8: 20, 9: 20, 10: 20}
"""DWORDs that a basic table of revision 1.n has at least (from memory of JESD216 to JESD216F)."""


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as read: its header, and the complete DWORDs that were there."""

    header: ParameterHeader
    dwords: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Sfdp:
    """Everything that the SFDP area says."""

    major: int
    minor: int
    protocol: int
    headers: tuple[ParameterHeader, ...]
    basic_header: ParameterHeader
    basic: BasicFlash
    four_byte: FourByteInstructions | None
    sector_map: SectorMap | None
    others: tuple[RawTable, ...]
    """Tables that are kept as they are: vendors' and JEDEC's profile tables."""
    missing: tuple[str, ...]
    """What a programmer needs and the tables do not say: "page size", "erase times",
    "program time", "chip erase time", "4-byte methods", "quad enable"."""
    anomalies: tuple[str, ...]
    """What is wrong with the tables, one sentence each, for people."""

    def erases(self) -> tuple[tuple[int, int], ...]:
        """(opcode, bytes) of every block erase that the tables list, wherever it works."""
        basic = self.basic
        found = [(erase.opcode, erase.size) for erase in basic.erases]
        if basic.uniform_4k and basic.opcode_4k is not None:
            found.append((basic.opcode_4k, 4096))
        if self.four_byte is not None:
            fours = ((self.four_byte.erases[e.number - 1], e.size) for e in basic.erases)
            found += [(opcode, size) for opcode, size in fours if opcode is not None]
        return tuple(sorted(set(found)))


def parse(raw: bytes) -> Sfdp:
    """Decode the SFDP area, `raw` beginning at its address 0 (as `read_whole` returns it).

    Raises `SfdpError` with the reason when there is no usable basic table, and nothing else for
    any bytes.
    """
    area = area_header(raw)
    slots = parameter_headers(raw)
    headers = tuple(header for header in slots if not header.blank)
    anomalies: list[str] = []
    if area.major != 1:
        anomalies.append(f"The SFDP revision is {area.major}.{area.minor}; 1.x was expected.")
    if len(headers) < area.headers:
        anomalies.append(
            f"{area.headers} parameter headers are announced, {len(headers)} are there."
        )
    tables = tuple(_table(raw, header, anomalies) for header in headers)
    basic_table = _basic_table(tables, anomalies)
    basic = basic_flash(basic_table.dwords)
    _check_basic(basic_table.header, basic, anomalies)
    four = _first(tables, FOUR_BYTE)
    sectors = _first(tables, SECTOR_MAP)
    four_byte = None if four is None else four_byte_instructions(four.dwords)
    if four is not None and four_byte is None:
        anomalies.append("The 4-byte address instruction table is blank or too short.")
    decoded_map = None
    if sectors is not None:
        decoded_map, faults = sector_map(sectors.dwords)
        anomalies.extend(f"{fault[0].upper()}{fault[1:]}." for fault in faults)
        anomalies.extend(
            f"Configuration {one.id} of the sector map covers {one.size} bytes of {basic.size}."
            for one in decoded_map.configurations
            if one.size != basic.size
        )
    return Sfdp(
        major=area.major,
        minor=area.minor,
        protocol=area.protocol,
        headers=headers,
        basic_header=basic_table.header,
        basic=basic,
        four_byte=four_byte,
        sector_map=decoded_map,
        others=tuple(
            table for table in tables if table.header.id not in (BASIC, FOUR_BYTE, SECTOR_MAP)
        ),
        missing=_missing(basic, four_byte),
        anomalies=tuple(anomalies),
    )


def _table(raw: bytes, header: ParameterHeader, anomalies: list[str]) -> RawTable:
    if header.pointer % 4:
        anomalies.append(f"The {header.name} table starts at {header.pointer:#x}, not a DWORD.")
    found = dwords(raw, header.pointer, header.length)
    if len(found) < header.length:
        anomalies.append(
            f"The {header.name} table claims {header.length} DWORDs, {len(found)} are there."
        )
    return RawTable(header, found)


def _first(tables: tuple[RawTable, ...], identity: int) -> RawTable | None:
    return next((table for table in tables if table.header.id == identity), None)


def _basic_table(tables: tuple[RawTable, ...], anomalies: list[str]) -> RawTable:
    """The basic table to use: the newest 1.x that is long enough.

    A chip may list an old short one first, for readers that know no other, and newer ones after
    it. In JESD216 1.0 the high byte of an ID was unused, so the first table with 00h in the low
    byte is accepted when no FF00h is there.
    """
    candidates = [table for table in tables if table.header.id == BASIC]
    if not candidates:
        candidates = [table for table in tables[:1] if table.header.id & 0xFF == 0]
        if not candidates:
            raise SfdpError("no header points to a basic table")
        anomalies.append(f"The basic table has the ID {candidates[0].header.id:04X}h.")
    usable = [table for table in candidates if len(table.dwords) >= 2]
    if not usable:
        raise SfdpError("the basic table is not within the SFDP area")
    return max(
        usable, key=lambda table: (table.header.major == 1, table.header.minor, len(table.dwords))
    )


def _check_basic(header: ParameterHeader, basic: BasicFlash, anomalies: list[str]) -> None:
    count = len(basic.dwords)
    if header.major != 1:
        anomalies.append(f"The basic table's revision is {header.major}.{header.minor}.")
    elif header.minor not in _BASIC_LENGTHS:
        anomalies.append(f"The basic table's revision 1.{header.minor} is not a published one.")
    elif count < _BASIC_LENGTHS[header.minor]:
        anomalies.append(
            f"A basic table of revision 1.{header.minor} has {_BASIC_LENGTHS[header.minor]} "
            f"DWORDs or more; this one has {count}."
        )
    if basic.size > _SIXTEEN_MIB and basic.address is AddressBytes.THREE:
        anomalies.append("The chip is said to take 3-byte addresses only, yet exceeds 16 MiB.")
    if basic.address is AddressBytes.RESERVED:
        anomalies.append("The number of address bytes has a reserved value.")
    if basic.dwords[0] & 3 in (0, 2):
        anomalies.append("The 4 KiB erase field has a reserved value.")
    listed = [erase.opcode for erase in basic.erases if erase.size == 4096]
    if basic.uniform_4k and listed and basic.opcode_4k not in listed:
        anomalies.append("The 4 KiB erase opcode differs between the 1st and 8th DWORD.")
    if len({erase.size for erase in basic.erases}) < len(basic.erases):
        anomalies.append("Two erase types have the same size.")


def _missing(basic: BasicFlash, four_byte: FourByteInstructions | None) -> tuple[str, ...]:
    absent = []
    if basic.page is None:
        absent.append("page size")
    if not basic.erases or any(erase.time is None for erase in basic.erases):
        absent.append("erase times")
    if basic.page_program is None:
        absent.append("program time")
    if basic.chip_erase is None:
        absent.append("chip erase time")
    if (
        basic.size > _SIXTEEN_MIB
        and not basic.enter_four_byte
        and four_byte is None
        and basic.address is not AddressBytes.FOUR
    ):
        absent.append("4-byte methods")
    if basic.quad_enable is None:
        absent.append("quad enable")
    return tuple(absent)
