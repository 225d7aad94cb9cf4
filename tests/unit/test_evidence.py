"""The statistics of a reading. Reference: scipy's exact distributions, and chance itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, special, stats

from spiflash.jobs.reading.evidence import (
    BURST_BITS,
    LIMIT,
    PAGE,
    bit_rate,
    burst_sectors,
    differing_bits,
    gamma_below,
    poisson_bounds,
    rarest_share,
    rate_from_differing,
    shared_bits,
    smallest_stretch,
    wrongly_settled,
)

BITS = 8 << 23
"""Of 8 MiB."""


@pytest.mark.parametrize("count", [0, 1, 2, 3, 10, 99, 1000, 54321, 10**6, 10**7])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
def test_poisson_bounds_are_exact(count: int, confidence: float) -> None:
    """Garwood's interval from scipy's gamma quantiles."""
    tail = (1 - confidence) / 2
    low, high = poisson_bounds(count, confidence)
    assert low == pytest.approx(stats.gamma.ppf(tail, count) if count else 0.0, rel=1e-8)
    assert high == pytest.approx(stats.gamma.ppf(1 - tail, count + 1), rel=1e-8)


def test_the_incomplete_gamma_function() -> None:
    for shape in (0.5, 1.0, 7.0, 300.0, 1e5):
        for x in shape * np.array([0.01, 0.5, 0.99, 1.0, 1.01, 2.0, 20.0]):
            wanted = special.gammainc(shape, x)
            assert gamma_below(shape, float(x)) == pytest.approx(wanted, rel=1e-9, abs=1e-300)


def test_the_poisson_bounds_hold_the_binomial_ones() -> None:
    """Clopper and Pearson's exact interval for 8 MiB, as beta quantiles, lies within."""
    for count in (0, 1, 5, 100, 5000):
        low, high = poisson_bounds(count)
        lowest = stats.beta.ppf(0.025, count, BITS - count + 1) if count else 0.0
        assert low / BITS <= lowest * (1 + 1e-8)
        assert high / BITS >= stats.beta.ppf(0.975, count + 1, BITS - count) * (1 - 1e-8)


@pytest.mark.parametrize("passes", [2, 3, 5, 8])
@pytest.mark.parametrize("rate", [1e-9, 1e-6, 1e-3, 0.05])
def test_the_rate_is_found_back(rate: float, passes: int) -> None:
    # The chance that some but not all of n passes are wrong.
    seen = sum(
        math.comb(passes, k) * rate**k * (1 - rate) ** (passes - k) for k in range(1, passes)
    )
    assert rate_from_differing(seen, passes) == pytest.approx(rate, rel=1e-6)


@pytest.mark.parametrize(("rate", "passes"), [(1e-7, 2), (1e-6, 3), (1e-5, 4), (1e-3, 2)])
def test_the_bounds_hold_the_true_rate_often_enough(rate: float, passes: int) -> None:
    rng = np.random.default_rng(1)
    bits = 1 << 23
    drawn = rng.binomial(bits, 1 - (1 - rate) ** passes - rate**passes, size=400)
    hits = sum(
        found.low <= rate <= found.high for found in (bit_rate(int(d), bits, passes) for d in drawn)
    )
    # 95 % nominal; 400 trials of it stay above this but for one time in 10^4.
    assert hits >= stats.binom.ppf(1e-4, 400, 0.95)


def test_differing_bits_are_counted_where_they_are() -> None:
    first = bytes(4 * PAGE)
    second = bytearray(first)
    second[0] = 0x81
    second[PAGE * 3 + 5] = 0xFF
    third = bytearray(first)
    third[0] = 0x01
    assert differing_bits([first, bytes(second), bytes(third)]).tolist() == [2, 0, 0, 8]


def test_two_passes_of_8_mib_at_1e5_are_not_enough() -> None:
    """N·p² = 6.7e7 · 1e-10 = 6.7e-3 bits would be shared; three are not enough either where
    errors may be uneven, four are."""
    rng = np.random.default_rng(2)
    outcome = {}
    for passes in (2, 3, 4):
        pages = rng.poisson(passes * 1e-5 * 8 * PAGE, BITS // (8 * PAGE))
        outcome[passes] = shared_bits(pages, passes, pages > 0, 0.5)
    assert outcome[2] > 6.7e-3 * 0.9
    assert outcome[4] < LIMIT


def test_two_equal_passes_of_8_mib_are_enough_for_even_errors() -> None:
    quiet = np.zeros(BITS // (8 * PAGE), dtype=np.int64)
    none = np.zeros(len(quiet), dtype=bool)
    upper = stats.gamma.ppf(0.975, 1) / (2 * BITS)
    assert shared_bits(quiet, 2, none, 1.0) == pytest.approx(BITS * upper**2, rel=1e-3)
    assert shared_bits(quiet, 2, none, 1.0) < LIMIT
    # Errors that strike one bit in a hundred only would be shared a hundred times as often.
    assert shared_bits(quiet, 2, none, 0.01) > LIMIT


@pytest.mark.parametrize(
    ("stretch", "rate", "passes"),
    [(1 << 20, 1e-5, 3), (1 << 18, 1e-4, 2), (1 << 23, 1e-6, 3), (BITS, 1e-6, 3)],
)
def test_the_bound_does_not_lie_about_a_bad_stretch(stretch: int, rate: float, passes: int) -> None:
    """All errors within `stretch` bits: what the passes truly share there, outside of what is
    read again, is below the bound at least 95 times in a hundred."""
    rng = np.random.default_rng(3)
    page_bits = 8 * PAGE
    held = 0
    for _ in range(60):
        pages = np.zeros(BITS // page_bits, dtype=np.int64)
        hit = stretch // page_bits
        pages[:hit] = rng.poisson(passes * rate * page_bits, hit)
        sectors = np.repeat((pages.reshape(-1, 16) > 0).any(axis=1), 16)
        truly = page_bits * np.count_nonzero(~sectors[:hit]) * rate**passes
        held += truly <= shared_bits(pages, passes, sectors, 1.0)
    assert held >= 57


def test_a_burst_asks_for_more_passes() -> None:
    """One page that is wrong as a whole: what opens for a moment may do so twice, alike."""
    pages = np.zeros(BITS // (8 * PAGE), dtype=np.int64)
    pages[100] = BURST_BITS
    reread = np.zeros(len(pages), dtype=bool)
    reread[96:112] = True
    assert burst_sectors(pages) == 1
    upper = stats.gamma.ppf(0.975, 2)
    sectors = len(pages) // 16
    assert shared_bits(pages, 3, reread, 1.0) >= sectors * (upper / (3 * sectors)) ** 3
    pages[100] = BURST_BITS - 1
    assert burst_sectors(pages) == 0


def test_the_smallest_stretch_solves_its_equation() -> None:
    for differing, passes in ((0, 2), (0, 3), (200, 3)):
        upper = stats.gamma.ppf(0.975, differing + 1)
        solved = optimize.brentq(
            lambda m, u=upper, n=passes: m * (u / (n * m)) ** n - LIMIT, 1e-3, 1e15
        )
        assert smallest_stretch(differing, passes) == pytest.approx(solved, rel=1e-6)


def test_settling_is_bounded_by_what_chance_does() -> None:
    """Rows of equal wrong readings of one bit, counted in a simulation at a rate high enough."""
    rng = np.random.default_rng(4)
    rate, row, readings, trials = 0.2, 3, 8, 20000
    wrong = rng.random((trials, readings)) < rate
    rows = np.lib.stride_tricks.sliding_window_view(wrong, row, axis=1).all(axis=2).any(axis=1)
    assert rows.mean() <= wrongly_settled(1, rate, row, readings)
    assert rows.mean() >= wrongly_settled(1, rate, row, readings) / 3


def test_the_rarest_kind_of_bit() -> None:
    bits = np.random.default_rng(5).random(1 << 16) < 0.1
    contents = np.packbits(bits).tobytes()
    ones = bits.mean()
    changes = (bits[1:] != bits[:-1]).sum() / len(bits)
    assert rarest_share(contents) == pytest.approx(min(ones, changes))
    assert rarest_share(b"\xff" * 4096) == 1.0
    assert rarest_share(b"\x00" + b"\xff" * 65535) == 1 / 64
