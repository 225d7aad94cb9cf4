"""Boards drawn at random, damaged in every way, judged with all that may be at hand.

What must hold of every repair is judged by `triage_damage.py`, which knows what was planted. The
figures that are quoted come from `tests/benchmarks/triage.py --boards 200`.
"""

from __future__ import annotations

import os

import pytest

from tests.benchmarks.triage import EXACT, Score, count_damaged, count_healthy
from tests.references.triage_boards import PROGRAMS, draw_model
from tests.references.triage_damage import DAMAGE, draw_set

FULL = os.environ.get("SPIFLASH_SWEEP", "small") == "full"
SMALL = {
    0: ("own erased", "firmware 64 KiB late"),
    1: ("environment erased", "half-erased"),
    5: ("update stopped", "boot command"),
}
"""Kinds of damage of the small sweep by model: those of which the worst came."""

pytestmark = pytest.mark.needs(*PROGRAMS)


@pytest.mark.parametrize("seed", range(200, 220) if FULL else SMALL)
def test_no_repair_makes_it_worse(seed: int) -> None:
    score = Score()
    found = draw_set(draw_model(seed))
    count_healthy(score, found)
    for kind in DAMAGE if FULL else SMALL[seed]:
        count_damaged(score, found, kind)
    assert score.counts["cases"] > 0
    assert score.wrong == []
    assert score.counts[EXACT] == score.counts["with a backup"]
