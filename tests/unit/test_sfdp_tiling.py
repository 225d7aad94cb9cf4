"""4-byte instructions, sector maps, and geometries that always tile the chip.

Bit positions from JESD216F sections 6.5 and 6.6, from memory of the standard.
"""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from chipdb.part import FourByte
from spiflash.nor.geometry import Geometry, ProgramMethod, Span
from spiflash.nor.sfdp import (
    ASSUMED,
    Configuration,
    Detection,
    MapRegion,
    Sfdp,
    SfdpError,
    four_byte_methods,
    parse,
    quad_enable,
    read_whole,
    to_geometry,
)

ONES = 0xFFFFFFFF
KIB = 1024
TYPES_64K = (0x520F200C, 0xFF00D810)  # 4 KiB 20h, 32 KiB 52h; 64 KiB D8h, none
TYPES_256K = (0xFF00200C, 0xFF00D812)  # 4 KiB 20h, none; 256 KiB D8h, none


def area(*tables: tuple[int, tuple[int, ...]]) -> bytes:
    at = 8 + 8 * len(tables)
    heads, bodies = b"", b""
    for identity, words in tables:
        heads += bytes([identity & 0xFF, 6, 1, len(words), *at.to_bytes(3, "little")])
        heads += bytes([identity >> 8])
        body = b"".join(word.to_bytes(4, "little") for word in words)
        at += len(body)
        bodies += body
    return b"SFDP\x06\x01" + bytes([len(tables) - 1, 0xFF]) + heads + bodies


def chip(
    size: int,
    types: tuple[int, int] = TYPES_64K,
    *others: tuple[int, tuple[int, ...]],
    first: int = 0xFFF120E5,
    tail: tuple[int, ...] = (),
) -> Sfdp:
    words = (first, 8 * size - 1, 0, 0, 0, 0, 0, *types, *tail)
    return parse(area((0xFF00, words), *others))


def regions(geometry: Geometry) -> list[tuple[int, list[int]]]:
    return [
        (region.length, [geometry.erase_types[i].size for i in region.types])
        for region in geometry.regions
    ]


def check_tiling(geometry: Geometry) -> None:
    """Regions cover the chip, and every block of every type lies within its region, aligned
    by nature or being the whole region."""
    at = 0
    for region in geometry.regions:
        assert region.length > 0
        assert region.types
        for index in region.types:
            size = geometry.erase_types[index].size
            assert region.length % size == 0
            assert at % size == 0 or region.length == size
        at += region.length
    assert at == geometry.size


# 4-byte instructions

SUPPORT = {
    0: 0x13, 1: 0x0C, 2: 0x3C, 3: 0xBC, 4: 0x6C, 5: 0xEC, 6: 0x12, 7: 0x34, 8: 0x3E,
    13: 0x0E, 14: 0xBE, 15: 0xEE, 16: 0xE0, 17: 0xE1, 18: 0xE2, 19: 0xE3,
    20: 0x7C, 21: 0xCC, 22: 0xFD, 23: 0x84, 24: 0x8E,
}  # fmt: skip


@pytest.mark.parametrize(("bit", "opcode"), SUPPORT.items())
def test_4_byte_instruction_bits(bit: int, opcode: int) -> None:
    table = chip(32 << 20, TYPES_64K, (0xFF84, (1 << bit, ONES))).four_byte
    assert table is not None
    assert [code for _, code in table.instructions] == [opcode]
    assert table.supports(opcode)
    assert not table.supports(opcode ^ 1)
    assert table.erases == (None, None, None, None)


def test_4_byte_erase_opcodes() -> None:
    support = 1 << 9 | 1 << 11 | 1 << 12
    table = chip(32 << 20, TYPES_64K, (0xFF84, (support, 0xFFDC5C21))).four_byte
    assert table is not None
    assert table.erases == (0x21, None, 0xDC, None)
    geometry = to_geometry(chip(32 << 20, TYPES_64K, (0xFF84, (support, 0xFFDC5C21))))
    assert [(t.opcode, t.opcode_4byte) for t in geometry.erase_types] == [
        (0x20, 0x21),
        (0x52, None),
        (0xD8, 0xDC),
    ]


@pytest.mark.parametrize("words", [(0, 0), (ONES, ONES), (0x1234,)])
def test_blank_4_byte_table_counts_as_none(words: tuple[int, ...]) -> None:
    sfdp = chip(32 << 20, TYPES_64K, (0xFF84, words))
    assert sfdp.four_byte is None
    assert any("4-byte address instruction table" in note for note in sfdp.anomalies)


TAIL = (0x11111111, 0x00000082, ONES, ONES, ONES)


@pytest.mark.parametrize(
    ("first", "enter", "support", "methods"),
    [
        (0xFFF320E5, 0b00000001, 0, (FourByte.ENTER,)),
        (0xFFF320E5, 0b00000010, 0, (FourByte.ENTER_WREN,)),
        (0xFFF320E5, 0b00000101, 0, (FourByte.ENTER, FourByte.EXTENDED_REGISTER)),
        (0xFFF320E5, 0b00001000, 0, (FourByte.BANK_REGISTER,)),
        (0xFFF320E5, 0b00100001, 0x41, (FourByte.OPCODES, FourByte.ENTER)),
        (0xFFF320E5, 0b00100000, 0x01, ()),  # a read opcode alone is of no use
        (0xFFF520E5, 0b00000000, 0, (FourByte.ALWAYS,)),
        (0xFFF320E5, 0b01000000, 0, (FourByte.ALWAYS,)),
        (0xFFF320E5, 0b10000000, 0, ()),
    ],
)
def test_ways_above_16_mib_in_the_chip_tables_words(
    first: int, enter: int, support: int, methods: tuple[FourByte, ...]
) -> None:
    others = ((0xFF84, (support, ONES)),) if support else ()
    tail = (*TAIL, 0x00200000, enter << 24)
    sfdp = chip(32 << 20, TYPES_64K, *others, first=first, tail=tail)
    assert four_byte_methods(sfdp) == methods
    assert quad_enable(sfdp) == "sr1.6"
    missing = not methods and support == 0
    assert ("4-byte methods" in sfdp.missing) is missing


def test_small_chip_needs_no_4_byte_methods() -> None:
    sfdp = chip(16 << 20, tail=(*TAIL, ONES, 1 << 24))
    assert four_byte_methods(sfdp) == ()
    assert "4-byte methods" not in sfdp.missing
    assert quad_enable(sfdp) == "unknown"


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
    assert geometry.erase_types[0].time == Span(0.048, 0.192)
    assert (geometry.page, geometry.program) == (512, Span(256e-6, 512e-6))
    assert geometry.chip_erase is not None
    assert geometry.chip_erase.time == Span(0.512, 2.048)
    assert (geometry.chip_erase.size, geometry.chip_erase.opcode) == (8 << 20, 0xC7)


def test_4k_erase_of_the_first_dword_alone() -> None:
    geometry = to_geometry(chip(1 << 20, (0, 0)))
    assert regions(geometry) == [(1 << 20, [4096])]
    assert geometry.erase_types[0].opcode == 0x20


def test_chip_that_programs_single_bytes() -> None:
    geometry = to_geometry(chip(1 << 20, first=0xFFF120E1, tail=(ONES, 0x80 | 9 << 14)))
    assert geometry.method is ProgramMethod.BYTE
    assert geometry.program == Span(10e-6, 20e-6)


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


def layout(number: int, *parts: tuple[int, int], last: bool = False) -> tuple[int, ...]:
    """A map descriptor; parts are (length, erase type bits)."""
    head = int(last) | 2 | number << 8 | (len(parts) - 1) << 16
    return (head, *(((length // 256) - 1) << 8 | types for length, types in parts))


MIB = 1 << 20
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
    """What 4 KiB sectors leave of a 256 KiB block is erased as one (S25FS-S, from memory)."""
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
    with pytest.raises(SfdpError, match="no configuration for what the chip answered"):
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
        (layout(0, (MIB // 2, 1), (MIB // 2, 1))[:2], "cut off"),
        (command(0x65, 1, 0)[:1], "cut off"),
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


# Any bytes at all


def survives(raw: bytes) -> None:
    try:
        sfdp = parse(raw)
        geometry = to_geometry(sfdp, chip_erase_opcode=0xC7)
    except SfdpError:
        return
    check_tiling(geometry)
    assert geometry.size == sfdp.basic.size
    assert all(0 < t.time.typical <= t.time.maximum for t in geometry.erase_types)
    four_byte_methods(sfdp)
    quad_enable(sfdp)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
@example(b"SFDP" + b"\xff" * 300)
@example(b"SFDP" + b"\x00" * 300)
def test_no_bytes_crash_the_parser(raw: bytes) -> None:
    survives(raw)
    survives(b"SFDP\x06\x01" + raw)


dword = st.one_of(
    st.integers(0, ONES),
    st.sampled_from([0, ONES, 0x520F200C, 0x0010D810, 0xFFF120E5, 0x00FFFFFF, 0x80000020]),
)


@settings(max_examples=300, deadline=None)
@given(
    density=st.one_of(dword, st.integers(10, 30).map(lambda n: (1 << n) - 1)),
    types=st.tuples(*[st.tuples(st.integers(0, 24), st.integers(0, 255))] * 4),
    rest=st.lists(dword, max_size=14),
    sectors=st.lists(dword, max_size=24),
    four=st.lists(dword, max_size=3),
)
def test_no_tables_yield_a_geometry_that_does_not_tile(
    density: int,
    types: tuple[tuple[int, int], ...],
    rest: list[int],
    sectors: list[int],
    four: list[int],
) -> None:
    low, high = (
        types[i][0] | types[i][1] << 8 | types[i + 1][0] << 16 | types[i + 1][1] << 24
        for i in (0, 2)
    )
    words = (0xFFF120E5, density, 0, 0, 0, 0, 0, low, high, *rest)
    others: list[tuple[int, tuple[int, ...]]] = [(0xFF84, tuple(four))]
    if sectors:
        others.append((0xFF81, tuple(sectors)))
    survives(area((0xFF00, words), *others))


@settings(max_examples=200, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 600), min_size=1, max_size=6),
    masks=st.lists(st.integers(0, 15), min_size=6, max_size=6),
    types=st.tuples(*[st.integers(8, 18)] * 4),
)
def test_maps_that_add_up_tile_or_are_refused(
    sizes: list[int], masks: list[int], types: tuple[int, int, int, int]
) -> None:
    parts = [(256 * size, mask) for size, mask in zip(sizes, masks, strict=False)]
    low, high = (types[i] | 0x20 << 8 | types[i + 1] << 16 | 0xD8 << 24 for i in (0, 2))
    total = sum(length for length, _ in parts)
    words = (0xFFF120E5, 8 * total - 1, 0, 0, 0, 0, 0, low, high)
    raw = area((0xFF00, words), (0xFF81, layout(0, *parts, last=True)))
    survives(raw)
    if all(mask for _, mask in parts) and all(
        any(mask >> n & 1 and types[n] == 8 for n in range(4)) for _, mask in parts
    ):
        # With an erase of 256 bytes everywhere there is always a way.
        check_tiling(to_geometry(parse(raw)))


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300), st.integers(0, 5000))
def test_reading_is_bounded_whatever_the_chip_answers(raw: bytes, answered: int) -> None:
    contents = b"SFDP" + raw
    read = 0

    def fetch(address: int, length: int) -> bytes:
        nonlocal read
        read += length
        return (contents + bytes(70000))[address : min(address + length, answered)]

    assert len(read_whole(fetch)) <= read <= 70000
