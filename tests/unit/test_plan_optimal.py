"""Plans against brute force: every set of erases that a small chip allows, priced one by one.

The search below shares nothing with the planner. It takes any subset of all aligned blocks (and
the chip erase), in any overlap, rejects those that leave a bit to be set, and adds up erases and
page programs in whole nanoseconds.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spiflash.nor.geometry import Duration, EraseRegion, EraseType, Geometry, ProgramMethod
from spiflash.plan import Erase, Plan, PlanError, Program, Step, make_plan
from spiflash.plan.optimum import TransferCost

PAGE = 4
UNIT = 8
NS = 1_000_000_000
TRANSFER = TransferCost(byte=7 / NS, erase=1000 / NS, program=900 / NS, unit=130 / NS)
BYTE_NS, ERASE_NS, PROGRAM_NS, WORD_NS = 7, 1000, 900, 130

Layout = tuple[tuple[int, tuple[int, ...]], ...]
"""(length of a region in units, erase sizes in units that work there), from address 0 up."""

MAPS: tuple[Layout, ...] = (
    ((8, (1, 2, 8)),),
    ((8, (1, 4)),),
    ((12, (2, 4)),),
    ((4, (1, 2)), (8, (4, 8))),
    ((2, (1,)), (2, (2,)), (8, (1, 4))),
    ((4, (1, 4)), (4, (4,)), (4, (1, 2))),
    # A boot area of single units, then what is left of the first large block, then a whole one.
    ((2, (1,)), (6, (6,)), (8, (8,))),
)


@dataclass(frozen=True)
class Case:
    old: bytes
    new: bytes
    layout: Layout
    erase_ns: dict[int, int]
    chip_ns: int | None
    program_ns: int


@dataclass(frozen=True)
class Best:
    nanoseconds: int
    erased: int
    by_chip_erase: bool


def page_cost(old: bytes, new: bytes, typical: int) -> int:
    """Nanoseconds to bring a unit from `old` to `new` page by page."""
    total = 0
    for at in range(0, len(new), PAGE):
        wrong = [i for i in range(at, at + PAGE) if old[i] != new[i]]
        if wrong:
            total += PROGRAM_NS + typical + BYTE_NS * (wrong[-1] - wrong[0] + 1)
    return total


def brute_force(case: Case) -> Best:
    old, new, chip_ns = case.old, case.new, case.chip_ns
    count = len(old) // UNIT
    units = [slice(i * UNIT, (i + 1) * UNIT) for i in range(count)]
    blank = b"\xff" * UNIT
    leave = [page_cost(old[u], new[u], case.program_ns) for u in units]
    fresh = [page_cost(blank, new[u], case.program_ns) for u in units]
    rises = [any(n & ~o & 0xFF for o, n in zip(old[u], new[u], strict=True)) for u in units]
    blocks: list[tuple[int, int, int]] = []  # (units covered as bits, nanoseconds, bytes)
    at = 0
    for length, sizes in case.layout:
        for size in sizes:
            for first in range(at, at + length, size):
                mask = sum(1 << i for i in range(first, first + size))
                blocks.append((mask, ERASE_NS + case.erase_ns[size], size * UNIT))
        at += length
    if chip_ns is not None:
        blocks.append(((1 << count) - 1, ERASE_NS + chip_ns, count * UNIT))
    # Every subset of blocks: its union, its price and its bytes, by doubling.
    cover, price, wear = (np.zeros(1, dtype=np.int64) for _ in range(3))
    for mask, ns, size in blocks:
        cover = np.concatenate((cover, cover | mask))
        price = np.concatenate((price, price + ns))
        wear = np.concatenate((wear, wear + size))
    # Programming after each union of erased units.
    program = np.array(
        [
            -1
            if any(rises[i] and not chosen >> i & 1 for i in range(count))
            else sum(fresh[i] if chosen >> i & 1 else leave[i] for i in range(count))
            for chosen in range(1 << count)
        ],
        dtype=np.int64,
    )[cover]
    possible = program >= 0
    assert possible.any()
    total = np.where(possible, price + program, np.iinfo(np.int64).max)
    least = int(total.min())
    ties = np.flatnonzero(total == least)
    winner = ties[wear[ties].argmin()]
    last = 1 << (len(blocks) - 1)
    return Best(least, int(wear[winner]), chip_ns is not None and bool(winner & last))


def geometry(case: Case) -> Geometry:
    layout, erase_ns, chip_ns = case.layout, case.erase_ns, case.chip_ns
    sizes = sorted(erase_ns)
    kinds = tuple(
        EraseType(size * UNIT, 0x20 + size, Duration(erase_ns[size] / NS, 3 * erase_ns[size] / NS))
        for size in sizes
    )
    total = sum(length for length, _ in layout) * UNIT
    return Geometry(
        size=total,
        page=PAGE,
        erase_types=kinds,
        regions=tuple(
            EraseRegion(length * UNIT, tuple(sizes.index(size) for size in used))
            for length, used in layout
        ),
        program=Duration(case.program_ns / NS, 4 * case.program_ns / NS),
        chip_erase=None
        if chip_ns is None
        else EraseType(total, 0xC7, Duration(chip_ns / NS, 2 * chip_ns / NS)),
    )


def played(old: bytes, steps: tuple[Step, ...]) -> bytes:
    """The contents after the steps, by a model of its own."""
    cells = bytearray(old)
    for step in steps:
        if isinstance(step, Erase):
            for i in range(step.address, step.address + step.type.size):
                cells[i] = 0xFF
        else:
            for i, byte in enumerate(step.data):
                cells[step.address + i] &= byte
    return bytes(cells)


unit_contents = st.lists(
    st.sampled_from([0xFF, 0xFF, 0x0F, 0x00]), min_size=UNIT, max_size=UNIT
).map(bytes)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    layout = draw(st.sampled_from(MAPS))
    count = sum(length for length, _ in layout)
    new = [draw(unit_contents) for _ in range(count)]
    old = [draw(st.one_of(st.just(one), st.just(b"\xff" * UNIT), unit_contents)) for one in new]
    sizes = sorted({size for _, used in layout for size in used})
    # With the 1 us that each command takes, 1, 3, 7, 15 us make one large erase as dear as two,
    # four, eight small ones: ties are common, and the wear decides.
    microseconds = st.one_of(st.sampled_from((1, 3, 7, 15)), st.integers(0, 40))
    erase_ns = {size: 1000 * draw(microseconds) for size in sizes}
    chip = draw(st.one_of(st.none(), st.sampled_from((3, 7, 15)), st.integers(0, 120)))
    program = 1000 * draw(st.integers(0, 12))
    return Case(b"".join(old), b"".join(new), layout, erase_ns, chip and 1000 * chip, program)


def check(case: Case) -> tuple[Plan, Best]:
    best = brute_force(case)
    plan = make_plan(case.old, case.new, geometry(case), TRANSFER)
    assert round(plan.seconds * NS) == best.nanoseconds
    assert plan.erased_bytes == best.erased
    assert played(case.old, plan.steps) == case.new
    return plan, best


@settings(max_examples=150, deadline=None)
@given(cases())
def test_no_set_of_erases_is_faster_or_as_fast_with_less_wear(case: Case) -> None:
    check(case)


def test_of_equally_fast_plans_the_one_with_less_wear_is_taken() -> None:
    """One dirty unit, and erases of 1, 2 and 8 units and of the chip that all take 5 us."""
    old = b"\xff" * 3 * UNIT + b"\x00" * UNIT + b"\xff" * 4 * UNIT
    plan, best = check(Case(old, b"\xff" * 8 * UNIT, MAPS[0], {1: 5000, 2: 5000, 8: 5000}, 5000, 0))
    assert best.erased == UNIT
    assert [step.address for step in plan.steps] == [3 * UNIT]


def test_every_kind_of_answer_wins_somewhere() -> None:
    """The comparison above means nothing if one choice always wins: here all of them do."""
    rng = random.Random(20)
    won: set[tuple[int, bool] | str] = set()
    for _ in range(60):
        erase_ns = {size: 1000 * rng.randrange(1, 40) for size in (1, 2, 8)}
        chip_ns = 1000 * rng.randrange(10, 80)
        old, new = (
            bytes(
                rng.choice((0xFF, 0x0F, 0)) if dirty else 0xFF for dirty in mask for _ in range(8)
            )
            for mask in ([rng.random() < 0.6 for _ in range(8)] for _ in range(2))
        )
        plan, best = check(Case(old, new, MAPS[0], erase_ns, chip_ns, 3000))
        won |= {(step.type.size, step.whole_chip) for step in plan.steps if isinstance(step, Erase)}
        if best.by_chip_erase:
            won.add("brute force takes the chip erase")
    assert won == {
        (8, False),
        (16, False),
        (64, False),
        (64, True),
        "brute force takes the chip erase",
    }


def test_what_brute_force_cannot_reach_is_refused() -> None:
    # No erase type at all in the second region, and a bit to set there.
    chip = Geometry(
        size=4 * UNIT,
        page=PAGE,
        erase_types=(EraseType(UNIT, 0x20, Duration(0.01, 0.1)),),
        regions=(EraseRegion(2 * UNIT, (0,)), EraseRegion(2 * UNIT, ())),
        program=Duration(0.001, 0.01),
    )
    old = b"\x00" * (4 * UNIT)
    with pytest.raises(PlanError, match="no erase type"):
        make_plan(old, b"\x00" * (4 * UNIT - 1) + b"\x01", chip, TRANSFER)
    plan = make_plan(old, b"\x01" + b"\x00" * (4 * UNIT - 1), chip, TRANSFER)
    assert [step.address for step in plan.steps if isinstance(step, Erase)] == [0]


def word_cost(needed: list[int], typical: int) -> int:
    """Least nanoseconds to program words `needed` of a block: every way to split into runs."""
    if not needed:
        return 0
    gaps = list(pairwise(needed))
    costs = []
    for cuts in product((False, True), repeat=len(gaps)):
        words = len(needed)
        for (left, right), cut in zip(gaps, cuts, strict=True):
            words += 0 if cut else right - left - 1
        costs.append(PROGRAM_NS * (1 + sum(cuts)) + words * (typical + WORD_NS + 2 * BYTE_NS))
    return min(costs)


@settings(max_examples=150, deadline=None)
@given(
    new=st.lists(st.sampled_from([0xFF, 0xFF, 0xFF, 0x00]), min_size=32, max_size=32).map(bytes),
    typical=st.sampled_from([0, 100, 250, 1000]),
)
def test_word_runs_are_joined_only_where_that_is_faster(new: bytes, typical: int) -> None:
    block = 16
    chip = Geometry(
        size=32,
        page=256,
        erase_types=(EraseType(block, 0x20, Duration(0.025, 0.05)),),
        regions=(EraseRegion(32, (0,)),),
        program=Duration(typical / NS, 2 * typical / NS),
        method=ProgramMethod.AAI_WORD,
    )
    plan = make_plan(b"\xff" * 32, new, chip, TRANSFER)
    expected = 0
    for at in (0, block):
        words = [i for i in range(block // 2) if new[at + 2 * i : at + 2 * i + 2] != b"\xff\xff"]
        expected += word_cost(words, typical)
    assert round(plan.seconds * NS) == expected
    assert played(b"\xff" * 32, plan.steps) == new
    for step in plan.steps:
        assert isinstance(step, Program)
        assert step.address % 2 == 0
        assert len(step.data) % 2 == 0
        assert step.address // block == (step.end - 1) // block
