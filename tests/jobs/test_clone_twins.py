"""Boards that look like one that is in hand, or that somebody else's work was cut on."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from hwmocks.boards.heron import heron_variant, mac_address
from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.archive.ledger import After, InHand
from spiflash.archive.ledger.claims import Claim
from spiflash.archive.shelf import Shelf
from tests.archive_samples import chip_of, record_of
from tests.clone_rig import LONG
from tests.clone_rig.heron import Board, Rig
from tests.clone_rig.rows import finished_row


def in_hand(rig: Rig) -> InHand:
    """A board that holds what board 3 does, backed up and begun."""
    contents = heron_variant(3)
    chip = chip_of(8 << 20, name="MX25L6406E", jedec_id="c22017", unique_id=None)
    record = record_of(contents, chip=chip)
    kept = Shelf(rig.folder / "shelf").place(record, contents, None, "<html></html>")
    return InHand(
        *("theirs", "heron-open", "b", "c22017", "", 8 << 20, str(kept.path), record.sha256, {})
    )


@LONG
def test_a_twin_of_a_board_that_another_program_works_on_gets_values_of_its_own(rig: Rig) -> None:
    """Two chips without unique ID that hold the same: one on another adapter, one on ours."""
    theirs = in_hand(rig)
    assert rig.ledger.draw(theirs, rig.job.columns)["ethaddr"] == mac_address(0x80)
    claim = rig.ledger.claim("theirs", "far")
    assert isinstance(claim, Claim)
    (twin,) = rig.run(Board(3, "MX25L6406E"), job=replace(rig.job, keep=())).records
    claim.release()
    assert (twin.good, twin.resumed) == (True, False)
    assert rig.own(3) == twin.values["ethaddr"] == mac_address(0x81)


def test_a_board_on_which_a_restore_was_cut_is_not_taken_for_whole(rig: Rig) -> None:
    board = Board(3, "W25Q64JV")
    chip = board.new()
    state = JournalState(
        *("W25Q64JV", "ef4017", chip.unique_id.hex(), 8 << 20, (Range(0, 4),), "i", "11" * 32),
        datetime(2026, 5, 1, tzinfo=UTC),
    )
    Journal.begin(rig.folder / "shelf" / "journals", state, bytes(8 << 20), b"new.")
    (left,) = rig.run(board).records
    assert (left.kind, left.touched, left.backup) == ("own", False, "")
    assert "restore --resume" in left.reason
    assert rig.chips[3].contents == heron_variant(3)


@LONG
def test_a_twin_that_was_finished_meanwhile_is_not_taken_for_this_board(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The ledger is read, the twin is finished and let go of, and only then is it compared."""
    theirs = in_hand(rig)
    values = rig.ledger.draw(theirs, rig.job.columns)
    asked: list[tuple[InHand, ...]] = []
    like = rig.ledger.in_hand_like

    def late(jedec_id: str, unique_id: str, size: int) -> tuple[InHand, ...]:
        asked.append(like(jedec_id, unique_id, size))
        if len(asked) == 1:
            rig.ledger.append(finished_row(key="theirs", values=values), After.KEEP)
        return asked[-1]

    monkeypatch.setattr(rig.ledger, "in_hand_like", late)
    (mine,) = rig.run(Board(3, "MX25L6406E"), job=replace(rig.job, keep=())).records
    assert [[each.key for each in found] for found in asked] == [["theirs"], []]
    assert (mine.good, mine.resumed) == (True, False)
    assert rig.own(3) == mac_address(0x81)
