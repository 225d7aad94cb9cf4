"""A dump made to waste time or memory gets neither: see `hostile_dumps` for the constructions."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.finding import Finding
from tests.effort import effort
from tests.unit.hostile_dumps import HOSTILE, MEMORY, MIB

ROOT = Path(__file__).resolve().parents[2]
SECONDS = 30
"""Generous: the worst takes 7 s on a two-core machine; without bounds it would be minutes."""


@pytest.mark.parametrize("name", HOSTILE)
def test_a_small_one_is_over_soon(name: str) -> None:
    contents = HOSTILE[name](128 << 10)
    findings: list[Finding] = []
    assert effort(lambda: findings.extend(survey(contents))) < SECONDS / 3
    assert all(0 <= f.start < f.end <= len(contents) for f in findings)
    for finding in findings:
        for (start, end), _ in finding.verdicts():
            assert finding.start <= start < end <= finding.end


FULL = os.environ.get("SPIFLASH_SWEEP", "small") == "full"
LARGE = tuple(HOSTILE) if FULL else ("inodes", "fit", "tree of nothing", "erase counters")


@pytest.mark.parametrize("name", LARGE)
def test_16_mib_stay_within_time_and_memory(name: str) -> None:
    size = 16 * MIB
    done = subprocess.run(
        [sys.executable, "-m", "tests.unit.hostile_dumps", name, str(size)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=10 * SECONDS,
        # Without this, numpy's linear algebra reserves address space for threads never used.
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )
    assert done.returncode == 0, done.stderr[-500:]
    seconds, peak, _ = done.stdout.split()
    print(f"{name}: {seconds} s, {int(peak) / MIB:.0f} MiB")
    assert float(seconds) < SECONDS
    assert int(peak) < MEMORY
