"""Bricks of every kind, a few of each: the figures of tests/benchmarks/triage.py in small.

The bricks and what is true of them come from hwmocks/bricks.py, on contents that mkimage,
mkenvimage, mksquashfs and mkfs.jffs2 made.
"""

from __future__ import annotations

import pytest
from benchmarks.triage import Tally, count

from hwmocks.bricks import KINDS, make_brick

SMALL = ("interrupted", "wrong offset", "another board's", "bad checksum", "erased")
"""Kinds of the small sweep: those in which most can go wrong."""


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("at_hand", ["both", "image"])
def test_named_and_repaired(kind: str, at_hand: str, full_sweep: bool) -> None:
    if not full_sweep and kind not in SMALL:
        # A brick costs seconds: the others are made and looked at without a judgement.
        brick = make_brick(kind, 100)
        assert (brick.contents == brick.backup) is (kind == "intact")
        return
    tally = Tally()
    for seed in range(100, 125 if full_sweep else 101):
        count(tally, make_brick(kind, seed), at_hand, seed)
    assert tally.wrong == []
    assert tally.only_copies == []
    cases = tally.cases.total()
    assert tally.named.total() == tally.repaired.total() == cases
    assert tally.stopped.total() == tally.stops.total()
    assert tally.kept.total() == tally.own.total()
