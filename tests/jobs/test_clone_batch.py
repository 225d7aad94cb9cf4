"""A batch through several adapters, with faults and with power cuts. The same as
`tests/benchmarks/cloning.py`, which tells more; SPIFLASH_SWEEP=full runs it in full size."""

from __future__ import annotations

from pathlib import Path

import pytest
from benchmarks.cloning import run_batch, survive_kills
from clone_rig import Board, batch

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
    wrong, records, simulated, _ = run_batch(tmp_path, boards, adapters)
    assert wrong == []
    assert len(records) == len(boards)
    if full_sweep:
        assert sum(record.seconds["all"] for record in records) >= 3.6 * simulated


def test_power_cuts_lose_neither_a_boards_own_data_nor_a_value(
    tmp_path: Path, full_sweep: bool
) -> None:
    boards = batch(12, 2, ("bad clip", "worn sector"))
    if not full_sweep:
        boards = [Board(0, "MX25L6406E"), Board(1, "XM25QH64C", "wrong chip")]
    kills = 50 if full_sweep else 2
    wrong, made, _ = survive_kills(
        tmp_path, boards, 1, kills, seed=5, longest=7.0 if full_sweep else 4.0
    )
    assert wrong == []
    assert made == kills
