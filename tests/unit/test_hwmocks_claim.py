"""A board in a folder is on one clip at a time."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from hwmocks import store
from hwmocks.bench import BenchBusyError, BenchError, open_bench

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def board(tmp_path: Path) -> Path:
    store.create(tmp_path / "board", "W25Q64JV")
    return tmp_path / "board"


def test_a_second_program_is_refused_and_the_first_keeps_its_work(board: Path) -> None:
    first = open_bench(str(board))
    first.chip.contents[5] = 0x55
    with pytest.raises(BenchBusyError, match="another program is using the board in"):
        open_bench(str(board))
    first.put_away()
    second = open_bench(str(board))
    assert second.chip.contents[5] == 0x55
    second.put_away()
    assert sorted(path.name for path in board.iterdir()) == ["chip.json", "flash.bin"]


def test_a_killed_program_leaves_no_claim(board: Path) -> None:
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys\nfrom hwmocks.bench import open_bench\n"
            "bench = open_bench(sys.argv[1])\nprint('on the clip', flush=True)\ninput()",
            str(board),
        ],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    with holder, holder.stdout, holder.stdin:
        assert holder.stdout.readline() == b"on the clip\n"
        with pytest.raises(BenchBusyError):
            open_bench(str(board))
        holder.send_signal(signal.SIGKILL)
        holder.wait()
    open_bench(str(board)).put_away()


@pytest.mark.parametrize("damage", ["flash.bin", "chip.json"])
def test_a_board_that_cannot_be_loaded_is_not_kept_busy(board: Path, damage: str) -> None:
    (board / damage).rename(board / "aside")
    with pytest.raises(BenchError, match=damage):
        open_bench(str(board))
    (board / "aside").rename(board / damage)
    open_bench(str(board)).put_away()


def test_a_disk_without_room_lets_go_of_the_board(
    board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = open_bench(str(board))
    with monkeypatch.context() as patch:

        def full(source: str, target: Path) -> None:
            raise OSError(28, "No space left on device")

        patch.setattr(os, "replace", full)
        with pytest.raises(OSError, match="No space"):
            bench.put_away()
    open_bench(str(board)).put_away()


def _make(arguments: tuple[str, int]) -> str:
    folder, number = arguments
    try:
        bench = open_bench(f"{folder}?new=heron&board={number}")
    except BenchBusyError:
        return "busy"
    made = bench.chip.unique_id.hex()
    bench.put_away()
    return made


def test_two_programs_that_make_one_board_make_one(tmp_path: Path) -> None:
    folder = str(tmp_path / "new")
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        said = pool.map(_make, [(folder, 1), (folder, 2)], chunksize=1)
    kept = open_bench(folder)
    assert {each for each in said if each != "busy"} == {kept.chip.unique_id.hex()}
    kept.put_away()
