"""A batch through several adapters, with faults and with power cuts. The same as
`tests/benchmarks/cloning.py`, which tells more; SPIFLASH_SWEEP=full runs it in full size."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.cloning import run_batch
from tests.benchmarks.cloning_kills import survive_kills
from tests.clone_rig import LONG
from tests.clone_rig.heron import Board, batch

pytestmark = pytest.mark.needs("mkenvimage", "fw_printenv")


def test_good_boards_are_right_and_faulty_ones_are_never_called_good(
    tmp_path: Path, full_sweep: bool
) -> None:
    small = [
        Board(0, "W25Q64JV"),
        Board(1, "MX25L6406E"),
        Board(2, "GD25Q64C", "bad clip"),
        Board(3, "GD25Q64C", "unplugged"),
        Board(4, "XM25QH64C", "wrong chip"),
    ]
    boards, adapters = (batch(60, 6), 4) if full_sweep else (small, 2)
    run = run_batch(tmp_path / "many", boards, adapters)
    assert run.wrong == []
    assert len(run.records) == len(boards)
    if full_sweep:
        one = run_batch(tmp_path / "one", boards, 1)
        assert one.wrong == []
        assert one.simulated >= 3.6 * run.simulated


@pytest.mark.parametrize(("adapters", "many"), [(1, 28), pytest.param(4, 52, marks=LONG)])
def test_kills_lose_neither_a_boards_own_data_nor_a_value(
    tmp_path: Path, full_sweep: bool, adapters: int, many: int
) -> None:
    boards = batch(many, many // 10, ("bad clip", "worn sector"))
    longest = max(6.0, 4.0 * adapters)
    if not full_sweep:
        boards = [Board(0, "MX25L6406E")]
        longest = 2.0  # a board that is taken up again may need less than three
    kills = 50 if full_sweep else 2
    found = survive_kills(tmp_path, boards, adapters, kills, seed=5, longest=longest)
    assert found.wrong == []
    assert (found.power_cuts, found.sigkills) == (kills // 2, kills // 2)
