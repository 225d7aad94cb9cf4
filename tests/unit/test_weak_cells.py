"""Weak bits and changed contents, on readings that are drawn. Chance itself is the reference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spiflash.jobs.reading.differences import (
    Flips,
    changed_bits,
    find_changes,
    flips_in,
    latest_alone,
    noise_rate,
    unseen,
    weak_bits,
)
from spiflash.jobs.reading.evidence import PAGE

SIZE = 16 * PAGE


def drawn(rng: np.random.Generator, cells: dict[int, float], count: int) -> list[bytes]:
    """Readings of zeros of which each cell is wrong with its own chance."""
    found = []
    for _ in range(count):
        data = bytearray(SIZE)
        for bit, chance in cells.items():
            if rng.random() < chance:
                data[bit // 8] |= 1 << bit % 8
        found.append(bytes(data))
    return found


def read_alone(flips: list[Flips], rng: np.random.Generator, cells: dict[int, float]) -> None:
    for each in flips:
        for _ in range(40):
            each.take(bool(rng.random() < cells.get(each.bit, 0.0)))


@pytest.mark.parametrize("chance", [0.2, 0.5, 0.8])
def test_cells_that_flip_are_weak_and_unstable(chance: float) -> None:
    rng = np.random.default_rng(1)
    cells = dict.fromkeys(range(5, 8 * SIZE, 701), chance)
    readings = drawn(rng, cells, 7)
    flips = flips_in(0, readings, 3, bytes(SIZE), PAGE)
    assert {each.bit for each in flips} <= set(cells)
    read_alone(flips, rng, cells)
    weak = weak_bits(flips, noise_rate(flips, 8 * SIZE * 4, 1e-7))
    assert len(weak) > 0.9 * len(flips) > 0
    assert all(each.unstable for each in weak if 0.2 < each.ones / each.readings < 0.8)


def test_noise_is_not_taken_for_weak_cells() -> None:
    """Bits hit once in a pass, and bits hit once in the readings since, at a rate of 1e-5."""
    rng = np.random.default_rng(2)
    wrongly = 0
    for _ in range(200):
        readings = [
            bytes(np.packbits(rng.random(8 * SIZE) < 1e-5, bitorder="little")) for _ in range(9)
        ]
        flips = flips_in(0, readings, 3, bytes(SIZE), PAGE)
        for each in flips:
            for _ in range(40):
                each.take(bool(rng.random() < 1e-5))
        wrongly += bool(weak_bits(flips, noise_rate(flips, 8 * SIZE * 6, 1.5e-5)))
    assert wrongly <= 6  # 1 % nominal, rather less in truth


def test_a_garbled_page_is_one_event() -> None:
    clean = bytes(SIZE)
    garbled = clean[:PAGE] + b"\xa5" * PAGE + clean[2 * PAGE :]
    assert flips_in(0, [clean, garbled, clean, clean, clean], 2, clean, PAGE) == []
    # Two passes that read older contents alike say nothing of cells either.
    assert flips_in(0, [garbled, garbled, clean, clean, clean], 2, clean, PAGE) == []


def test_unseen_cells_are_estimated_from_those_seen_once_and_twice() -> None:
    rng = np.random.default_rng(3)
    missed, estimated = 0, 0.0
    for _ in range(40):
        cells = dict.fromkeys((int(b) for b in rng.choice(8 * SIZE, 60, replace=False)), 0.3)
        readings = drawn(rng, cells, 4)
        array = np.array([np.unpackbits(np.frombuffer(r, np.uint8), bitorder="little")
                          for r in readings])  # fmt: skip
        seen = [int(bit) for bit in np.flatnonzero((array != array[0]).any(axis=0))]
        missed += len(cells) - len(seen)
        estimated += unseen(readings, seen)
    assert missed / 2 < estimated < missed * 2
    assert unseen([bytes(SIZE)] * 3, []) == 0


# -- contents that changed -------------------------------------------------------------------

NEW = bytearray(SIZE)
NEW[3 * PAGE : 3 * PAGE + 40] = b"\x5a" * 40
OLD, NOW = bytes(SIZE), bytes(NEW)
OTHER = bytes(PAGE) + b"\x77" * PAGE + NOW[2 * PAGE :]


@pytest.mark.parametrize(
    ("passes", "final", "changed", "contrary", "torn"),
    [
        ([OLD, OLD], OLD, False, False, False),
        ([OLD, NOW], NOW, True, False, True),  # one whole pass of the new state: not enough
        ([OLD, NOW, NOW], NOW, True, False, False),
        ([OLD, OLD, NOW, NOW], NOW, True, False, False),
        ([NOW, OLD, NOW], NOW, False, False, False),  # the second was disturbed
        ([OLD, NOW, OLD], NOW, False, True, False),  # the way of reading decides
        ([NOW, OLD, OLD], NOW, False, True, False),
    ],
)
def test_what_the_order_of_passes_says(
    passes: list[bytes], final: bytes, changed: bool, contrary: bool, torn: bool
) -> None:
    found = find_changes(passes, final, 1e-7)
    assert found.changed == ((3 * PAGE,) if changed else ())
    assert found.contrary == ((3 * PAGE,) if contrary else ())
    assert found.torn == torn


def test_only_the_last_pass_alone_is_looked_at() -> None:
    assert latest_alone([OLD, NOW]) == (3 * PAGE,)
    assert latest_alone([OLD, NOW, NOW]) == ()
    assert latest_alone([OLD, NOW, OLD]) == ()
    few = bytes([7]) + OLD[1:]  # three bits are settled as bits
    assert latest_alone([OLD, few]) == ()


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 1e-3), st.integers(16, 1 << 16))
def test_noise_does_not_make_a_change(rate: float, pages: int) -> None:
    """A page of noise alone reaches the bound once in a thousand chips, by exact Poisson sums."""
    from scipy import stats

    least = changed_bits(pages, rate)
    assert least >= 4
    assert pages * stats.poisson.sf(least - 1, 8 * PAGE * rate) <= 1e-3 * 1.001 or rate < 1e-9
