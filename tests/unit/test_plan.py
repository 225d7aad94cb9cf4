"""Plans in everyday cases: what is left alone, what is written, in which order, how long.

Times of the chip are those of the W25Q128JV data sheet (Winbond, revision of 2018, from memory):
page program 0.4/3 ms, erases 45/400, 120/1600, 150/2000 ms, chip erase 40/200 s.
"""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spiflash.nor.geometry import Duration, EraseRegion, EraseType, Geometry, ProgramMethod
from spiflash.plan import Erase, Plan, PlanError, Program, make_plan
from spiflash.plan.optimum import TransferCost
from tests.effort import effort
from tests.job_rig import simulate, uniform

KIB = 1024
E4 = EraseType(4 * KIB, 0x20, Duration(45e-3, 400e-3))
E32 = EraseType(32 * KIB, 0x52, Duration(120e-3, 1600e-3))
E64 = EraseType(64 * KIB, 0xD8, Duration(150e-3, 2000e-3))
PROGRAM = Duration(0.4e-3, 3e-3)
SIZE = 256 * KIB
CHIP = uniform(SIZE, 256, (E4, E32, E64), PROGRAM)
BUS = TransferCost.at_clock(10e6)
BLANK = b"\xff" * SIZE


def noise(length: int, seed: int) -> bytes:
    return random.Random(seed).randbytes(length).replace(b"\xff", b"\xfe")


def erases(plan: Plan) -> list[tuple[int, int]]:
    return [(s.address, s.type.size) for s in plan.steps if isinstance(s, Erase)]


def programs(plan: Plan) -> list[Program]:
    return [step for step in plan.steps if isinstance(step, Program)]


def patched(contents: bytes, address: int, data: bytes) -> bytes:
    return contents[:address] + data + contents[address + len(data) :]


def test_equal_contents_need_nothing() -> None:
    contents = noise(SIZE, 1)
    plan = make_plan(contents, contents, CHIP, BUS)
    assert plan.steps == ()
    assert (plan.seconds, plan.worst_seconds, plan.affected) == (0, 0, ())


def test_blank_chip_is_programmed_without_an_erase() -> None:
    plan = make_plan(BLANK, noise(SIZE, 2), CHIP, BUS)
    assert erases(plan) == []
    assert plan.programs == SIZE // 256


def test_bits_that_only_clear_are_programmed_in_place() -> None:
    old = patched(BLANK, 1000, b"\xf0")
    plan = make_plan(old, patched(old, 1000, b"\x70"), CHIP, BUS)
    assert plan.steps == (Program(1000, b"\x70"),)


def test_one_bit_to_set_costs_one_sector_and_its_neighbours_come_back() -> None:
    old = noise(SIZE, 3)
    new = patched(old, 5000, bytes([old[5000] ^ 0xFF]))
    plan = make_plan(old, new, CHIP, BUS)
    assert erases(plan) == [(4096, 4096)]
    assert b"".join(step.data for step in programs(plan)) == new[4096:8192]


def test_blank_head_tail_and_pages_are_not_programmed() -> None:
    new = patched(BLANK, 300, b"\x01\xff\x02")
    new = patched(new, 4096 + 255, b"\x03\x04")
    plan = make_plan(BLANK, new, CHIP, BUS)
    assert plan.steps == (
        Program(300, b"\x01\xff\x02"),
        Program(4096 + 255, b"\x03"),
        Program(4096 + 256, b"\x04"),
    )


def test_mixed_erase_sizes_where_each_is_cheapest() -> None:
    """All of the first 64 KiB dirty, and one sector of the third."""
    old = noise(64 * KIB, 4) + b"\xff" * (64 * KIB) + noise(128 * KIB, 5)
    new = noise(64 * KIB, 6) + old[64 * KIB :]
    new = patched(new, 131072 + 8192, noise(4096, 7))
    plan = make_plan(old, new, CHIP, BUS)
    assert erases(plan) == [(0, 65536), (131072 + 8192, 4096)]


def test_a_block_with_a_blank_remainder_is_erased_whole() -> None:
    """Three dirty sectors (135 ms) cost more than one 32 KiB erase (120 ms) of a block that is
    otherwise blank; with a full remainder the 80 pages to write again tip it over."""
    old = patched(BLANK, 0, noise(12 * KIB, 8))
    assert erases(make_plan(old, BLANK, CHIP, BUS)) == [(0, 32768)]
    full = patched(BLANK, 0, noise(32 * KIB, 8))
    assert erases(make_plan(full, patched(full, 0, b"\xff" * 12288), CHIP, BUS)) == [
        (0, 4096),
        (4096, 4096),
        (8192, 4096),
    ]


def test_chip_erase_is_taken_only_when_it_is_faster() -> None:
    old, new = noise(SIZE, 9), noise(SIZE, 10)
    slow, fast = (EraseType(SIZE, 0xC7, Duration(t, 10 * t)) for t in (0.7, 0.5))
    in_blocks = make_plan(old, new, uniform(SIZE, 256, (E4, E64), PROGRAM, slow), BUS)
    assert erases(in_blocks) == [(at, 65536) for at in range(0, SIZE, 65536)]
    whole = make_plan(old, new, uniform(SIZE, 256, (E4, E64), PROGRAM, fast), BUS)
    assert whole.steps[0] == Erase(0, fast, whole_chip=True)
    assert erases(whole) == [(0, SIZE)]
    assert whole.erase_counts == ((fast, 1),)


def test_totals_are_the_sums_of_the_data_sheet_times() -> None:
    old = noise(SIZE, 11)
    new = patched(old, 4096, noise(4096, 12))
    plan = make_plan(old, new, CHIP, BUS)
    # At 10 MHz a byte takes 0.8 us; a command is 06h, opcode and 3 address bytes, 05h and status.
    command = 7 * 0.8e-6
    bus = 17 * command + 4096 * 0.8e-6
    assert plan.seconds == pytest.approx(45e-3 + 16 * 0.4e-3 + bus, abs=1e-9)
    assert plan.worst_seconds == pytest.approx(400e-3 + 16 * 3e-3 + bus, abs=1e-9)
    assert plan.erase_counts == ((E4, 1),)
    assert (plan.programs, plan.programmed_bytes, plan.erased_bytes) == (16, 4096, 4096)
    assert plan.erased == plan.affected == ((4096, 8192),)


def test_touches_names_exactly_the_affected_bytes() -> None:
    old = patched(BLANK, 8192, noise(4096, 13))
    new = patched(patched(BLANK, 10, b"\x01\x02"), 8192, b"\x05")
    plan = make_plan(old, new, CHIP, BUS)
    assert plan.affected == ((10, 12), (8192, 12288))
    touched = [at for at in range(16384) if plan.touches(at)]
    assert touched == [10, 11, *range(8192, 12288)]
    assert not plan.touches(SIZE)
    assert not plan.touches(-1)


def test_each_erase_is_followed_by_the_programs_of_its_block() -> None:
    old, new = noise(SIZE, 14), noise(SIZE, 15)
    plan = make_plan(old, new, CHIP, BUS)
    low, high = 0, 0
    for step in plan.steps:
        assert step.address >= low
        if isinstance(step, Erase):
            assert step.address >= high
            low, high = step.address, step.end
        else:
            assert step.end <= high
            assert step.address // 256 == (step.end - 1) // 256
            low = step.end


def test_hybrid_chip_erases_what_is_left_of_a_block_as_one() -> None:
    """Eight 4 KiB sectors, then the 224 KiB that they leave of a 256 KiB block (as in the
    S25FS512S data sheet, Cypress), here at a quarter of the size."""
    rest = EraseType(56 * KIB, 0xD8, Duration(0.52, 2.6))
    chip = Geometry(
        size=64 * KIB,
        page=256,
        erase_types=(E4, rest),
        regions=(EraseRegion(8 * KIB, (0,)), EraseRegion(56 * KIB, (1,))),
        program=PROGRAM,
    )
    old = noise(64 * KIB, 16)
    new = patched(patched(old, 4096, noise(100, 17)), 60000, noise(10, 18))
    plan = make_plan(old, new, chip, BUS)
    assert erases(plan) == [(4096, 4096), (8192, 56 * KIB)]
    assert plan.affected == plan.erased == ((4096, 64 * KIB),)
    assert simulate(plan, old) == new


def test_a_type_whose_blocks_do_not_line_up_with_its_region_is_not_used() -> None:
    """An erase takes the naturally aligned block (JESD216F, sector map): from 4 KiB on, erases of
    8 KiB would reach into the neighbours."""
    eight = EraseType(8 * KIB, 0x40, Duration(1e-3, 2e-3))
    both = (EraseRegion(4 * KIB, (0,)), EraseRegion(16 * KIB, (0, 1)), EraseRegion(4 * KIB, (0,)))
    chip = Geometry(24 * KIB, 256, (E4, eight), both, PROGRAM)
    old = noise(24 * KIB, 30)
    plan = make_plan(old, b"\xff" * 24 * KIB, chip, BUS)
    assert erases(plan) == [(at, 4096) for at in range(0, 24 * KIB, 4096)]
    alone = (EraseRegion(4 * KIB, (0,)), EraseRegion(16 * KIB, (1,)), EraseRegion(4 * KIB, (0,)))
    with pytest.raises(PlanError, match="no erase type works"):
        make_plan(
            old, b"\xff" * 24 * KIB, Geometry(24 * KIB, 256, (E4, eight), alone, PROGRAM), BUS
        )


def test_memory_that_overwrites_is_never_erased() -> None:
    """MRAM (Everspin MR25H40: 512 KiB, no erase; common practice for FRAM too)."""
    chip = Geometry(
        size=64 * KIB,
        page=256,
        erase_types=(E4,),
        regions=(EraseRegion(64 * KIB, (0,)),),
        program=Duration(0, 0),
        needs_erase=False,
    )
    old = noise(64 * KIB, 19)
    new = patched(old, 700, b"\xff" * 20)
    plan = make_plan(old, new, chip, BUS)
    assert erases(plan) == []
    assert b"".join(step.data for step in programs(plan)) == b"\xff" * 20
    assert [step.address for step in programs(plan)] == [700]
    assert plan.overwrites
    assert simulate(plan, old) == new


@pytest.mark.parametrize("method", [ProgramMethod.BYTE, ProgramMethod.AAI_WORD])
def test_byte_and_word_parts_get_runs_within_a_sector(method: ProgramMethod) -> None:
    """SST25VF (Microchip data sheet): 4 KiB erase 18 ms, 10 us a byte or word."""
    chip = uniform(
        64 * KIB,
        256,
        (EraseType(4 * KIB, 0x20, Duration(18e-3, 25e-3)),),
        Duration(7e-6, 10e-6),
        method=method,
    )
    old = noise(64 * KIB, 20)
    new = patched(old, 4093, noise(10, 21))
    plan = make_plan(old, new, chip, BUS)
    assert erases(plan) == [(0, 4096), (4096, 4096)]
    assert [(s.address, len(s.data)) for s in programs(plan)] == [(0, 4096), (4096, 4096)]
    command = 7 * 0.8e-6
    if method is ProgramMethod.BYTE:
        writing = 8192 * (command + 0.8e-6 + 7e-6)
    else:
        writing = 2 * command + 4096 * (7e-6 + 2 * 0.8e-6 + 3 * 0.8e-6)
    assert plan.seconds == pytest.approx(2 * (18e-3 + command) + writing, abs=1e-9)
    assert simulate(plan, old) == new


def test_an_odd_byte_becomes_a_whole_word() -> None:
    chip = uniform(64 * KIB, 256, (E4,), Duration(7e-6, 10e-6), method=ProgramMethod.AAI_WORD)
    old = patched(b"\xff" * 65536, 100, b"\x12")
    plan = make_plan(old, patched(old, 101, b"\x34"), chip, BUS)
    assert plan.steps == (Program(100, b"\x12\x34"),)


@pytest.mark.parametrize("which", ["old", "new"])
def test_contents_of_another_size_are_refused(which: str) -> None:
    contents = {"old": BLANK, "new": BLANK, which: BLANK[:-1]}
    with pytest.raises(PlanError, match=f"{SIZE - 1} {which} bytes"):
        make_plan(contents["old"], contents["new"], CHIP, BUS)


def test_simulation_refuses_what_is_not_this_chip() -> None:
    plan = make_plan(BLANK, BLANK, CHIP, BUS)
    with pytest.raises(PlanError, match="for a chip of"):
        simulate(plan, BLANK[1:])


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_any_contents_end_as_wanted(data: st.DataObject) -> None:
    pieces = st.lists(
        st.tuples(st.sampled_from(["ff", "00", "noise"]), st.integers(1, 9000)), max_size=12
    )

    def contents(seed: int) -> bytes:
        found = b""
        for kind, length in data.draw(pieces):
            seed += 1
            found += {"ff": b"\xff" * length, "00": bytes(length)}.get(kind) or noise(length, seed)
        return (found + BLANK)[:SIZE]

    old, new = contents(0), contents(100)
    plan = make_plan(old, new, CHIP, BUS)
    assert simulate(plan, old) == new
    untouched = [at for at in range(0, SIZE, 97) if not plan.touches(at)]
    assert all(old[at] == new[at] for at in untouched)


def test_sixteen_mebibytes_are_planned_within_a_second_of_processor_time() -> None:
    size = 16 << 20
    chip = uniform(size, 256, (E4, E32, E64), PROGRAM, EraseType(size, 0xC7, Duration(40, 200)))
    rng = random.Random(22)
    old, new = rng.randbytes(size), rng.randbytes(size)
    for before in (old, b"\xff" * size):
        plans = []
        assert effort(lambda: plans.append(make_plan(before, new, chip, BUS))) < 1.0  # noqa: B023
        assert plans[0].programs == size // 256
