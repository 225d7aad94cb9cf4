"""A board that comes again under a job that was changed, or under another one."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from unittest import mock

import pytest

from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import BoardRecord, check_ledger
from tests.clone_rig.world import JOBS, Board, Event, KilledError, World, values_in

CUT = Event("kill", 60, written=True)


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World.new(tmp_path, str(tmp_path / "ledger.sqlite"), [("own", False)] * 2)


def changed(world: World, monkeypatch: pytest.MonkeyPatch, job: str, *changes: str) -> str:
    """A job file like `job`, with the first of each two `changes` replaced by the second."""
    text = (world.folder / f"{job}.toml").read_text()
    for old, new in zip(changes[::2], changes[1::2], strict=True):
        assert text.count(old) == 1
        text = text.replace(old, new)
    (world.folder / "changed.toml").write_text(text)
    monkeypatch.setitem(JOBS, "changed", JOBS[job])
    return "changed"


def killed_at(step: str, world: World, board: Board, job: str) -> None:
    """Work on a board; the bench dies where it is about to take that step in the ledger."""

    def dies(*arguments: object, **more: object) -> None:
        world.dead = True
        raise KilledError

    with mock.patch.object(Ledger, step, dies):
        world.work(board, job, Event("kill", 1 << 30))


def problems(world: World) -> tuple[str, ...]:
    with Ledger(world.where, read_only=True) as ledger:
        return check_ledger(ledger.store).problems


def good(world: World, board: Board, job: str, **more: bool) -> BoardRecord:
    outcome = world.work(board, job, **more)
    assert isinstance(outcome, BoardRecord), outcome
    assert outcome.good, outcome.reason
    return outcome


def test_new_values_of_a_board_that_was_written_to_before_stay_with_it_too(world: World) -> None:
    """It is cut under one job, gets other values under the next, and is cut before its row: what
    stands on it is given to nobody, whatever comes of it under a third."""
    one, two = world.boards
    world.work(one, "first", CUT)
    killed_at("append", world, one, "corrected")
    carried = values_in(one.cells)
    assert carried == {"00:00:5e:00:53:84", "HG-0005"}
    stored = dict(world.query("select text, state from identities"))
    assert {stored[each.lower()] for each in carried} == {"written"}
    killed_at("writing", world, one, "other names")
    assert carried == values_in(one.cells)
    second = good(world, two, "corrected")
    assert carried.isdisjoint(second.values.values())
    assert problems(world) == ()


@pytest.mark.parametrize(
    "changes",
    [
        # Too long for its place now; bytes now, where it was text.
        ('pattern = "HG-####"', 'pattern = "###"', "last = 32", "last = 99", "length = 16",
         "length = 3"),
        ('pattern = "HG-####"', 'kind = "hex"\npattern = "####"'),
    ],
)  # fmt: skip
def test_a_finished_board_gets_another_value_where_its_own_cannot_be_written(
    world: World, monkeypatch: pytest.MonkeyPatch, changes: tuple[str, ...]
) -> None:
    board = world.boards[0]
    first = good(world, board, "first")
    job = changed(world, monkeypatch, "first", *changes)
    monkeypatch.setattr("tests.clone_rig.world.expected", lambda own, job, values: board.cells)
    again = good(world, board, job, again=True)
    assert again.key == first.key
    assert again.values["serial"] in ("001", "0001")
    assert board.cells[0xA000:0xA003] in (b"001", b"\x00\x01\x00")
    assert len(board.cells) == len(board.first)
    assert problems(world) == ()


def test_a_board_that_lacks_only_its_row_is_known_under_a_changed_job(world: World) -> None:
    """It was finished and proven; the bench died before the row. Its job's values have other names
    by then, so nothing says any more what it was to hold: but its own values stand on it."""
    board = world.boards[0]
    killed_at("append", world, board, "first")
    assert world.query("select key from boards_in_hand")
    assert values_in(board.cells) == {"00:00:5e:00:53:80", "HG-0001"}
    row = good(world, board, "other names")
    assert row.resumed
    assert not world.query("select key from boards_in_hand")
    assert row.before_sha256 == hashlib.sha256(board.first).hexdigest()
    assert problems(world) == ()


def test_a_board_that_fails_under_another_job_before_it_is_written_to_is_no_changed_ledger(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was written to under the first job, so it stays in hand, with the values it drew last."""
    board = world.boards[0]
    world.work(board, "first", CUT)
    job = changed(world, monkeypatch, "other names", "start = 32768", "start = 0x1f000")
    outcome = world.work(board, job)
    assert isinstance(outcome, BoardRecord)
    assert (outcome.kind, outcome.good) == ("own", False)
    assert problems(world) == ()
    # The first job's values stand on it, other ones are drawn for it: it is known all the same.
    row = good(world, board, "first")
    assert (row.resumed, row.before_sha256) == (True, hashlib.sha256(board.first).hexdigest())
    assert problems(world) == ()


def test_a_board_that_came_with_a_given_value_is_not_taken_for_the_other(tmp_path: Path) -> None:
    """Two chips of one ID; the job keeps nothing that could tell them apart. The second came with
    the address that the first was given: nobody guesses, and nothing of it is written over."""
    world = World.new(tmp_path, str(tmp_path / "ledger.sqlite"), [("shared", False)] * 2)
    one, two = world.boards
    killed_at("append", world, one, "keeps nothing")
    address = bytes.fromhex("00005e005380")
    two.first = two.first.replace(bytes.fromhex("00005e005311"), address)
    assert address in two.first
    two.chip.contents[:] = two.first
    outcome = world.work(two, "keeps nothing")
    assert isinstance(outcome, BoardRecord)
    assert (outcome.kind, outcome.touched) == ("own", False)
    assert two.cells == two.first
    assert "finish that board first" in outcome.reason
    first = good(world, one, "keeps nothing", person=True)
    assert good(world, two, "keeps nothing", person=True).key != first.key


def test_what_one_job_gave_and_the_next_keeps_goes_back_with_the_board(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is a given value all the same: a board that is scrapped gives it back, and no row says
    that the board came with it."""
    board = world.boards[0]
    key = good(world, board, "first").key
    job = changed(
        world, monkeypatch, "other names", 'variable = "ethaddr"', 'variable = "wifiaddr"',
        'start = 0x4000\nlength = "4K"', 'start = 0x4000\nlength = "4K"\nkeep = ["ethaddr"]',
    )  # fmt: skip
    # The judge knows neither this job's contents nor values that are on a board beside its row's.
    monkeypatch.setattr("tests.clone_rig.world.expected", lambda *_: board.cells)
    monkeypatch.setattr(World, "_values", lambda _: None)
    row = good(world, board, job, again=True)
    assert not any("53:80" in each for each in row.kept)
    assert problems(world) == ()
    with Ledger(world.where) as ledger:
        assert "00:00:5e:00:53:80" in ledger.drawn(key)
        ledger.scrap(key, "a", datetime(2026, 5, 1, tzinfo=UTC))
        assert ledger.next_values(world.job("first").columns)["ethaddr"] == "00:00:5e:00:53:80"
    assert problems(world) == ()
