"""Where the tables are: headers, counts that lie, pointers that lead nowhere.

Layouts from JESD216F sections 6.2 and 6.3, from memory of the standard.
"""

from __future__ import annotations

import pytest

from spiflash.nor.sfdp import parse
from spiflash.nor.sfdp.headers import SfdpError, read_whole
from tests.unit.sfdp_tables import FIRST, MIB_8, NINE, ONES, area, header, put


def test_header_fields() -> None:
    sfdp = parse(area((0xFF00, NINE), (0x01C2, (1, 2, 3)), minor=0))
    assert (sfdp.major, sfdp.minor, sfdp.protocol) == (1, 0, 0xFF)
    first, second = sfdp.headers
    assert (first.id, first.length, first.pointer, first.end) == (0xFF00, 9, 24, 60)
    assert (first.vendor_code, first.name) == (None, "basic flash parameters")
    assert (second.vendor_code, second.bank) == (0xC2, 1)
    assert [table.dwords for table in sfdp.others] == [(1, 2, 3)]


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (b"", "signature"),
        (b"\xff" * 256, "signature"),
        (b"\x00" * 256, "signature"),
        (b"SFDP\x06\x01", "incomplete"),
        (b"SFDP\x06\x01\x00\xff", "no header points"),
        (area((0xFF84, (1, 2))), "no header points"),
        (area((0xFF00, NINE))[:18], "not within"),
        (area((0xFF00, (FIRST,))), "not within"),
        (area((0xFF00, (ONES,) * 9)), "blank"),
        (area((0xFF00, (0,) * 9)), "blank"),
        (area((0xFF00, (FIRST, MIB_8 - 3))), "not a number of bytes"),
        (area((0xFF00, (FIRST, 0x80000000 | 31))), "not one that a chip can have"),
        (area((0xFF00, (FIRST, 0x80000000 | 36))), "not one that a chip can have"),
        (area((0xFF00, (FIRST, 0xFFFFFFFF))), "not one that a chip can have"),
    ],
)
def test_unusable_tables_are_refused_with_the_reason(raw: bytes, reason: str) -> None:
    with pytest.raises(SfdpError, match=reason):
        parse(raw)


def test_whole_area_is_fetched_and_no_more() -> None:
    raw = area((0xFF00, NINE), (0xFF84, (1, 2)))
    chip = raw + b"\xff" * 4096
    asked: list[tuple[int, int]] = []

    def fetch(address: int, length: int) -> bytes:
        asked.append((address, length))
        return chip[address : address + length]

    assert read_whole(fetch) == raw
    assert all(address + length <= len(raw) for address, length in asked)


@pytest.mark.parametrize("fill", [b"\x00", b"\xff", b"\x5a"])
def test_chip_without_tables(fill: bytes) -> None:
    assert read_whole(lambda address, length: fill * length) == b""


def test_pointers_into_nowhere_are_not_followed() -> None:
    raw = bytearray(area((0xFF00, NINE), (0xFF84, (1, 2))))
    raw[16 + 4 : 16 + 7] = (0xFFF000).to_bytes(3, "little")
    read = 0

    def fetch(address: int, length: int) -> bytes:
        nonlocal read
        read += length
        return (bytes(raw) + b"\xff" * 70000)[address : address + length]

    whole = read_whole(fetch)
    assert len(whole) == 24 + 36
    assert read < 1000
    sfdp = parse(whole)
    assert sfdp.four_byte is None
    assert any("4-byte address instructions" in note for note in sfdp.anomalies)


def test_chip_that_stops_answering() -> None:
    raw = area((0xFF00, NINE))
    assert read_whole(lambda address, length: raw[address : address + min(length, 6)]) == b""
    cut = read_whole(lambda address, length: raw[address : min(address + length, 40)])
    assert cut == raw[:40]


def test_header_count_that_lies_is_noted() -> None:
    """Three headers are announced, but the table follows the first: it is no header."""
    raw = area((0xFF00, NINE), minor=0, announced=3)
    sfdp = parse(raw)
    assert [header.id for header in sfdp.headers] == [0xFF00]
    assert sfdp.basic.dwords == NINE
    assert sfdp.anomalies == ("Only 1 of 3 parameter headers are there.",)


def test_empty_header_slots_are_passed_over() -> None:
    body = b"".join(word.to_bytes(4, "little") for word in NINE)
    raw = b"SFDP\x06\x01\x01\xff" + b"\xff" * 8 + header(0xFF00, 9, 24, (1, 0)) + body
    sfdp = parse(raw)
    assert sfdp.basic.size == 8 << 20
    assert sfdp.anomalies == ("Only 1 of 2 parameter headers are there.",)


def test_overrunning_table_is_used_as_far_as_it_goes() -> None:
    raw = area((0xFF00, (*NINE, ONES, ONES, ONES, ONES, ONES, ONES, ONES)))
    sfdp = parse(raw[: 16 + 9 * 4 + 3])
    assert len(sfdp.basic.dwords) == 9
    assert sfdp.basic.size == 8 << 20
    assert any("has only 9 of 16 DWORDs" in note for note in sfdp.anomalies)


def test_newest_basic_table_counts() -> None:
    """Several basic tables, an old short one first (as on S25FS-S)."""
    sixteen = (*NINE, put((3, 0, 1), fill=0), *(ONES,) * 6)
    body = b"".join(word.to_bytes(4, "little") for word in sixteen)
    raw = (
        b"SFDP\x06\x01\x02\xff"
        + header(0xFF00, 9, 32, (1, 0))
        + header(0xFF00, 16, 32, (1, 5))
        + header(0xFF00, 16, 32, (1, 6))
        + body
    )
    sfdp = parse(raw)
    assert sfdp.basic_header.minor == 6
    assert len(sfdp.basic.dwords) == 16


def test_vendor_table_of_the_first_revision() -> None:
    """JESD216 of 2011 had no high ID byte: FFC2h is Macronix, FF84h is still JEDEC's."""
    sfdp = parse(area((0xFF00, NINE), (0xFFC2, (0,)), minor=0))
    assert sfdp.others[0].header.vendor_code == 0xC2
    assert sfdp.others[0].header.bank is None
    assert "C2h" in sfdp.others[0].header.name


@pytest.mark.parametrize(
    ("minor", "length", "odd"),
    [
        (0, 9, False),
        (5, 16, False),
        (6, 16, False),
        (7, 20, False),
        (8, 23, False),
        (9, 23, False),
        (10, 23, False),
        (0, 8, True),
        (6, 9, True),
        (7, 16, True),
        (3, 16, True),
        (42, 16, True),
    ],
)
def test_published_revisions_and_their_lengths(minor: int, length: int, odd: bool) -> None:
    words = (*NINE, *(ONES,) * 14)[:length]
    assert bool(parse(area((0xFF00, words), minor=minor)).anomalies) is odd
