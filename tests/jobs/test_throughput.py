"""Reading and writing at the chip's own speed: small versions of the benchmark, with its limits.

The limits are the bits that must move and the busy times that the simulated chip drew (see
`tests.benchmarks.throughput`, which prints the whole table).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_factory
from tests.benchmarks import throughput

ADAPTERS = ("ft232h", "ft2232h")
TOP = 30e6


@pytest.mark.parametrize("adapter", ADAPTERS)
def test_reading_keeps_the_bus_busy(adapter: str) -> None:
    ours, limit = throughput.our_read(adapter, TOP)
    assert 0.98 <= limit / ours.seconds <= 1.0


@pytest.mark.parametrize("hertz", [6e6, TOP])
@pytest.mark.parametrize("adapter", ADAPTERS)
def test_programming_keeps_the_chip_busy(adapter: str, hertz: float) -> None:
    ours, limit = throughput.our_program(adapter, hertz)
    assert 0.90 <= limit / ours.seconds <= 1.0


@pytest.mark.parametrize("seed", range(6))
def test_programming_suits_itself_to_each_chip(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Chips from 0.7 to 1.3 of their typical time."""
    monkeypatch.setattr(throughput, "SEED", seed)
    monkeypatch.setattr(throughput, "PROGRAMMED", 1 << 19)
    ours, limit = throughput.our_program("ft232h", TOP)
    assert limit / ours.seconds >= 0.90


def test_full_speed_adapters_program_without_idle_clocks() -> None:
    """An FT2232C pausing in the host would need some 3 ms a page: below 0.1 of the limit."""
    ours, limit = throughput.our_program("ft2232c", 6e6)
    assert limit / ours.seconds >= 0.65


def test_a_damaged_chip_is_restored_in_little_more_than_one_reading(
    tmp_path: Path, full_sweep: bool
) -> None:
    factory = heron_factory()
    shelf = throughput.saved(tmp_path)
    bad = throughput.damaged(factory)
    ours, limit = throughput.our_restore("ft232h", TOP, shelf, bad, factory, full=False)
    assert ours.seconds <= 1.10 * limit
    if full_sweep:
        other = random.Random(1).randbytes(len(factory))
        ours, limit = throughput.our_restore("ft232h", TOP, shelf, factory, other, full=True)
        assert limit / ours.seconds >= 0.93
