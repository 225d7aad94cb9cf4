"""Telling boards without unique ID from each other, also those that another bench began."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from archive_samples import SECTOR, chip_of, contents_of, evidence_of, record_of

from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.archive.ledger import InHand
from spiflash.archive.shelf import Shelf
from spiflash.work.clone.failing import BoardError
from spiflash.work.clone.recognise import Looked, unseen_remark, with_id, without_id
from spiflash.work.reading import Reading

SIZE = 4 * SECTOR
ID = "c22017"


def reading(contents: bytes, unstable: tuple[int, ...] = ()) -> Reading:
    return Reading(contents, (), (), unstable, evidence_of(SIZE))


def begun(shelf: Shelf, seed: int, bench: str = "a", unique_id: str = "") -> InHand:
    """A board that was backed up, and is in hand."""
    contents = contents_of(seed=seed)
    chip = chip_of(SIZE, jedec_id=ID, unique_id=unique_id or None)
    record = record_of(contents, chip=chip, board=f"board {seed}")
    placed = shelf.place(record, contents, None, "<html></html>")
    return InHand(
        *(f"key-{seed}", "j", bench, ID, unique_id, SIZE, str(placed.path), record.sha256, {})
    )


def cut(shelf: Shelf, seed: int, where: Range) -> Journal:
    """The journal of work that was cut on the board with these contents."""
    old = contents_of(seed=seed)[where.start : where.start + where.length]
    state = JournalState(
        *("MX25L6406E", ID, None, SIZE, (where,), "i", "11" * 32), datetime(2026, 5, 1, tzinfo=UTC)
    )
    return Journal.begin(shelf.journals, state, old, bytes(where.length))


def look(shelf: Shelf, boards: list[InHand], contents: bytes, bench: str = "a") -> Looked:
    return without_id(boards, reading(contents), shelf, bench, lambda board, own: [own[::-1]])


def key(looked: Looked) -> str | None:
    return looked.known.board.key if looked.known else None


def test_a_board_is_known_by_what_the_work_had_not_touched(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    boards = [begun(shelf, seed) for seed in (1, 2)]
    journal = cut(shelf, 2, Range(SECTOR, SECTOR))
    half = bytearray(contents_of(seed=2))
    half[SECTOR + 7 : SECTOR + 90] = bytes(83)
    found = look(shelf, boards, bytes(half))
    assert found.known is not None
    assert (key(found), found.known.journal) == ("key-2", journal)
    assert found.known.own == contents_of(seed=2)
    half[3 * SECTOR] ^= 1  # outside the journal: some other board
    assert key(look(shelf, boards, bytes(half))) is None
    # Board 1 has no journal: it is known by its backup, or by what it was to get.
    for contents in (contents_of(seed=1), contents_of(seed=1)[::-1]):
        assert key(look(shelf, boards, contents)) == "key-1"


def test_another_bench_knows_a_board_on_the_same_shelf_or_one_moved(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    board = begun(shelf, 1, bench="a")
    assert key(look(shelf, [board], contents_of(seed=1), bench="b")) == "key-1"
    moved = Shelf(tmp_path / "mount" / "elsewhere")
    shutil.move(shelf.root, moved.root)
    found = look(moved, [board], contents_of(seed=1), bench="b")
    assert found.known is not None
    assert found.known.shelf.root == moved.root


def test_a_backup_out_of_reach_is_told_and_stops_its_own_bench(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    far, near = begun(shelf, 1, bench="far"), begun(shelf, 2, bench="near")
    shutil.rmtree(far.backup)
    found = look(shelf, [far, near], contents_of(seed=2), bench="near")
    assert (key(found), found.unseen) == ("key-2", (far,))
    fresh = look(shelf, [far, near], contents_of(seed=3), bench="near")
    assert key(fresh) is None
    assert "could not be compared with 1 begun at far" in unseen_remark(fresh.unseen)
    with pytest.raises(BoardError, match="perhaps this very one, was begun at bench far"):
        look(shelf, [far, near], contents_of(seed=3), bench="far")


def test_a_changed_backup_is_no_backup(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    board = begun(shelf, 1, unique_id="0102")
    assert with_id(board, shelf).own == contents_of(seed=1)
    (Path(board.backup) / "data" / "flash.bin").write_bytes(contents_of(seed=2))
    with pytest.raises(BoardError, match="This board was begun at bench a, and its backup set"):
        with_id(board, shelf)
