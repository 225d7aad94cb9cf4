"""Ways above 16 MiB: W25Q256JV, MX25L25635E/F, N25Q256A and S25FL256S data sheets (from memory)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from spiflash.errors import ChipUnknownError
from spiflash.nor.addressing import Addressing, choose_addressing, usable_geometry
from spiflash.nor.chip import Answers, Chip, FourByte
from spiflash.nor.geometry import Duration, EraseRegion, EraseType, Geometry
from spiflash.nor.identify import chip_table, geometry_of
from tests.job_rig import uniform

MIB = 1 << 20
SPAN = Duration(0.05, 0.4)


def make_chip(size: int, *ways: FourByte) -> Chip:
    sectors = EraseType(4096, 0x20, SPAN, 0x21)
    halves = EraseType(32768, 0x52, SPAN)
    return Chip(
        name="test",
        vendor="test",
        answers=Answers(b"\x00\x01\x02"),
        geometry=uniform(size, 256, (sectors, halves), Duration(4e-4, 3e-3)),
        protection_schemes=("none",),
        quad_enable="none",
        four_byte=ways,
        clock_read=20e6,
        clock_fast=50e6,
        fast_read_dummy=1,
        supply=None,
        unique_id=None,
        security=None,
        locked_at_power_up=False,
    )


def sent(way: Addressing) -> tuple[list[str], list[str]]:
    return [t.out.hex() for t in way.enter], [t.out.hex() for t in way.exit]


@pytest.mark.parametrize("way", [(), *((way,) for way in FourByte if way is not FourByte.ALWAYS)])
def test_three_bytes_reach_16_mib(way: tuple[FourByte, ...]) -> None:
    found = choose_addressing(make_chip(16 * MIB, *way))
    assert (found.width, found.native, sent(found)) == (3, False, ([], []))
    assert found.shown(0xFFFFFF) == 0xFFFFFF
    assert found.reach(0xFFFFFF) == ()


@pytest.mark.parametrize(
    ("way", "width", "native", "enter", "leave"),
    [
        (FourByte.OPCODES, 4, True, [], []),
        (FourByte.ALWAYS, 4, False, [], []),
        (FourByte.ENTER, 4, False, ["b7"], ["e9"]),
        (FourByte.ENTER_WREN, 4, False, ["06", "b7", "04"], ["06", "e9", "04"]),
        # The register goes back to the first segment, where a board starts.
        (FourByte.EXTENDED_REGISTER, 3, False, [], ["06", "c500"]),
        (FourByte.BANK_REGISTER, 3, False, [], ["1700"]),
    ],
)
def test_each_way(
    way: FourByte, width: int, native: bool, enter: list[str], leave: list[str]
) -> None:
    found = choose_addressing(make_chip(32 * MIB, way))
    assert (found.width, found.native, sent(found)) == (width, native, (enter, leave))


def test_a_chip_that_only_knows_four_bytes_takes_them_at_any_size() -> None:
    assert choose_addressing(make_chip(16 * MIB, FourByte.ALWAYS)).width == 4


def test_the_first_way_listed_is_taken() -> None:
    both = (FourByte.ENTER, FourByte.OPCODES)
    assert not choose_addressing(make_chip(32 * MIB, *both)).native
    assert choose_addressing(make_chip(32 * MIB, *reversed(both))).native


@pytest.mark.parametrize(
    ("way", "reach"),
    [
        (FourByte.EXTENDED_REGISTER, ["06", "c501"]),
        (FourByte.BANK_REGISTER, ["1701"]),
    ],
)
def test_segments(way: FourByte, reach: list[str]) -> None:
    found = choose_addressing(make_chip(64 * MIB, way))
    assert [t.out.hex() for t in found.reach(0x1234567)] == reach
    assert found.shown(0x1234567) == 0x234567


def test_no_known_way_is_an_error_a_person_can_read() -> None:
    with pytest.raises(ChipUnknownError, match="16 MiB") as caught:
        choose_addressing(make_chip(32 * MIB))
    assert caught.value.state
    assert caught.value.remedy


def test_native_opcodes_leave_only_erases_that_have_one() -> None:
    chip = make_chip(32 * MIB, FourByte.OPCODES)
    usable = usable_geometry(chip.geometry, choose_addressing(chip))
    ((_, _, types),) = usable.spans()
    assert [kind.opcode_4byte for kind in types] == [0x21]
    other = make_chip(32 * MIB, FourByte.ENTER)
    assert usable_geometry(other.geometry, choose_addressing(other)) == other.geometry


def test_native_opcodes_by_region() -> None:
    kinds = (EraseType(4096, 0x20, SPAN, 0x21), EraseType(65536, 0xD8, SPAN))
    geometry = Geometry(
        32 * MIB,
        256,
        kinds,
        (EraseRegion(MIB, (0,)), EraseRegion(31 * MIB, (0, 1))),
        Duration(4e-4, 3e-3),
    )
    chip = replace(make_chip(32 * MIB, FourByte.OPCODES), geometry=geometry)
    usable = usable_geometry(geometry, choose_addressing(chip))
    assert [region.types for region in usable.regions] == [(0,), (0,)]


def test_every_part_of_the_table_can_be_reached_and_erased() -> None:
    checked = 0
    for part in chip_table().parts:
        if part.refused or part.size <= 16 * MIB:
            continue
        way = choose_addressing(make_chip(part.size, *part.four_byte))
        usable = usable_geometry(geometry_of(part), way)
        assert part.needs_erase == all(region.types for region in usable.regions), part.name
        checked += 1
    assert checked > 20
