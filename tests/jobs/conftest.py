"""What tests of whole jobs work on. What takes long to make is made once a run; a test file, or a
test that changes something, gets a copy of its own."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from spiflash.archive.shelf import Shelf
from tests.benchmarks.cuts import Case
from tests.clone_rig import heron
from tests.jobs.cli_rig import Bench, new_bench
from tests.small_board import Board, noise

# -- the program as a person starts it -------------------------------------------------------------


@pytest.fixture(scope="session")
def _factory_bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return new_bench(tmp_path_factory.mktemp("factory"))


@pytest.fixture(scope="session")
def _saved_bench(_factory_bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    found = _factory_bench.copy(tmp_path_factory.mktemp("saved") / "bench")
    assert found.on_board("backup").status == 0
    return found


@pytest.fixture(scope="module")
def bench(_factory_bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A heron board with its factory contents and an empty shelf, for all tests of a file."""
    return _factory_bench.copy(tmp_path_factory.mktemp("bench") / "bench")


@pytest.fixture(scope="module")
def saved(_saved_bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """The same with a verified set on the shelf, for all tests of a file."""
    return _saved_bench.copy(tmp_path_factory.mktemp("saved") / "bench")


@pytest.fixture
def here(saved: Bench, tmp_path: Path) -> Bench:
    """A copy of `saved` for one test alone."""
    return saved.copy(tmp_path / "bench")


# -- jobs in this process --------------------------------------------------------------------------


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """An empty shelf."""
    return Shelf(tmp_path / "shelf")


@pytest.fixture(scope="module")
def backup(case: Case, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with the backup of the board that the test file's fixture `case` describes."""
    folder = tmp_path_factory.mktemp("backup") / "shelf"
    case.prepare(folder)
    return folder


@pytest.fixture
def backed_up(backup: Path, tmp_path: Path) -> Shelf:
    """A copy of `backup` for one test alone."""
    shutil.copytree(backup, tmp_path / "shelf")
    return Shelf(tmp_path / "shelf")


@pytest.fixture
def board() -> Board:
    """A board with a small chip, full of noise: `noise(1)`."""
    return Board(noise(1))


@pytest.fixture
def rig(tmp_path: Path) -> heron.Rig:
    """A clone job for heron boards, its shelf and its ledger."""
    return heron.Rig(tmp_path)
