"""Bricks of every kind, a few of each: the figures of tests/benchmarks/triage.py in small.

The bricks and what is true of them come from hwmocks/bricks.py, on contents that mkimage,
mkenvimage, mksquashfs and mkfs.jffs2 made.
"""

from __future__ import annotations

import os

import pytest

from hwmocks.bricks import KINDS, make_brick
from tests.benchmarks.triage import Tally, count

FULL = os.environ.get("SPIFLASH_SWEEP", "small") == "full"
SMALL = ("interrupted", "wrong offset", "another board's", "bad checksum", "erased")
"""Kinds of the small sweep: those in which most can go wrong."""


@pytest.mark.parametrize("kind", KINDS if FULL else SMALL)
@pytest.mark.parametrize("at_hand", ["both", "image"])
def test_named_and_repaired(kind: str, at_hand: str) -> None:
    tally = Tally()
    for seed in range(100, 125 if FULL else 101):
        count(tally, make_brick(kind, seed), at_hand, seed)
    assert tally.wrong == []
    assert tally.only_copies == []
    cases = tally.cases.total()
    assert tally.named.total() == tally.repaired.total() == cases
    assert tally.stopped.total() == tally.stops.total()
    assert tally.kept.total() == tally.own.total()


@pytest.mark.parametrize("kind", KINDS)
def test_bricks_are_what_they_say(kind: str) -> None:
    """Damaged but for one kind, the same each time, and a stop that can be seen."""
    brick = make_brick(kind, 7)
    assert brick == make_brick(kind, 7)
    assert (brick.contents == brick.backup) is (kind == "intact")
    assert len(brick.contents) == len(brick.backup) == len(brick.rebuilt) == 8 << 20
    assert (brick.stop is not None) is kind.startswith("interrupted")
    if brick.stop is not None:
        end = brick.stop // 4096 * 4096 + 4096
        assert brick.contents[brick.stop : end] == b"\xff" * (end - brick.stop)
