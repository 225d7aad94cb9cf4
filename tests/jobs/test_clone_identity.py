"""No identity on two boards: IDs that repeat, boards that are swapped, a server that restarts.

Stories that were told of this bench, each with the judge of `clone_rig.world`."""

from __future__ import annotations

from pathlib import Path

import pytest

from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.errors import LedgerError
from spiflash.jobs.clone.board import other_ledger, refuse_older
from spiflash.jobs.clone.context import SkippedError
from tests.clone_rig import LONG
from tests.clone_rig.world import Event, ViolationError, World, settle

CUT = Event("kill", 40, written=True)


def world_of(folder: Path, *kinds: str) -> World:
    """A world; "shared same" is a board with a shared ID that holds what the first one does."""
    boards = [(kind.split()[0], "same" in kind) for kind in kinds]
    return World.new(folder, str(folder / "ledger.sqlite"), boards)


def good(outcome: object) -> BoardRecord:
    assert isinstance(outcome, BoardRecord), outcome
    assert outcome.good, outcome.reason
    return outcome


def failed(outcome: object) -> BoardRecord:
    assert isinstance(outcome, BoardRecord), outcome
    assert not outcome.good
    return outcome


@pytest.mark.parametrize("cut", [CUT, pytest.param(Event("power", 3, written=True), marks=LONG)])
def test_a_second_board_with_the_same_id_is_a_board_of_its_own(tmp_path: Path, cut: Event) -> None:
    """The first is interrupted; the second gets a backup, values and a row of its own."""
    world = world_of(tmp_path, "shared", "shared")
    one, two = world.boards
    world.work(one, event=cut)
    second = good(world.work(two))
    assert not second.resumed
    first = good(world.work(one))
    assert first.key != second.key
    assert set(first.values.values()).isdisjoint(second.values.values())
    # Each is known again, not the one for the other.
    for board, row in ((one, first), (two, second)):
        outcome = world.work(board)
        assert isinstance(outcome, SkippedError)
        assert outcome.record.key == row.key


def test_an_older_copy_of_the_ledger_gives_no_value_a_second_time(tmp_path: Path) -> None:
    world, path = world_of(tmp_path, "own", "none", "own"), tmp_path / "ledger.sqlite"
    good(world.work(world.boards[0]))
    older = path.read_bytes()
    good(world.work(world.boards[1]))
    newest = path.read_bytes()
    path.write_bytes(older)
    shelf, job = Shelf(tmp_path / "shelf"), world.job("first")
    with Ledger(path) as ledger, pytest.raises(LedgerError, match="is older than the work on this"):
        refuse_older(ledger, shelf)
    # The judge finds the same: a value of the second board is to be had.
    with pytest.raises(ViolationError, match="row 2, which was written to it from here, is miss"):
        world.work(world.boards[2])
    assert not world.boards[2].written
    path.write_bytes(newest)
    good(world.work(world.boards[2]))
    # It is that ledger wherever it is kept; of another one, what is known is said.
    moved = path.rename(tmp_path / "moved.sqlite")
    with Ledger(moved) as ledger, Ledger(tmp_path / "new.sqlite") as new:
        refuse_older(ledger, shelf)
        refuse_older(new, shelf)
        assert other_ledger(job, ledger, shelf) is None
        assert other_ledger(world.job("corrected"), new, shelf) is None
        other = other_ledger(job, new, shelf)
        assert other is not None
        assert (other.row, other.name) == (3, str(path))


def test_a_finished_board_is_not_confused_with_another_of_its_id(tmp_path: Path) -> None:
    world = world_of(tmp_path, "shared", "shared")
    first = good(world.work(world.boards[0]))
    second = good(world.work(world.boards[1]))
    assert second.key != first.key
    assert "has the same ID" in second.remark


@pytest.mark.parametrize("kind", ["shared", "none"])
def test_a_twin_of_a_board_that_was_cut_is_not_guessed(tmp_path: Path, kind: str) -> None:
    """Same ID, same contents: which of two boards was written to nobody can see."""
    world = world_of(tmp_path, kind, f"{kind} same")
    one, two = world.boards
    world.work(one, "keeps nothing", CUT)
    left = failed(world.work(two, "keeps nothing"))
    assert (left.kind, left.touched) == ("own", False)
    assert "A twin would look the same" in left.reason
    # A person who has looked at the stickers says so; the other way round they say no.
    assert good(world.work(one, "keeps nothing")).resumed
    assert not good(world.work(two, "keeps nothing")).resumed


def test_twins_that_are_exchanged_in_mid_write_never_both_get_values(tmp_path: Path) -> None:
    """The clip goes from a board to its twin while the first sector is erased: no contents tell
    which was begun. The row says so, the twin is left alone, and the first gets its values."""
    world = world_of(tmp_path, "none", "none same")
    one, two = world.boards
    world.work(two, event=Event("unplug", 60))  # its backup came first, and holds the same
    left = failed(world.work(one, event=Event("swap", 0, written=True, board=0)))
    assert left.touched
    assert f"This work was on the board {' '.join(left.values.values())}. If" in left.reason
    assert one.cells != one.first
    for person in (False, True):
        other = failed(world.work(two, person=person))
        assert (other.kind, other.touched) == ("own", False)
    assert good(world.work(one, person=True)).values == left.values
    for person in (False, True):
        other = failed(world.work(two, person=person))
        assert (other.kind, other.touched) == ("own", False)
    assert two.cells == two.first


def test_of_two_boards_whose_own_data_is_erased_nobody_guesses_which_it_is(tmp_path: Path) -> None:
    """Both are interrupted after the erase of the block that tells them apart. The backup of the
    one must not be written to the other."""
    world = world_of(tmp_path, "shared", "shared")
    for board in world.boards:
        world.work(board, event=Event("ctrl-c", 1, written=True))
    one, two = world.boards
    assert one.cells == two.cells
    assert one.first != two.first
    for board in world.boards:
        left = failed(world.work(board))
        assert (left.kind, left.touched) == ("own", False)
        assert "HG-0001" in left.reason
        assert "HG-0002" in left.reason
    assert one.cells == two.cells
    rows = [good(world.work(board, person=True)) for board in world.boards]
    assert [row.resumed for row in rows] == [True, True]
    assert rows[0].values != rows[1].values


def test_the_values_of_a_redo_that_is_cut_stay_with_the_board(tmp_path: Path) -> None:
    world = world_of(tmp_path, "own", "own", "none")
    first = good(world.work(world.boards[0]))
    world.work(world.boards[0], "other names", CUT, again=True)
    second = good(world.work(world.boards[1]))
    assert set(first.values.values()).isdisjoint(second.values.values())
    again = good(world.work(world.boards[0], "other names"))
    # The chip was seen without the first ones: they are to be had again.
    third = good(world.work(world.boards[2]))
    assert set(third.values.values()) <= {*first.values.values()} - {*again.values.values()}


def test_an_address_that_a_board_keeps_goes_to_no_other(tmp_path: Path) -> None:
    """Board 2 came with the first address of the job's range, and keeps it."""
    world = world_of(tmp_path, *["own"] * 3)
    kept = world.boards[2].first[0x8004:0x800A].hex(":")
    assert kept == "00:00:5e:00:53:84"
    good(world.work(world.boards[2], "corrected"))
    assert good(world.work(world.boards[0], "corrected")).values["ethaddr"][-2:] == "86"
    # Given away before its board was seen: that one is refused, and told why.
    world = world_of(tmp_path / "late", *["own"] * 3)
    assert good(world.work(world.boards[0], "corrected")).values["ethaddr"] == kept
    left = failed(world.work(world.boards[2], "corrected"))
    assert (left.kind, left.touched) == ("own", False)
    assert f"This board keeps {kept}, and" in left.reason


@pytest.mark.parametrize("kind", [pytest.param("own", marks=LONG), "shared", "none"])
def test_a_board_that_is_exchanged_in_the_middle_is_noticed(
    tmp_path: Path, kind: str, full_sweep: bool
) -> None:
    for away, after in [(i, n) for i in range(3) for n in (0, 6, 20)] if full_sweep else [(0, 6)]:
        world = world_of(tmp_path / f"{away} {after}", kind, kind, kind)
        one, *others = world.boards
        left = failed(world.work(one, event=Event("swap", after, written=True, board=away)))
        assert left.kind in ("swap", "contact", "read"), left.reason
        assert left.touched
        assert [board.cells for board in others] == [board.first for board in others]
        if left.kind == "swap":
            assert "put it on again" in left.reason
            assert left.values["serial"] in left.reason
        assert good(world.work(others[0])).values != left.values
        assert good(world.work(one)).values == left.values


def test_a_failed_board_keeps_what_may_stand_on_it(tmp_path: Path) -> None:
    world = world_of(tmp_path, "own", "own")
    left = failed(world.work(world.boards[0], event=Event("unplug", 40, written=True)))
    second = good(world.work(world.boards[1]))
    assert set(left.values.values()).isdisjoint(second.values.values())
    assert good(world.work(world.boards[0])).values == left.values


@pytest.mark.parametrize("carried_out", [True, False])
def test_a_kill_at_any_transaction_loses_no_value(
    tmp_path: Path, carried_out: bool, full_sweep: bool
) -> None:
    for after in range(16) if full_sweep else (4, 9):
        world = world_of(tmp_path / str(after), "none")
        world.work(world.boards[0], event=Event("kill ledger", after, written=carried_out))
        settle(world)
        assert all(board.good for board in world.boards)


def test_a_ledger_that_is_full_at_the_row_says_put_it_on_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = world_of(tmp_path, "own")

    def full(*arguments: object) -> None:
        raise LedgerError("The ledger cannot be used (database or disk is full).")

    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "append", full)
        outcome = world.work(world.boards[0])
    assert isinstance(outcome, LedgerError)
    assert "put this board on again" in outcome.remedy
    assert "is correct, but has no row yet" in outcome.cause
    again = good(world.work(world.boards[0]))
    assert (again.resumed, again.seconds.get("write")) == (True, None)


def test_a_board_of_another_computer_that_crashed_is_left_until_its_lease_ends(
    tmp_path: Path,
) -> None:
    world = world_of(tmp_path, "own", "none")
    for board in world.boards:
        world.work(board, event=CUT, bench="far", far=True)
        left = failed(world.work(board))
        assert (left.kind, left.touched) == ("other", False)
        assert "being worked on at bench far" in left.reason
    world.later += 121.0
    for board in world.boards:
        assert good(world.work(board)).resumed
