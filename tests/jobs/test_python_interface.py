"""The Python interface: the README's lines run, and it keeps the rules of the commands."""

from __future__ import annotations

import inspect
import re
import subprocess
import sys
import types
import warnings
from pathlib import Path

import pytest

import spiflash
from hwmocks import store
from hwmocks.boards.heron import heron_factory, heron_variant
from spiflash.archive.shelf import Shelf
from spiflash.errors import DeclinedError, ImageError, NoBackupError, UnstableReadError
from spiflash.jobs import Unwatched
from tests.small_board import Board, noise

README = Path(__file__).resolve().parents[2] / "README.md"
SECTOR = 4096
BLANK = 0x740000
"""Where nothing is on the board."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a board, whose verified backup is on the shelf in it."""
    folder = tmp_path_factory.mktemp("python")
    store.create(folder / "board", "W25Q64JV", heron_factory(), seed=7)
    with spiflash.open(f"sim:{folder / 'board'}") as chip:
        chip.backup(shelf=folder / "shelf", board="gauge-23")
    return folder


def held(bench: Path) -> bytes:
    return (bench / "board" / store.CONTENTS).read_bytes()


def test_the_lines_of_the_readme(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    found = re.search(
        r"<!-- python:start -->\n```python\n(.*?)```", README.read_text("utf-8"), re.DOTALL
    )
    assert found is not None
    monkeypatch.chdir(tmp_path)
    exec(compile(found[1], "README.md", "exec"), {})
    name, checksums = capsys.readouterr().out.splitlines()
    assert name == f"W25Q64 family {8 << 20}"
    assert int(checksums) > 1 << 20


def test_public_names_are_there_and_documented() -> None:
    for name in spiflash.__all__:
        each = getattr(spiflash, name)
        assert isinstance(each, types.ModuleType) or inspect.getdoc(each), name
    for name, each in vars(spiflash.Chip).items():
        if not name.startswith("_"):
            assert inspect.getdoc(each), name
    assert set(spiflash.__all__) <= set(dir(spiflash))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        spiflash.nothing  # noqa: B018


def test_importing_it_loads_nothing_heavy() -> None:
    code = (
        "import sys, spiflash; "
        "print(*{'numpy', 'jinja2', 'usb', 'click', 'spiflash.nor', 'spiflash.jobs'} "
        "& set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_reading_a_range(bench: Path) -> None:
    with spiflash.open(f"sim:{bench / 'board'}") as chip:
        assert chip.read(0x3FFF0, 0x20) == heron_factory()[0x3FFF0:0x40010]
        assert chip.read(chip.size - 1) == heron_factory()[-1:]
        for address, length in ((-1, 2), (0, chip.size + 1), (1, -1)):
            with pytest.raises(ValueError, match="is not on a chip"):
                chip.read(address, length)
        with pytest.raises(ValueError, match="2 to 12"):
            chip.backup(shelf=bench / "shelf", passes=1)
        assert (chip.vendor, len(chip.unique_id or b"")) == ("Winbond", 8)


def test_two_readings_that_differ(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with spiflash.open(f"sim:{bench / 'board'}") as chip:
        read = chip._connection.flash.read_all
        answers = iter((b"\x00" * 16, b"\x01" * 16))
        monkeypatch.setattr(
            type(chip._connection.flash), "read_all", lambda *_: next(answers), raising=True
        )
        assert read is not chip._connection.flash.read_all
        with pytest.raises(UnstableReadError):
            chip.read(0, 16)


def test_nothing_is_written_without_a_backup_or_without_a_yes(bench: Path, tmp_path: Path) -> None:
    before = held(bench)
    image = before[:BLANK] + b"\x55" * SECTOR
    asked = []
    with spiflash.open(f"sim:{bench / 'board'}") as chip:
        with pytest.raises(NoBackupError):
            chip.write(image, confirm=lambda plan: True, shelf=tmp_path / "empty")
        with pytest.raises(DeclinedError):
            chip.write(image, confirm=lambda plan: bool(asked.append(plan)), shelf=bench / "shelf")
        with pytest.raises(ImageError, match="another board's"):
            chip.write(heron_variant(3), confirm=lambda plan: True, shelf=bench / "shelf")
        with pytest.raises(spiflash.SpiflashError):
            chip.write(image, confirm=lambda plan: True, shelf=bench / "shelf", at=chip.size)
        with pytest.raises(ValueError, match="are not on a chip"):
            chip.erase(chip.size - 1, 2, confirm=lambda plan: True)
    assert held(bench) == before
    assert [plan.erases for plan in asked] == [0]  # the place is blank: bits only clear


def test_the_backup_of_another_board_is_refused_also_when_it_has_no_address(tmp_path: Path) -> None:
    """What is a board's own need not be anything that an audit finds."""
    first, second, shelf = Board(noise(1), 1), Board(noise(2), 2), Shelf(tmp_path)
    first.save(shelf)
    (theirs,) = shelf.sets().sets
    second.save(shelf)
    with second.session() as connection:
        chip = spiflash.Chip(connection, Unwatched())
        with pytest.raises(ImageError, match="backup of another board"):
            chip.write(theirs.path, confirm=lambda plan: True, shelf=tmp_path)
        assert second.holds == noise(2)
        chip.write(theirs.path, confirm=lambda plan: True, shelf=tmp_path, other_board=True)
    assert second.holds == noise(1)


def test_only_true_is_a_yes(bench: Path) -> None:
    """A function that was to be awaited gives a coroutine, and every one of these is true."""
    before = held(bench)

    async def never(plan: object) -> bool:
        return False

    with spiflash.open(f"sim:{bench / 'board'}") as chip:
        for answer in ("no", [False], 1, never):
            given: list[object] = []

            def confirm(plan: object, answer: object = answer, given: list[object] = given) -> bool:
                given.append(answer(plan) if callable(answer) else answer)
                return given[0]  # type: ignore[return-value]

            with pytest.raises(DeclinedError):
                chip.erase(0, SECTOR, confirm=confirm, shelf=bench / "shelf")
            if answer is never:
                given[0].close()  # type: ignore[attr-defined]
    assert held(bench) == before


def test_no_bytes_are_neither_written_nor_equal(bench: Path) -> None:
    with spiflash.open(f"sim:{bench / 'board'}") as chip:
        with pytest.raises(ImageError, match="is empty"):
            chip.write(b"", confirm=lambda plan: True, shelf=bench / "shelf")
        with pytest.raises(ImageError, match="is empty"):
            chip.verify(b"")


@pytest.mark.parametrize("label", ["x" * 5000, "\ud800", "a\nb"])
def test_a_label_that_no_record_can_hold(bench: Path, label: str) -> None:
    """Before the long reading: a set with such a record could not be opened again."""
    before = sorted((bench / "shelf").iterdir())
    with (
        spiflash.open(f"sim:{bench / 'board'}") as chip,
        pytest.raises(ValueError, match="a label is one line"),
    ):
        chip.backup(shelf=bench / "shelf", board=label)
    assert sorted((bench / "shelf").iterdir()) == before


def test_what_is_written_is_verified_and_comes_back(bench: Path) -> None:
    factory = held(bench)
    with spiflash.open(f"sim:{bench / 'board'}", watcher=Unwatched()) as chip:
        shelf = bench / "shelf"
        assert chip.plan(b"\x55" * SECTOR, at=BLANK, shelf=shelf).erases == 0
        done = chip.write(b"\x55" * SECTOR, at=BLANK, confirm=lambda plan: True)
        assert done.proof is not None
        assert not chip.verify(factory).equal
        chip.erase(BLANK, SECTOR, confirm=lambda plan: plan.erases == 1)
        assert chip.verify(factory).equal
    assert held(bench) == factory


def test_a_low_voltage_chip_warns(tmp_path: Path) -> None:
    store.create(tmp_path / "low", "W25Q64DW", b"\xff" * (8 << 20), seed=7)
    with (
        pytest.warns(spiflash.SupplyWarning, match="1.95 V"),
        spiflash.open(f"sim:{tmp_path / 'low'}"),
    ):
        pass
    with warnings.catch_warnings():
        warnings.simplefilter("error", spiflash.SupplyWarning)
        with pytest.raises(spiflash.SupplyWarning), spiflash.open(f"sim:{tmp_path / 'low'}"):
            pass


def test_an_audit_of_bytes_and_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "dump.bin").write_bytes(heron_factory())
    by_name = spiflash.audit(tmp_path / "dump.bin", chip_sizes=[4 << 20])
    assert by_name.coverage == spiflash.audit(heron_factory()).coverage
    assert [each.fits for each in by_name.fits] == [False]
