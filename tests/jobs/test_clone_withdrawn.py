"""A board that failed in mid-write gave its values back: what was begun must not be finished with
them, whichever command meets its journal."""

from __future__ import annotations

from pathlib import Path

import pytest
from clone_board_rig import Rig
from clone_rig import FACTORY, Board
from job_rig import WATCHER
from job_rig import Rig as Bench

from hwmocks.boards.heron import heron_open, heron_variant, mac_address
from spiflash.archive.journal import open_journals
from spiflash.archive.ledger import InHand
from spiflash.archive.ledger_journal import withdrawn
from spiflash.archive.shelf import Shelf
from spiflash.errors import ShelfError
from spiflash.work.image import Image
from spiflash.work.restore import preview, restore

OPEN = Image("open.bin", heron_open())
OTHER = InHand("other", "heron-open", "b", "ef4017", "00", 8 << 20, "/s", "00" * 32, {})


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def test_what_was_begun_is_not_finished_with_another_boards_value(rig: Rig) -> None:
    (failed,) = rig.run(Board(4, "W25Q64JV", "unplugged")).records
    given = rig.ledger.draw(OTHER, rig.job.draws)
    assert given == failed.values
    shelf, chip = Shelf(rig.folder / "shelf"), rig.chips[4]
    (journal,) = open_journals(shelf.journals).whole
    # Outside the project's logic: the journal does hold what is the other board's now.
    assert given["ethaddr"].encode() in journal.after()
    half = bytes(chip.contents)
    for image in (None, OPEN):
        with (
            Bench(chip).connect() as connection,
            pytest.raises(ShelfError, match="another board may have them"),
        ):
            restore(connection, shelf, image, WATCHER, agree=lambda work: True)
    with Bench(chip).connect() as connection, pytest.raises(ShelfError, match="heron-open"):
        preview(connection, shelf, None, WATCHER)
    assert chip.contents == half
    with Bench(chip).connect() as connection:
        restore(connection, shelf, None, WATCHER, agree=lambda work: True, undo=True)
    assert chip.contents == heron_variant(4)
    assert open_journals(shelf.journals).whole == ()


def test_a_board_without_id_is_known_again_and_gets_values_of_its_own(rig: Rig) -> None:
    (failed,) = rig.run(Board(4, "MX25L6406E", "unplugged")).records
    assert failed.unique_id == ""
    given = rig.ledger.draw(OTHER, rig.job.draws)
    assert given["ethaddr"] == mac_address(0)
    told: list[str] = []
    (done,) = rig.run(Board(4, "MX25L6406E"), tell=told.append).records
    assert (done.good, done.resumed, done.key) == (True, True, failed.key)
    assert "undoing what was cut" in told
    assert rig.own(4) == mac_address(1)
    assert rig.chips[4].contents[slice(*FACTORY)] == heron_variant(4)[slice(*FACTORY)]
    assert open_journals(rig.folder / "shelf" / "journals").whole == ()


def test_the_note_is_on_the_disk_before_the_ledger_gives_the_values_away(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cut between the two leaves the values with the board, never the journal without note."""

    def cut(*args: object) -> None:
        (journal,) = open_journals(rig.folder / "shelf" / "journals").whole
        assert withdrawn(journal) == "heron-open"
        raise ShelfError("cut here")

    monkeypatch.setattr(rig.ledger, "append", cut)
    done = rig.run(Board(4, "W25Q64JV", "unplugged"))
    assert [error.cause for error in done.errors] == ["cut here"]
    (waiting,) = rig.ledger.all_in_hand()
    assert waiting.values["ethaddr"] == mac_address(0)
