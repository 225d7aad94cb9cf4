"""One board after the other through the runner: the same board again, failures, retries."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from hwmocks.boards.heron import heron_variant, mac_address
from spiflash.archive import adapters
from spiflash.archive.adapters import AdapterRecord
from spiflash.archive.ledger import After, InHand
from spiflash.archive.ledger.claims import Claim
from spiflash.archive.ledger.values import Listed
from spiflash.bus.ftdi import FtdiBus
from spiflash.errors import ShelfError
from spiflash.jobs.clone import board as board_module
from spiflash.jobs.connection import ClockSweep, connected
from spiflash.nor.chip import Chip
from tests.clone_rig import heron
from tests.clone_rig.heron import Board, Rig
from tests.clone_rig.rows import finished_row


def test_a_finished_board_is_recognised_by_its_unique_id(rig: Rig) -> None:
    board = Board(3, "W25Q64JV")
    key = f"ef4017-{board.new().unique_id.hex()}"
    rig.ledger.append(finished_row(key=key, values={}), After.KEEP)
    left = rig.run(board)
    assert (left.records, [each.key for each in left.skipped]) == ((), [key])
    assert [each.key for each in rig.asked] == [key]
    assert rig.chips[3].contents == heron_variant(3)


def test_a_finished_board_without_id_is_recognised_by_its_contents(rig: Rig) -> None:
    board = Board(3, "MX25L6406E")
    values = {"ethaddr": mac_address(9), "serial": "HG-2026-0009"}
    digest = hashlib.sha256(heron_variant(3)).hexdigest()
    key = "c22017-contents-k"
    rig.ledger.append(finished_row(key=key, values=values, after_sha256=digest), After.KEEP)
    left = rig.run(board)
    assert (left.records, [each.key for each in left.skipped]) == ((), [key])
    # Done once more, it keeps the values it has.
    (again,) = rig.run(board, redo=True).records
    assert (again.good, again.key, again.values) == (True, key, values)
    assert rig.own(3) == mac_address(9)
    assert rig.ledger.free(rig.job.columns) == 128


def test_hold_keeps_a_failed_boards_values_for_it(rig: Rig) -> None:
    job = replace(rig.job, failure={"adapter": "hold"})
    (failed,) = rig.run(Board(4, "W25Q64JV", "unplugged"), job=job).records
    assert rig.ledger.free(rig.job.columns) == 127
    (waiting,) = rig.ledger.all_in_hand()
    assert (waiting.key, waiting.values) == (failed.key, failed.values)


def test_again_tries_once_more_and_stop_ends_the_station(rig: Rig) -> None:
    clipped = Board(6, "W25Q64JV", "bad clip")
    told: list[str] = []
    again = replace(rig.job, failure={"contact": "again"})
    rig.run(clipped, job=again, tell=told.append)
    assert sum("trying again" in each for each in told) == 1
    assert [each.result for each in rig.ledger.rows()] == ["FAIL"]  # two tries, one row
    stop = replace(rig.job, failure={"contact": "stop"})
    done = rig.run(clipped, Board(7, "W25Q64JV"), job=stop)
    assert [each.kind for each in done.records] == ["contact"]


def test_a_board_is_left_alone_whose_list_is_used_up(rig: Rig) -> None:
    rules = tuple(
        replace(rule, texts=Listed(rule.kind, (rule.texts[0],))) for rule in rig.job.values
    )
    job = replace(rig.job, values=rules)
    other = InHand("other", "j", "b", "ef4017", "other", 8 << 20, "/s", "00" * 32, {})
    rig.ledger.draw(other, job.columns)
    (left,) = rig.run(Board(2, "W25Q64JV"), job=job).records
    assert (left.kind, left.touched) == ("values", False)
    assert rig.chips[2].contents == heron_variant(2)
    assert [each.key for each in rig.ledger.all_in_hand()] == ["other"]


def test_what_is_wrong_with_the_bench_ends_the_work_not_the_board(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    error = ShelfError("full")

    def broken(*args: object) -> None:
        raise error

    monkeypatch.setattr("spiflash.jobs.clone.board.put_on_shelf", broken)
    done = rig.run(Board(1, "W25Q64JV"), Board(2, "W25Q64JV"))
    assert (done.records, done.errors) == ((), (error,))
    assert rig.ledger.rows() == ()
    assert rig.chips[1].contents == heron_variant(1)


def test_a_board_in_hand_without_its_backup_keeps_its_values(rig: Rig) -> None:
    """Its shelf is not mounted, say: nothing is settled, nothing is forgotten."""
    board = Board(3, "W25Q64JV")
    chip = board.new()
    key = f"ef4017-{chip.unique_id.hex()}"
    gone = InHand(
        *(key, "heron-open", "far", "ef4017", chip.unique_id.hex(), 8 << 20),
        *("/none/set", "00" * 32, {}),
    )
    values = rig.ledger.draw(gone, rig.job.columns)
    (failed,) = rig.run(board).records
    assert (failed.kind, failed.touched) == ("own", False)
    assert "started at bench far" in failed.reason
    (waiting,) = rig.ledger.all_in_hand()
    assert (waiting.key, waiting.values) == (key, values)
    assert rig.chips[3].contents == heron_variant(3)


def test_what_somebody_is_working_on_is_left_to_them(rig: Rig) -> None:
    board = Board(3, "W25Q64JV")
    claim = rig.ledger.claim(f"ef4017-{board.new().unique_id.hex()}", "theirs")
    assert isinstance(claim, Claim)
    (left,) = rig.run(board).records
    assert left.kind == "other"
    assert "is being worked on at bench theirs" in left.reason
    assert rig.chips[3].contents == heron_variant(3)
    claim.release()


@pytest.mark.parametrize(("given", "ceiling"), [(None, 6e6), (20e6, 20e6)])
def test_a_batch_is_no_faster_than_its_adapter_was_proven_to_be(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, given: float | None, ceiling: float
) -> None:
    """What `prove` found out about an adapter holds for every board on it: the clock unless a
    person gives one, the longest read in any case."""
    used: list[tuple[float, int]] = []

    def noting(bus: FtdiBus, chip: Chip, ceiling: float, sweep: ClockSweep | None) -> Any:
        used.append((ceiling, bus.longest_read))
        return connected(bus, chip, ceiling, sweep)

    record = AdapterRecord("FT232H", "any", datetime.now(UTC), {}, (), 6e6, 4096)
    monkeypatch.setattr(adapters, "known", lambda model, serial: record)
    serial = property(lambda bus: "any", lambda bus, value: None)
    monkeypatch.setattr(FtdiBus, "serial", serial, raising=False)
    monkeypatch.setattr(board_module, "connected", noting)
    context_of = heron._context
    at_given = lambda *args: replace(context_of(*args), ceiling=given)  # noqa: E731
    monkeypatch.setattr(heron, "_context", at_given)
    (row,) = rig.run(Board(3, "W25Q64JV")).records
    assert (row.good, used) == (True, [(ceiling, 4096)])
