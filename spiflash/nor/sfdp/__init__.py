"""Serial Flash Discoverable Parameters (JESD216, up to revision F): pure, no I/O.

`headers.read_whole` fetches the area through a function that the driver supplies, `parse` decodes
it into one value here, `derived.to_geometry` turns that into what plans and drivers need. Section
numbers, field positions and meanings are cited from memory of JESD216F and its predecessors; the
tests hold them against tables read from real parts.

Real chips carry headers that promise more than is there, several basic tables of different
revisions at one address, and tables that disagree with their own revision. Whatever can be used
is used; whatever is wrong is written down in `Sfdp.anomalies`.

The two optional tables are decoded here. The sector map (ID FF81h, JESD216F section 6.5) gives
erase maps that differ from place to place, and from one configuration of the chip to another:
command descriptors say which bits to read from the chip, each yields one bit of the configuration
number, the first command the highest; map descriptors give the regions of one configuration. The
4-byte address instruction table (ID FF84h, section 6.6) lists opcodes that always take four address
bytes.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.nor.sfdp.basic import AddressBytes, BasicFlash, basic_flash
from spiflash.nor.sfdp.headers import (
    BASIC,
    FOUR_BYTE,
    SECTOR_MAP,
    ParameterHeader,
    SfdpError,
    area_header,
    bits,
    dwords,
    flag,
    hexcode,
    parameter_headers,
)
from spiflash.text import address


@dataclass(frozen=True, slots=True)
class Detection:
    """One read that says something about the configuration.

    Send `opcode` and `address` in `address_bytes` bytes, wait `dummy` clocks, read one byte and
    keep the bits in `mask`. `address_bytes` or `dummy` None: as the chip is set up now.
    """

    opcode: int
    address: int
    address_bytes: int | None
    dummy: int | None
    mask: int

    def bit(self, answer: int) -> bool:
        """The bit of the configuration number that `answer`, the byte read, gives."""
        return bool(answer & self.mask)


@dataclass(frozen=True, slots=True)
class MapRegion:
    """A region of `length` bytes; `erases` are the numbers (1 to 4) of the erase types that work in
    it."""

    length: int
    erases: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Configuration:
    """The regions of one configuration, from address 0 up."""

    id: int
    regions: tuple[MapRegion, ...]

    @property
    def size(self) -> int:
        """Sum of the regions, in bytes."""
        return sum(region.length for region in self.regions)


@dataclass(frozen=True, slots=True)
class SectorMap:
    """Every configuration that the table describes, and how to find out which one it is."""

    detections: tuple[Detection, ...]
    configurations: tuple[Configuration, ...]

    def select(self, answers: Sequence[int], also: int = 0) -> Configuration | None:
        """The configuration for the bytes read by `detections`, in the same order; the bits in
        `also` are set in its number, whatever was read.

        None if no configuration has the number that they make, or if an answer is missing. A chip
        with a single configuration needs no answers.
        """
        if not self.detections and len(self.configurations) == 1:
            return self.configurations[0]
        if len(answers) != len(self.detections):
            return None
        number = 0
        for detection, answer in zip(self.detections, answers, strict=True):
            number = number << 1 | detection.bit(answer)
        number |= also
        return next((one for one in self.configurations if one.id == number), None)


def sector_map(table: tuple[int, ...]) -> tuple[SectorMap, tuple[str, ...]]:
    """Decode the descriptors; the second value lists their faults."""
    detections: list[Detection] = []
    configurations: list[Configuration] = []
    faults: list[str] = []
    at = 0
    last = incomplete = False
    while at < len(table) and not last:
        head = table[at]
        last = flag(head, 0)
        if flag(head, 1):
            count = bits(head, 23, 16) + 1
            body = table[at + 1 : at + 1 + count]
            if len(body) < count:
                faults.append("a sector map descriptor is incomplete")
                incomplete = True
                break
            configurations.append(
                Configuration(bits(head, 15, 8), tuple(_region(dword) for dword in body))
            )
            at += 1 + count
        else:
            if at + 1 >= len(table):
                faults.append("a configuration detection command is incomplete")
                incomplete = True
                break
            detections.append(_detection(head, table[at + 1]))
            # The end flag of a command ends the commands, that of a map ends the table.
            last = False
            at += 2
    if not configurations:
        faults.append("the sector map describes no configuration")
    elif not last and not incomplete:
        faults.append("the sector map has no last descriptor")
    return SectorMap(tuple(detections), tuple(configurations)), tuple(faults)


def _detection(head: int, address: int) -> Detection:
    dummy = bits(head, 19, 16)
    return Detection(
        opcode=bits(head, 15, 8),
        address=address,
        address_bytes=(0, 3, 4, None)[bits(head, 23, 22)],
        dummy=None if dummy == 15 else dummy,
        mask=bits(head, 31, 24),
    )


def _region(dword: int) -> MapRegion:
    return MapRegion(
        length=(bits(dword, 31, 8) + 1) * 256,
        erases=tuple(number for number in range(1, 5) if flag(dword, number - 1)),
    )


# 1st DWORD: bit, what it does, opcode. The erase types (bits 9 to 12) have theirs in the 2nd.
_INSTRUCTIONS = (
    (0, "read 1-1-1", 0x13),
    (1, "fast read 1-1-1", 0x0C),
    (2, "fast read 1-1-2", 0x3C),
    (3, "fast read 1-2-2", 0xBC),
    (4, "fast read 1-1-4", 0x6C),
    (5, "fast read 1-4-4", 0xEC),
    (6, "page program 1-1-1", 0x12),
    (7, "page program 1-1-4", 0x34),
    (8, "page program 1-4-4", 0x3E),
    (13, "DTR read 1-1-1", 0x0E),
    (14, "DTR read 1-2-2", 0xBE),
    (15, "DTR read 1-4-4", 0xEE),
    (16, "volatile sector lock read", 0xE0),
    (17, "volatile sector lock write", 0xE1),
    (18, "non-volatile sector lock read", 0xE2),
    (19, "non-volatile sector lock write", 0xE3),
    (20, "fast read 1-1-8", 0x7C),
    (21, "fast read 1-8-8", 0xCC),
    (22, "DTR read 1-8-8", 0xFD),
    (23, "page program 1-1-8", 0x84),
    (24, "page program 1-8-8", 0x8E),
)


@dataclass(frozen=True, slots=True)
class FourByteInstructions:
    """Opcodes that always take a 4-byte address."""

    dwords: tuple[int, ...]
    instructions: tuple[tuple[str, int], ...]
    """(what it does, opcode) of every supported instruction except the erases."""
    erases: tuple[int | None, int | None, int | None, int | None]
    """Opcodes for erase types 1 to 4, None if there is none."""

    def supports(self, opcode: int) -> bool:
        """Whether `opcode` is among the instructions or erases."""
        return opcode in self.erases or any(code == opcode for _, code in self.instructions)


def four_byte_instructions(table: tuple[int, ...]) -> FourByteInstructions | None:
    """Decode the table; None if it is shorter than two DWORDs or blank."""
    if len(table) < 2 or table[0] in (0, 0xFFFFFFFF):
        return None
    support, opcodes = table[0], table[1]

    def erase(number: int) -> int | None:
        low = 8 * (number - 1)
        return hexcode(bits(opcodes, low + 7, low)) if flag(support, 8 + number) else None

    return FourByteInstructions(
        dwords=table,
        instructions=tuple(
            (name, opcode) for bit, name, opcode in _INSTRUCTIONS if flag(support, bit)
        ),
        erases=(erase(1), erase(2), erase(3), erase(4)),
    )


_SIXTEEN_MIB = 1 << 24
_BASIC_LENGTHS = {0: 9, 5: 16, 6: 16, 7: 20, 8: 20, 9: 20, 10: 20}
"""Least DWORDs of a basic table of revision 1.n (JESD216 to JESD216F)."""


class Missing(enum.StrEnum):
    """What a programmer needs and tables may not say."""

    PAGE = "page size"
    ERASE_TIMES = "erase times"
    PROGRAM_TIME = "program time"
    CHIP_ERASE_TIME = "chip erase time"
    FOUR_BYTE = "4-byte methods"
    QUAD_ENABLE = "quad enable"


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as it was read: its header, and its complete DWORDs."""

    header: ParameterHeader
    dwords: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Sfdp:
    """Everything in the SFDP area."""

    major: int
    minor: int
    protocol: int
    headers: tuple[ParameterHeader, ...]
    basic_header: ParameterHeader
    basic: BasicFlash
    four_byte: FourByteInstructions | None
    sector_map: SectorMap | None
    others: tuple[RawTable, ...]
    """Tables that are not decoded: vendors' tables and JEDEC's profile tables."""
    missing: tuple[Missing, ...]
    """What a programmer needs and these tables do not say."""
    anomalies: tuple[str, ...]
    """The faults of the tables, one sentence each, for people."""

    def erases(self) -> tuple[tuple[int, int], ...]:
        """(opcode, bytes) of every block erase in the tables, wherever it works."""
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

    Raises `SfdpError` with the reason if there is no usable basic table, and no other error for any
    bytes.
    """
    area = area_header(raw)
    slots = parameter_headers(raw)
    headers = tuple(header for header in slots if not header.blank)
    anomalies: list[str] = []
    if area.major != 1:
        anomalies.append(f"The SFDP revision is {area.major}.{area.minor} instead of 1.x.")
    if len(headers) < area.headers:
        anomalies.append(f"Only {len(headers)} of {area.headers} parameter headers are there.")
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
        start = address(header.pointer)
        anomalies.append(f"The {header.name} table starts at {start}, not at a DWORD.")
    found = dwords(raw, header.pointer, header.length)
    if len(found) < header.length:
        anomalies.append(
            f"The {header.name} table has only {len(found)} of {header.length} DWORDs."
        )
    return RawTable(header, found)


def _first(tables: tuple[RawTable, ...], identity: int) -> RawTable | None:
    return next((table for table in tables if table.header.id == identity), None)


def _basic_table(tables: tuple[RawTable, ...], anomalies: list[str]) -> RawTable:
    """The basic table to use: the newest 1.x that is long enough.

    A chip may list an old short one first, for old readers, and newer ones after it. In JESD216 1.0
    the high byte of an ID was unused, so the first table with 00h in the low byte is accepted if
    there is no FF00h.
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
        anomalies.append("The tables say 3-byte addresses only, for a chip above 16 MiB.")
    if basic.address is AddressBytes.RESERVED:
        anomalies.append("The number of address bytes has a reserved value.")
    if basic.dwords[0] & 3 in (0, 2):
        anomalies.append("The 4 KiB erase field has a reserved value.")
    listed = [erase.opcode for erase in basic.erases if erase.size == 4096]
    if basic.uniform_4k and listed and basic.opcode_4k not in listed:
        anomalies.append("The 4 KiB erase opcode differs between the 1st and 8th DWORD.")
    if len({erase.size for erase in basic.erases}) < len(basic.erases):
        anomalies.append("Two erase types have the same size.")


def _missing(basic: BasicFlash, four_byte: FourByteInstructions | None) -> tuple[Missing, ...]:
    no_times = not basic.erases or any(erase.time is None for erase in basic.erases)
    addressed = basic.enter_four_byte or four_byte or basic.address is AddressBytes.FOUR
    absent = {
        Missing.PAGE: basic.page is None,
        Missing.ERASE_TIMES: no_times,
        Missing.PROGRAM_TIME: basic.page_program is None,
        Missing.CHIP_ERASE_TIME: basic.chip_erase is None,
        Missing.FOUR_BYTE: basic.size > _SIXTEEN_MIB and not addressed,
        Missing.QUAD_ENABLE: basic.quad_enable is None,
    }
    return tuple(each for each in Missing if absent[each])
