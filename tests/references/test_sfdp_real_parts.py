"""SFDP tables read from forty real parts, against what their data sheets say.

`data/sfdp_real_parts.csv` holds the tables as posted to the linux-mtd list (source in each row),
most with the digest that the poster's machine printed. Sizes follow from the order codes (density
in Mbit); erase opcodes, sector maps and times are from the makers' data sheets, from memory.
"""

from __future__ import annotations

import csv
import hashlib
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chipdb.part import FourByte
from spiflash.nor.geometry import Geometry, ProgramMethod
from spiflash.nor.sfdp import Sfdp, parse
from spiflash.nor.sfdp.derived import four_byte_methods, quad_enable, to_geometry
from spiflash.nor.sfdp.headers import SfdpError, read_whole

KIB = 1024


@dataclass(frozen=True)
class Real:
    rdid: str
    part: str
    tables: bytes
    digest_kind: str
    digest: str


def load() -> list[Real]:
    path = Path(__file__).parent / "data" / "sfdp_real_parts.csv"
    with path.open(newline="", encoding="utf-8") as file:
        return [
            Real(
                row["rdid"],
                row["part"],
                bytes.fromhex(row["tables"]),
                row["digest_kind"],
                row["digest"],
            )
            for row in csv.DictReader(file)
        ]


PARTS = load()
BY_ID = {real.rdid: real for real in PARTS}

# Density in Mbit as the order codes say: W25Q128 128 Mbit, MT35XU01G 1 Gbit, IS25LP02G 2 Gbit.
MBIT = {
    "1f4218": 128, "20ba21": 1024, "20bb191044": 256, "20bb19104400": 256, "20bb21104400": 1024,
    "2c5b1a": 512, "2c5b1b": 1024, "684018": 128, "9d6022": 2048, "9d7019": 256, "bf2642": 32,
    "c22015": 16, "c22018": 128, "c22019": 256, "c22539": 256, "c2253a": 512, "c2253b": 1024,
    "c28039": 256, "c2803a": 512, "c28137": 64, "c28138": 128, "c2813a": 512, "c2813b": 1024,
    "c28437": 64, "c28438": 128, "c28439": 256, "c2843a": 512, "c2843b": 1024, "c28539": 256,
    "c2853a": 512, "c28639": 256, "c2863a": 512, "c2943c": 2048, "ef4018": 128, "ef4021": 1024,
    "ef6020": 512, "ef8017": 64, "ef8022": 2048, "efa020": 512, "efa022": 2048,
}  # fmt: skip

FOUR, BLOCK_32, BLOCK_64 = (4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8)
THREE_SIZES = {FOUR, BLOCK_32, BLOCK_64}
TWO_SIZES = {FOUR, BLOCK_64}
OCTAL_MACRONIX = ("c280", "c281", "c284", "c285", "c286", "c294")


def erases(rdid: str) -> set[tuple[int, int]]:
    """(size, opcode) by data sheet: nearly all parts have 20h, 52h and D8h."""
    if rdid == "bf2642":  # SST26VF032B: D8h erases whichever block the address lies in
        return {FOUR, (8 * KIB, 0xD8), (32 * KIB, 0xD8), BLOCK_64}
    if rdid in ("2c5b1a", "2c5b1b"):  # MT35X: blocks of 128 KiB
        return {FOUR, BLOCK_32, (128 * KIB, 0xD8)}
    # Macronix: octal parts and the MX25L1606E have no 32 KiB erase.
    return TWO_SIZES if rdid.startswith(OCTAL_MACRONIX) or rdid == "c22015" else THREE_SIZES


every_part = pytest.mark.parametrize("real", PARTS, ids=lambda real: f"{real.part}-{real.rdid}")


def geometry_of(rdid: str) -> tuple[Sfdp, Geometry]:
    sfdp = parse(BY_ID[rdid].tables)
    return sfdp, to_geometry(sfdp)


def test_there_are_forty_parts_and_most_have_a_digest() -> None:
    assert len(BY_ID) == len(PARTS) == 40
    assert set(BY_ID) == set(MBIT)
    assert sum(bool(real.digest) for real in PARTS) == 37


@pytest.mark.parametrize(
    "real", [real for real in PARTS if real.digest], ids=lambda real: f"{real.part}-{real.rdid}"
)
def test_tables_are_those_that_the_posters_machine_hashed(real: Real) -> None:
    assert hashlib.new(real.digest_kind, real.tables).hexdigest() == real.digest


@every_part
def test_reading_fetches_exactly_the_posted_bytes(real: Real) -> None:
    chip = real.tables + b"\xff" * 4096
    assert read_whole(lambda address, length: chip[address : address + length]) == real.tables


@every_part
def test_size_is_that_of_the_order_code(real: Real) -> None:
    assert parse(real.tables).basic.size == MBIT[real.rdid] * 1024 * KIB // 8


@every_part
def test_erase_types_are_those_of_the_data_sheet(real: Real) -> None:
    basic = parse(real.tables).basic
    assert {(erase.size, erase.opcode) for erase in basic.erases} == erases(real.rdid)
    assert (basic.uniform_4k, basic.opcode_4k) == (True, 0x20)


@every_part
def test_geometry_tiles_the_chip(real: Real) -> None:
    sfdp = parse(real.tables)
    geometry = to_geometry(sfdp)
    assert sum(region.length for region in geometry.regions) == sfdp.basic.size
    assert geometry.page == 256
    assert geometry.method is ProgramMethod.PAGE
    if real.rdid != "bf2642":
        assert len(geometry.regions) == 1
        assert {(t.size, t.opcode) for t in geometry.erase_types} == erases(real.rdid)


@every_part
def test_4_byte_opcodes_are_those_of_the_trade(real: Real) -> None:
    """21h, 5Ch and DCh go with 20h, 52h and D8h on every part (common practice, no source)."""
    pairs = {0x20: {0x21}, 0x52: {0x5C}, 0xD8: {0xDC}}
    for erase in to_geometry(parse(real.tables)).erase_types:
        if erase.opcode_4byte is not None:
            assert erase.opcode_4byte in pairs[erase.opcode]


@every_part
def test_every_part_above_16_mib_says_how_to_get_there(real: Real) -> None:
    sfdp = parse(real.tables)
    methods = four_byte_methods(sfdp)
    assert bool(methods) == (MBIT[real.rdid] > 128 or real.rdid.startswith(("c281", "c284")))
    # IS25WP256 (rev. of 2016) has the opcodes but no table for them: its row in the list's
    # thread is about just that.
    if MBIT[real.rdid] > 128:
        assert (FourByte.OPCODES in methods) == (real.rdid != "9d7019")
    assert "4-byte methods" not in sfdp.missing


@every_part
def test_quad_enable_is_where_the_maker_has_it(real: Real) -> None:
    """Macronix and ISSI: bit 6 of SR1; Winbond, Adesto, SST (configuration register): bit 1 of
    the second register; Micron has none; octal Macronix parts neither."""
    sfdp = parse(real.tables)
    by_maker = {"9d": "sr1.6", "c2": "sr1.6", "ef": "sr2.1", "1f": "sr2.1", "bf": "sr2.1"}
    expected = by_maker.get(real.rdid[:2], "none")
    if real.rdid.startswith(OCTAL_MACRONIX):
        expected = "none"
    if sfdp.basic.quad_enable is None or real.rdid.startswith("2c"):
        expected = "unknown"  # JESD216 1.0 has no such field; MT35X holds a reserved value
    assert quad_enable(sfdp) == expected


@every_part
def test_vendor_tables_carry_the_makers_own_code(real: Real) -> None:
    sfdp = parse(real.tables)
    for table in sfdp.others:
        code = table.header.vendor_code
        if code is not None:
            assert code == int(real.rdid[:2], 16)
            assert code.bit_count() % 2 == 1


def test_only_one_of_the_forty_contradicts_itself() -> None:
    odd = {real.rdid: parse(real.tables).anomalies for real in PARTS}
    assert {rdid: notes for rdid, notes in odd.items() if notes} == {
        "9d7019": ("The tables say 3-byte addresses only, for a chip above 16 MiB.",)
    }


def test_first_revision_lacks_times_and_page() -> None:
    short = [real.rdid for real in PARTS if "page size" in parse(real.tables).missing]
    assert short == ["684018", "c22015"]
    for rdid in short:
        assert (parse(BY_ID[rdid].tables).basic_header.minor) == 0


def test_profile_tables_are_kept_by_name() -> None:
    octal = parse(BY_ID["c2813a"].tables)
    assert [table.header.name for table in octal.others] == [
        "status, control and configuration register map",
        "command sequences to change to octal DDR mode",
        "xSPI profile 1.0",
    ]
    assert [len(table.dwords) for table in octal.others] == [28, 8, 5]


def test_sst26_map_is_that_of_its_data_sheet() -> None:
    """SST26VF032B data sheet (Microchip DS20005218), memory organisation: four 8 KiB blocks, one
    of 32 KiB, sixty-two of 64 KiB, one of 32 KiB, four of 8 KiB; 4 KiB sectors throughout."""
    _, geometry = geometry_of("bf2642")
    found = [
        (region.length // KIB, [geometry.erase_types[i].size // KIB for i in region.types])
        for region in geometry.regions
    ]
    assert found == [
        (32, [4, 8]),
        (32, [4, 32]),
        (62 * 64, [4, 64]),
        (32, [4, 32]),
        (32, [4, 8]),
    ]


@pytest.mark.parametrize(
    ("rdid", "figure", "typical"),
    [
        # SST26VF032B DS20005218: T_SE = T_BE 18 ms, T_SCE 35 ms, T_PP 1.0 ms.
        ("bf2642", "4k", 18e-3),
        ("bf2642", "chip", 35e-3),
        ("bf2642", "page", 1.0e-3),
        # MT25QU256ABA: 4 KiB 50 ms, 32 KiB 100 ms, 64 KiB 150 ms, page 120 us.
        ("20bb191044", "4k", 50e-3),
        ("20bb191044", "32k", 100e-3),
        ("20bb191044", "64k", 150e-3),
        ("20bb191044", "page", 120e-6),
        # MX25L25645G: 4 KiB 30 ms, page 0.25 ms.
        ("c22019", "4k", 30e-3),
        ("c22019", "page", 0.25e-3),
        # W25Q128FV, whose table the JV kept: page 0.7 ms, chip 40 s.
        ("ef4018", "page", 0.7e-3),
        ("ef4018", "chip", 40.0),
        # MX25UM51245G: page 0.15 ms, 4 KiB 25 ms.
        ("c2803a", "page", 0.15e-3),
        ("c2803a", "4k", 25e-3),
    ],
)
def test_typical_times_are_near_the_data_sheet(rdid: str, figure: str, typical: float) -> None:
    """The table's coarse units allow no better than some 12 %."""
    basic = parse(BY_ID[rdid].tables).basic
    times = {f"{erase.size // KIB}k": erase.time for erase in basic.erases}
    times |= {"page": basic.page_program, "chip": basic.chip_erase}
    found = times[figure]
    assert found is not None
    assert found.typical == pytest.approx(typical, rel=0.13)
    assert found.maximum > found.typical


@pytest.mark.parametrize(
    ("rdid", "lines", "opcode", "clocks"),
    [
        # Opcode and clocks between address and data, by data sheet.
        ("ef4018", (1, 4, 4), 0xEB, 6),
        ("ef4018", (1, 1, 4), 0x6B, 8),
        ("ef4018", (1, 1, 2), 0x3B, 8),
        ("ef4018", (1, 2, 2), 0xBB, 4),
        ("c22019", (1, 4, 4), 0xEB, 6),
        ("c22019", (1, 1, 2), 0x3B, 8),
        ("bf2642", (4, 4, 4), 0x0B, 6),
        ("2c5b1a", (1, 1, 8), 0x8B, 8),
        ("2c5b1a", (1, 8, 8), 0xCB, 16),
        ("20bb191044", (1, 4, 4), 0xEB, 10),
        ("20bb191044", (1, 1, 4), 0x6B, 8),
    ],
)
def test_fast_reads_are_those_of_the_data_sheet(
    rdid: str, lines: tuple[int, int, int], opcode: int, clocks: int
) -> None:
    found = {read.lines: read for read in parse(BY_ID[rdid].tables).basic.fast_reads}
    assert (found[lines].opcode, found[lines].mode + found[lines].dummy) == (opcode, clocks)


def test_suspend_and_power_down_opcodes() -> None:
    """Winbond and Micron 75h/7Ah, Macronix and SST B0h/30h; B9h and ABh, but not on SST26."""
    for rdid, pair in {
        "ef4018": (0x75, 0x7A),
        "20bb191044": (0x75, 0x7A),
        "c22019": (0xB0, 0x30),
        "bf2642": (0xB0, 0x30),
    }.items():
        basic = parse(BY_ID[rdid].tables).basic
        assert basic.suspend is not None
        assert (basic.suspend.suspend, basic.suspend.resume) == pair
        sleep = basic.deep_power_down
        assert (None if sleep is None else (sleep.enter, sleep.leave)) == (
            None if rdid == "bf2642" else (0xB9, 0xAB)
        )


def test_only_micron_reports_busy_in_the_flag_register() -> None:
    for rdid in ("ef4018", "c22019", "bf2642", "9d6022"):
        basic = parse(BY_ID[rdid].tables).basic
        assert (basic.poll_status_register, basic.poll_flag_register) == (True, False)
    assert parse(BY_ID["20bb191044"].tables).basic.poll_flag_register is True


def survives(raw: bytes) -> None:
    try:
        geometry = to_geometry(parse(raw))
    except SfdpError:
        return
    assert sum(region.length for region in geometry.regions) == geometry.size
    at = 0
    for region in geometry.regions:
        assert region.types
        for index in region.types:
            size = geometry.erase_types[index].size
            assert region.length % size == 0
            assert at % size == 0 or region.length == size
        at += region.length


@every_part
def test_cut_tables_are_read_as_far_as_they_go(real: Real) -> None:
    for length in range(len(real.tables)):
        survives(real.tables[:length])


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(PARTS),
    st.lists(st.tuples(st.integers(0, 607), st.integers(0, 255)), min_size=1, max_size=8),
)
def test_damaged_tables_never_crash_or_mistile(real: Real, changes: list[tuple[int, int]]) -> None:
    raw = bytearray(real.tables)
    for at, value in changes:
        raw[at % len(raw)] = value
    raw[:4] = b"SFDP"
    survives(bytes(raw))
