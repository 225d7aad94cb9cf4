"""Telling boards from each other that answer alike, also those that another bench began."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.archive.ledger import InHand
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.jobs.clone import BoardError
from spiflash.jobs.clone.recognise import Likeness, Recognition, recognise, unseen_remark
from spiflash.jobs.reading import Reading
from tests.archive_samples import SECTOR, chip_of, contents_of, evidence_of, record_of
from tests.clone_rig.rows import finished_row

SIZE = 4 * SECTOR
ID = "c22017"
NEW = contents_of(seed=99)
"""What boards whose work was cut were to hold."""


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
    old = contents_of(seed=seed)
    state = JournalState(
        *("MX25L6406E", ID, None, SIZE, (where,), "i", "11" * 32), datetime(2026, 5, 1, tzinfo=UTC)
    )
    return Journal.begin(shelf.journals, state, old, NEW[: where.length])


def found(
    shelf: Shelf,
    boards: list[InHand],
    contents: bytes,
    bench: str = "a",
    finished: tuple[BoardRecord, ...] = (),
) -> Recognition:
    return recognise(
        boards,
        finished,
        reading(contents),
        shelf,
        bench,
        lambda board, own: [own[::-1]],
        lambda key: None,
        lambda key: (),
    )


def keys(looked: Recognition) -> list[tuple[str, Likeness]]:
    return [(each.board.key, each.looks) for each in looked.candidates]


def test_a_board_is_known_by_what_the_work_had_not_touched(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    boards = [begun(shelf, seed) for seed in (1, 2)]
    journal = cut(shelf, 2, Range(SECTOR, SECTOR))
    half = bytearray(contents_of(seed=2))
    half[SECTOR : 2 * SECTOR] = NEW[:256] + b"\xff" * (SECTOR - 256)
    looked = found(shelf, boards, bytes(half))
    assert keys(looked) == [("key-2", Likeness.BEGUN)]
    assert looked.candidates[0].journal == journal
    assert looked.candidates[0].own == contents_of(seed=2)
    half[3 * SECTOR] ^= 1  # outside the journal: some other board
    assert keys(found(shelf, boards, bytes(half))) == []
    # Board 1 has no journal: it is known by its backup, or by what it was to get.
    assert keys(found(shelf, boards, contents_of(seed=1))) == [("key-1", Likeness.FRESH)]
    assert keys(found(shelf, boards, contents_of(seed=1)[::-1])) == [("key-1", Likeness.DONE)]


@pytest.mark.parametrize(
    ("change", "looks"),
    [
        # An erase that was cut has set bits all over its sector.
        (lambda old: bytes(byte | 0x5A for byte in old), Likeness.BEGUN),
        # A program that was cut: some bits of one page are cleared, the rest is still erased.
        (lambda old: bytes(b | 0x5A for b in NEW[:256]).ljust(SECTOR, b"\xff"), Likeness.BEGUN),
        # Another address in its last byte, another serial number: a board of its own.
        (lambda old: old[:80] + bytes([old[80] ^ 3]) + old[81:], None),
        (lambda old: bytes([old[0] | 3]) + old[1:-1] + bytes([old[-1] | 5]), None),
        (lambda old: old[::-1], None),
    ],
)
def test_what_work_leaves_behind_is_told_from_another_boards_own(
    tmp_path: Path, change: object, looks: Likeness | None
) -> None:
    shelf = Shelf(tmp_path / "shelf")
    board = begun(shelf, 2)
    cut(shelf, 2, Range(SECTOR, SECTOR))
    whole = bytearray(contents_of(seed=2))
    assert callable(change)
    whole[SECTOR : 2 * SECTOR] = change(bytes(whole[SECTOR : 2 * SECTOR]))
    if bytes(whole) == contents_of(seed=2):
        whole[SECTOR] ^= 1
    expected = [] if looks is None else [("key-2", looks)]
    # Where nothing else has moved, a page that changed a little is no cut work.
    looked = keys(found(shelf, [board], bytes(whole)))
    assert [each for each in looked if each[1] is not Likeness.NEARLY] == expected


def test_a_finished_board_is_known_by_contents_values_and_last_by_its_id(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    contents = bytearray(contents_of(seed=5))
    contents[100:117] = b"00-00-5E-00-53-81"
    row = finished_row(key="ef4017-01", values={"mac": "00:00:5e:00:53:81"})
    assert found(shelf, [], bytes(contents), finished=(row,)).finished == row
    # Another chip with this unique ID, without the value.
    assert found(shelf, [], contents_of(seed=5), finished=(row,)).finished is None
    plain = finished_row(key="ef4017-01", values={})
    assert found(shelf, [], contents_of(seed=5), finished=(plain,)).finished == plain


def test_another_bench_knows_a_board_on_the_same_shelf_or_one_moved(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    board = begun(shelf, 1, bench="a")
    assert keys(found(shelf, [board], contents_of(seed=1), "b")) == [("key-1", Likeness.FRESH)]
    moved = Shelf(tmp_path / "mount" / "elsewhere")
    shutil.move(shelf.root, moved.root)
    looked = found(moved, [board], contents_of(seed=1), "b")
    assert looked.candidates[0].shelf.root == moved.root


def test_a_backup_out_of_reach_is_told_and_stops_its_own_bench(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    far, near = begun(shelf, 1, bench="far"), begun(shelf, 2, bench="near")
    shutil.rmtree(far.backup)
    looked = found(shelf, [far, near], contents_of(seed=2), "near")
    assert (keys(looked), looked.unseen) == ([("key-2", Likeness.FRESH)], (far,))
    fresh = found(shelf, [far, near], contents_of(seed=3), "near")
    assert keys(fresh) == []
    assert "could not be compared with 1 started at far" in unseen_remark(fresh.unseen)
    with pytest.raises(BoardError, match="perhaps this very one, was started at bench far"):
        found(shelf, [far, near], contents_of(seed=3), "far")


def test_a_changed_backup_is_no_backup(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "shelf")
    board = begun(shelf, 1, unique_id="0102")
    assert keys(found(shelf, [board], contents_of(seed=1))) == [("key-1", Likeness.FRESH)]
    (Path(board.backup) / "data" / "flash.bin").write_bytes(contents_of(seed=2))
    with pytest.raises(BoardError, match="This board was started at bench a, and its backup set"):
        found(shelf, [board], contents_of(seed=1))
