"""`spiflash shelf`, and the labels of boards in the place of sets."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from spiflash.archive.backupset import BackupSet
from spiflash.archive.journal import WITHDRAWN, Journal, JournalState, Range
from spiflash.archive.shelf import Shelf
from spiflash.cli.main import run
from tests.archive_samples import MADE, chip_of, contents_of, record_of

CONTENTS = contents_of(2)
STATE = JournalState(
    *("W25Q64JV", "ef4017", "d2647c8f1b2a3c45", len(CONTENTS), (Range(0, 4096),)),
    *("heron-open.bin", "ab" * 32, MADE),
)
Place = Callable[..., BackupSet]


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    monkeypatch.setenv("SPIFLASH_SHELF", str(tmp_path / "shelf"))
    monkeypatch.chdir(tmp_path)
    return Shelf(tmp_path / "shelf")


@pytest.fixture
def place(shelf: Shelf) -> Place:
    def placed(
        board: str, day: int, unique: str | None = "aa01", verified: bool = True
    ) -> BackupSet:
        record = record_of(
            CONTENTS,
            board=board,
            made=MADE + timedelta(days=day),
            verified=verified,
            doubts=() if verified else ("A clip that slips.",),
            chip=chip_of(len(CONTENTS), unique_id=unique),
        )
        return shelf.place(record, CONTENTS, None, "")

    return placed


def test_a_label_of_several_boards_is_not_offered_for_a_set(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    """As of a batch, whose sets bear the name of its job."""
    for day, unique in enumerate(("aa01", "bb02", None, None)):
        place("batch", day, unique)
    assert run(["shelf"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "2 chips by unique ID, 2 sets of chips without one, 1 label." in said
    assert "spiflash audit SET" in said
    assert "LABEL" not in said


def test_sets_are_listed_by_board_and_found_by_words(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    first = place("Pegel Brücke Süd", 1, "aa01")
    place("Heron gauge 07", 0, "bb02")
    place("Heron gauge 07", 2, "bb02", verified=False)
    place("", 3, "cc03")
    assert run(["shelf"]) == 0
    said = capsys.readouterr().out
    headings = [line for line in said.splitlines() if line in ("No label", "Heron gauge 07")]
    assert headings == ["Heron gauge 07", "No label"]
    assert said.startswith("4 backup sets in")
    assert "3 chips by unique ID, 2 labels." in " ".join(said.split("\n\n")[0].split())
    assert "spiflash audit LABEL" in said
    assert said.count("NOT VERIFIED") == 1
    assert "NOT CHECKED" in said
    for words, count in (
        (["BRÜCKE"], 1),
        (["heron", "w25q64"], 2),
        (["bb02"], 2),
        (["8KiB"], 4),
        (["2026-05-06"], 1),
        (["--not-verified"], 1),
        (["--verified", "heron"], 1),
        (["--since", "2026-05-06"], 2),
        (["nothing"], 0),
    ):
        assert run(["shelf", "--json", *words]) == 0
        found = json.loads(capsys.readouterr().out)
        assert len(found["sets"]) == count, words
    assert run(["shelf", "--json", "brücke"]) == 0
    (only,) = json.loads(capsys.readouterr().out)["sets"]
    assert (only["path"], only["board"]) == (str(first.path), "Pegel Brücke Süd")
    assert (only["unique_id"], only["size"], only["verified"]) == ("aa01", 8192, True)


@pytest.mark.parametrize("grouping", ["board", "date", "chip", "verdict", "size"])
def test_every_grouping_shows_every_set_once(
    place: Place, capsys: pytest.CaptureFixture[str], grouping: str
) -> None:
    placed = [place(board, day) for day, board in enumerate(("a", "b", "", "a"))]
    assert run(["shelf", "--by", grouping]) == 0
    lines = capsys.readouterr().out.splitlines()
    for each in placed:
        assert lines.count(f"    {each.name}") == 1


def test_interrupted_work_comes_first_with_its_next_step(
    shelf: Shelf, place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    place("Heron gauge 07", 0)
    Journal.begin(shelf.journals, STATE, CONTENTS, CONTENTS[:4096])
    other = Journal.begin(shelf.journals, replace(STATE, unique_id=None), CONTENTS, CONTENTS[:4096])
    (other.path / WITHDRAWN).write_text("heron-open")
    assert run(["shelf", "--shelf", str(shelf.root)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("INTERRUPTED WORK: 2 chips")
    resume, undo = (f"spiflash restore {word} --shelf" for word in ("--resume", "--undo"))
    assert (said.count(resume), said.count(undo)) == (1, 2)
    assert said.index(undo) < said.index("Heron gauge 07")
    assert run(["shelf", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["interrupted"]
    assert [(each["unique_id"], each["can_be_resumed"]) for each in found] == [
        ("d2647c8f1b2a3c45", True),
        (None, False),
    ]
    with other.held():
        assert run(["shelf"]) == 0
        assert "Another program is working on it now." in capsys.readouterr().out


def test_what_cannot_be_used_is_named_and_counts(
    shelf: Shelf, place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    changed = place("a", 0)
    (changed.path / "data" / "flash.bin").write_bytes(CONTENTS[::-1])
    assert run(["shelf"]) == 0
    assert "CANNOT BE USED" not in capsys.readouterr().out
    assert run(["shelf", "--check"]) == 1
    assert "flash.bin was changed" in " ".join(capsys.readouterr().out.split())
    journal = Journal.begin(shelf.journals, STATE, CONTENTS, CONTENTS[:4096])
    (journal.path / "state.json").write_text("{}")
    assert run(["shelf", "--json"]) == 1
    (found,) = json.loads(capsys.readouterr().out)["damaged_journals"]
    assert found["journal"] == str(journal.path)


def test_an_empty_shelf_is_no_error(capsys: pytest.CaptureFixture[str], shelf: Shelf) -> None:
    assert run(["shelf"]) == 0
    assert "spiflash backup --board" in capsys.readouterr().out


def test_a_label_stands_for_the_newest_verified_set_of_its_board(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    place("Pegel Brücke", 0)
    taken = place("Pegel Brücke", 1)
    place("Pegel Brücke", 2, verified=False)
    place("Pegel Brücke 2", 3, "aa02")
    # Composed or not, in any case, with any spaces.
    for label in ("Pegel Brücke", "pegel  BRU\u0308CKE "):
        assert run(["audit", label, "--json"]) == 0
        said = capsys.readouterr()
        assert json.loads(said.out)["size"] == taken.record.size
        assert str(taken.path) in said.err
    assert run(["compare", "pegel brücke", "Pegel Brücke 2", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["equal"]


def test_a_label_or_the_name_of_a_set_is_looked_for_on_the_shelf_that_is_named(
    place: Place,
    shelf: Shelf,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    taken = place("Heron gauge 07", 0)
    monkeypatch.delenv("SPIFLASH_SHELF")
    (tmp_path / "card").mkdir()
    assert run(["shelf", "--shelf", str(shelf.root)]) == 0
    there = f"LABEL --shelf {shelf.root}"
    said = capsys.readouterr().out
    assert f"audit {there}" in said
    assert f"restore {there}" in said
    for name in ("Heron gauge 07", taken.path.name):
        named = [name, "--shelf", str(shelf.root), "--json"]
        assert run(["audit", *named]) == 0
        assert json.loads(capsys.readouterr().out)["size"] == taken.record.size
        assert run(["compare", name, *named]) == 0
        assert json.loads(capsys.readouterr().out)["equal"]
        # Found; then this set names no files for a card, and the address no board.
        assert run(["stage", "card", "--image", *named]) == 40
        assert "says which files" in json.loads(capsys.readouterr().out)["cause"]
        assert run(["verify", "--adapter", "sim:x?y", *named]) == 2
        assert "sim:x?y" in json.loads(capsys.readouterr().out)["cause"]
    for no_set in ("journals", "..", f"{shelf.root.name}/{taken.path.name}x"):
        assert run(["audit", no_set, "--shelf", str(shelf.root)]) == 40
    capsys.readouterr()
    command = ["restore", "Heron gauge 07", "--shelf", str(shelf.root), "--adapter", "sim:x?y"]
    assert run(command) != 0
    assert str(taken.path) in capsys.readouterr().err


def test_a_file_goes_before_a_label(
    place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place("dump", 0)
    (tmp_path / "dump").write_bytes(b"\xff" * 4096)
    assert run(["audit", "dump", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["size"] == 4096


def test_a_folder_that_is_no_set_does_not_hide_a_label(
    place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A simulated board is a folder, and is often called like its label."""
    taken = place("gauge", 0)
    (tmp_path / "gauge").mkdir()
    assert run(["audit", "gauge", "--json"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["size"] == taken.record.size
    assert str(taken.path) in said.err
    (tmp_path / "empty").mkdir()
    assert run(["audit", "empty"]) == 40
    assert "a folder but not a backup set" in capsys.readouterr().err
    (tmp_path / "gauge" / "manifest-sha256.txt").touch()
    assert run(["audit", "gauge"]) == 42, "a damaged set that was named is not passed over"


def test_a_label_of_several_chips_is_refused_with_their_sets(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    sets = [place("Heron", 0, "aa01"), place("Heron", 1, "aa02")]
    assert run(["audit", "Heron"]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "sets of 2 chips" in said
    for each in sets:
        assert each.name in said


def test_one_label_on_several_chips_is_shown_with_their_ids(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    for day, (label, unique) in enumerate((("a", "aa01"), ("b", "aa02"), ("b", "aa03"))):
        place(label, day, unique)
    assert run(["shelf"]) == 0
    said = capsys.readouterr().out
    assert [each in said for each in ("AA01", "AA02", "AA03")] == [False, True, True]


def test_a_set_without_a_unique_id_may_be_of_the_chip_with_one(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    place("Heron", 0, None)
    taken = place("Heron", 1, "aa02")
    assert run(["audit", "Heron"]) == 0
    assert str(taken.path) in capsys.readouterr().err


def test_a_label_without_a_verified_set_is_refused(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    place("Heron", 0, verified=False)
    assert run(["audit", "Heron"]) == 41
    assert "No backup of “Heron” is verified" in capsys.readouterr().err
