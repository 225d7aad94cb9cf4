"""From tables to a geometry: uniform chips, sector maps, configurations.

Bit positions from JESD216F section 6.5, from memory of the standard.
"""

from __future__ import annotations

import pytest

from chipdb.loader import load_builtin
from spiflash.nor.chip import Answers
from spiflash.nor.geometry import Duration, ProgramMethod
from spiflash.nor.identify import identify
from spiflash.nor.sfdp import Configuration, Detection, MapRegion
from spiflash.nor.sfdp.derived import ASSUMED, to_geometry
from spiflash.nor.sfdp.headers import SfdpError
from tests.unit.sfdp_tables import (
    KIB,
    MIB,
    ONES,
    TYPES_64K,
    TYPES_256K,
    area,
    check_tiling,
    chip,
    layout,
    regions,
)

# Uniform chips


def test_uniform_geometry_from_a_short_table() -> None:
    geometry = to_geometry(chip(8 << 20))
    assert regions(geometry) == [(8 << 20, [4096, 32768, 65536])]
    assert geometry.page == ASSUMED.page
    assert geometry.program == ASSUMED.program
    assert [kind.time for kind in geometry.erase_types] == [
        ASSUMED.erase(4096),
        ASSUMED.erase(32768),
        ASSUMED.erase(65536),
    ]
    assert geometry.chip_erase is None
    assert geometry.method is ProgramMethod.PAGE


def test_larger_blocks_are_assumed_to_take_longer() -> None:
    assert ASSUMED.erase(262144).maximum == 4 * ASSUMED.erase(65536).maximum
    assert ASSUMED.erase(4096).maximum < ASSUMED.erase(65536).maximum


def test_times_of_the_table_are_used() -> None:
    # 10th: multiplier 1 (four times), type 1: 3 x 16 ms. 11th: 512 bytes, 4 x 64 us; 2 x 256 ms.
    tail = (0x1 | 0x2 << 4 | 1 << 9, 0x0 | 9 << 4 | 3 << 8 | 1 << 13 | 1 << 24 | 1 << 29)
    geometry = to_geometry(chip(8 << 20, tail=tail), chip_erase_opcode=0xC7)
    assert geometry.erase_types[0].time == Duration(0.048, 0.192)
    assert (geometry.page, geometry.program) == (512, Duration(256e-6, 512e-6))
    assert geometry.chip_erase is not None
    assert geometry.chip_erase.time == Duration(0.512, 2.048)
    assert (geometry.chip_erase.size, geometry.chip_erase.opcode) == (8 << 20, 0xC7)


def test_4k_erase_of_the_first_dword_alone() -> None:
    geometry = to_geometry(chip(1 << 20, (0, 0)))
    assert regions(geometry) == [(1 << 20, [4096])]
    assert geometry.erase_types[0].opcode == 0x20


def test_chip_that_programs_single_bytes() -> None:
    geometry = to_geometry(chip(1 << 20, first=0xFFF120E1, tail=(ONES, 0x80 | 9 << 14)))
    assert geometry.method is ProgramMethod.BYTE
    assert geometry.program == Duration(10e-6, 20e-6)


@pytest.mark.parametrize(
    ("size", "types"),
    [(1 << 20, (0, 0)), (96 * KIB + 256, TYPES_64K)],
)
def test_no_erase_type_that_tiles_the_chip(size: int, types: tuple[int, int]) -> None:
    with pytest.raises(SfdpError, match="no erase type"):
        to_geometry(chip(size, types, first=0xFFF1FFE7))


def test_odd_sized_chip_keeps_only_what_tiles_it() -> None:
    assert regions(to_geometry(chip(96 * KIB))) == [(96 * KIB, [4096, 32768])]


# Sector maps


def command(opcode: int, mask: int, address: int, last: bool = False) -> tuple[int, int]:
    """A detection with a 3-byte address and 8 dummy clocks."""
    return (int(last) | opcode << 8 | 8 << 16 | 1 << 22 | mask << 24, address)


BOTTOM = ((32 * KIB, 0b0001), (224 * KIB, 0b0100), (MIB - 256 * KIB, 0b0100))
TOP = ((MIB - 256 * KIB, 0b0100), (224 * KIB, 0b0100), (32 * KIB, 0b0001))
WHOLE = ((MIB, 0b0100),)
HYBRID = (
    *command(0x65, 0x08, 0x800002),
    *command(0x65, 0x04, 0x800004, last=True),
    *layout(0, *BOTTOM),
    *layout(1, *TOP),
    *layout(2, *WHOLE, last=True),
)


def test_sector_map_is_decoded() -> None:
    table = chip(MIB, TYPES_256K, (0xFF81, HYBRID)).sector_map
    assert table is not None
    assert table.detections == (
        Detection(0x65, 0x800002, 3, 8, 0x08),
        Detection(0x65, 0x800004, 3, 8, 0x04),
    )
    assert [one.id for one in table.configurations] == [0, 1, 2]
    assert table.configurations[0] == Configuration(
        0,
        (
            MapRegion(32 * KIB, (1,)),
            MapRegion(224 * KIB, (3,)),
            MapRegion(768 * KIB, (3,)),
        ),
    )


@pytest.mark.parametrize(
    ("answers", "number"),
    [
        ((0x00, 0x00), 0),
        ((0xF7, 0x04), 1),  # the first command is the higher bit
        ((0x08, 0xFB), 2),
        ((0x08, 0x04), None),  # there is no configuration 3
        ((0x08,), None),
        ((), None),
    ],
)
def test_answers_select_the_configuration(answers: tuple[int, ...], number: int | None) -> None:
    table = chip(MIB, TYPES_256K, (0xFF81, HYBRID)).sector_map
    assert table is not None
    found = table.select(answers)
    assert (None if found is None else found.id) == number


@pytest.mark.parametrize(
    ("word", "address_bytes", "dummy"),
    [(0 << 22 | 0 << 16, 0, 0), (2 << 22 | 1 << 16, 4, 1), (3 << 22 | 15 << 16, None, None)],
)
def test_detection_address_and_dummies(
    word: int, address_bytes: int | None, dummy: int | None
) -> None:
    words = (word | 0x65 << 8 | 1 << 24, 7, *layout(0, (MIB, 1), last=True))
    table = chip(MIB, TYPES_64K, (0xFF81, words)).sector_map
    assert table is not None
    assert table.detections == (Detection(0x65, 7, address_bytes, dummy, 1),)


def test_boot_sectors_at_the_bottom() -> None:
    """What 4 KiB sectors leave of a 256 KiB block is erased as one (S25FS-S)."""
    geometry = to_geometry(chip(MIB, TYPES_256K, (0xFF81, HYBRID)), (0, 0))
    assert regions(geometry) == [
        (32 * KIB, [4 * KIB]),
        (224 * KIB, [224 * KIB]),
        (768 * KIB, [256 * KIB]),
    ]
    assert {kind.opcode for kind in geometry.erase_types if kind.size > 4096} == {0xD8}
    check_tiling(geometry)


def test_boot_sectors_at_the_top_and_none() -> None:
    sfdp = chip(MIB, TYPES_256K, (0xFF81, HYBRID))
    assert regions(to_geometry(sfdp, (0, 4))) == [
        (768 * KIB, [256 * KIB]),
        (224 * KIB, [224 * KIB]),
        (32 * KIB, [4 * KIB]),
    ]
    assert regions(to_geometry(sfdp, (8, 0))) == [(MIB, [256 * KIB])]


def test_unknown_configuration_gives_only_what_all_have_in_common() -> None:
    sfdp = chip(MIB, TYPES_256K, (0xFF81, HYBRID))
    with pytest.raises(SfdpError, match="no erase type fits"):
        to_geometry(sfdp)
    both = (
        *command(0x65, 1, 0, last=True),
        *layout(0, (64 * KIB, 0b001), (MIB - 64 * KIB, 0b111)),
        *layout(1, (MIB - 64 * KIB, 0b111), (64 * KIB, 0b001), last=True),
    )
    common = to_geometry(chip(MIB, TYPES_64K, (0xFF81, both)))
    assert regions(common) == [
        (64 * KIB, [4096]),
        (MIB - 128 * KIB, [4096, 32768, 65536]),
        (64 * KIB, [4096]),
    ]


def test_answer_without_a_configuration_is_refused() -> None:
    with pytest.raises(SfdpError, match="no configuration for the chip's answers"):
        to_geometry(chip(MIB, TYPES_256K, (0xFF81, HYBRID)), (8, 4))


def test_map_of_another_size_is_refused_not_stretched() -> None:
    words = layout(0, (MIB // 2, 1), last=True)
    sfdp = chip(MIB, TYPES_64K, (0xFF81, words))
    assert any("covers 524288 bytes of 1048576" in note for note in sfdp.anomalies)
    with pytest.raises(SfdpError, match="covers 524288 bytes of 1048576"):
        to_geometry(sfdp)


@pytest.mark.parametrize(
    ("words", "note"),
    [
        (layout(0, (MIB, 1)), "no last descriptor"),
        (command(0x65, 1, 0), "describes no configuration"),
        (layout(0, (MIB // 2, 1), (MIB // 2, 1))[:2], "incomplete"),
        (command(0x65, 1, 0)[:1], "incomplete"),
    ],
)
def test_broken_maps_are_noted(words: tuple[int, ...], note: str) -> None:
    sfdp = chip(MIB, TYPES_64K, (0xFF81, words))
    assert any(note in anomaly for anomaly in sfdp.anomalies)


def test_region_that_cuts_blocks_is_split_where_they_end() -> None:
    words = layout(0, (32 * KIB, 0b001), (MIB - 32 * KIB, 0b101), last=True)
    geometry = to_geometry(chip(MIB, TYPES_64K, (0xFF81, words)))
    assert regions(geometry) == [
        (32 * KIB, [4096]),
        (32 * KIB, [4096, 32 * KIB]),
        (MIB - 64 * KIB, [4096, 65536]),
    ]
    check_tiling(geometry)


def test_block_that_reaches_beyond_a_piece_is_not_offered_there() -> None:
    """The region begins at 24 KiB. What it holds of the first 32 KiB block can be erased alone;
    D8h there would take the 32 KiB after it along, so it is offered from 64 KiB on only."""
    words = layout(0, (24 * KIB, 0b001), (104 * KIB, 0b110), last=True)
    geometry = to_geometry(chip(128 * KIB, TYPES_64K, (0xFF81, words)))
    assert regions(geometry) == [
        (24 * KIB, [4096]),
        (8 * KIB, [8 * KIB]),
        (32 * KIB, [32 * KIB]),
        (64 * KIB, [32 * KIB, 64 * KIB]),
    ]


def test_remainders_of_equal_size_stay_regions_of_their_own() -> None:
    words = layout(
        0, (8 * KIB, 0b001), (24 * KIB, 0b100), (24 * KIB, 0b100), (8 * KIB, 0b001), last=True
    )
    geometry = to_geometry(chip(64 * KIB, TYPES_64K, (0xFF81, words)))
    assert regions(geometry) == [
        (8 * KIB, [4096]),
        (24 * KIB, [24 * KIB]),
        (24 * KIB, [24 * KIB]),
        (8 * KIB, [4096]),
    ]
    check_tiling(geometry)


# The map of S25FS512S as the kernel describes it (Linux 7.2, spansion.c, the comment in
# s25fs_s_nor_smpt_map_id_dummy): CR3NV bit 3, CR1NV bit 2 and CR3NV bit 1 are asked for, and every
# configuration expects a 1 from the last, which is reserved and reads 0.
MIB_64 = 64 << 20
FS512S = (
    *command(0x65, 0x08, 0x000004),
    *command(0x65, 0x04, 0x000002),
    *command(0x65, 0x02, 0x000004, last=True),
    *layout(1, (32 * KIB, 1), (224 * KIB, 4), (MIB_64 - 256 * KIB, 4)),
    *layout(3, (MIB_64 - 256 * KIB, 4), (224 * KIB, 4), (32 * KIB, 1)),
    *layout(5, (MIB_64, 4), last=True),
)


@pytest.mark.parametrize(
    ("cr3", "cr1", "expected"),
    [
        (0x00, 0x00, [(32 * KIB, [4096]), (224 * KIB, [224 * KIB]), (65280 * KIB, [256 * KIB])]),
        (0x00, 0x04, [(65280 * KIB, [256 * KIB]), (224 * KIB, [224 * KIB]), (32 * KIB, [4096])]),
        (0x08, 0x00, [(MIB_64, [256 * KIB])]),
    ],
)
def test_a_chip_whose_map_asks_for_a_reserved_bit(
    cr3: int, cr1: int, expected: list[tuple[int, list[int]]]
) -> None:
    words = (0xFFF120E5, 8 * MIB_64 - 1, 0, 0, 0, 0, 0, *TYPES_256K)
    found = identify(
        Answers(
            id=bytes.fromhex("0102204D00810000"),
            sfdp=area((0xFF00, words), (0xFF81, FS512S)),
            sector_map=(cr3, cr1, cr3),
        ),
        load_builtin(),
    )
    assert found.name == "S25FS512S"
    assert not found.write_doubt
    assert regions(found.geometry) == expected
