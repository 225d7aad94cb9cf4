"""Boards whose work is cut: unplugged, or broken off by hand, and taken up again."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from hwmocks.boards.heron import heron_variant, mac_address
from hwmocks.nor.chip import NorChip
from spiflash.archive.ledger import InHand
from spiflash.jobs.clone.runner import Cloned, Runner
from tests.clone_rig.heron import FACTORY, Board, Rig


def test_a_board_that_failed_comes_again_with_what_it_came_with_and_was_given(rig: Rig) -> None:
    """Unplugged in mid-write: its values may stand on it, and nobody else gets them."""
    (failed,) = rig.run(Board(4, "W25Q64JV", "unplugged")).records
    assert (failed.kind, failed.touched, failed.good) == ("adapter", True, False)
    other = InHand("other", "heron-open", "b", "ef4017", "00", 8 << 20, "/s", "00" * 32, {})
    theirs = rig.ledger.draw(other, rig.job.columns)
    assert set(theirs.values()).isdisjoint(failed.values.values())
    (done,) = rig.run(Board(4, "W25Q64JV")).records
    assert (done.good, done.resumed, done.values) == (True, True, failed.values)
    assert rig.own(4) == mac_address(0x80)
    assert rig.chips[4].contents[slice(*FACTORY)] == heron_variant(4)[slice(*FACTORY)]
    assert done.before_sha256 == failed.before_sha256


def test_a_second_ctrl_c_breaks_the_board_off_and_it_is_taken_up(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    loops: list[Runner] = []
    begun = Runner.run

    def remembered(self: Runner) -> Cloned:
        loops.append(self)
        return begun(self)

    monkeypatch.setattr(Runner, "run", remembered)

    def press(chip: Callable[[], NorChip | None]) -> None:
        """Twice Ctrl-C once a thousand pages are written."""
        found = None
        while found is None or found.pages_programmed < 1000:
            found = chip()
            threading.Event().wait(0.002)
        loops[0]._stop.set()
        loops[0]._abandon.set()

    finger = threading.Thread(target=press, args=(lambda: rig.chips.get(8),))
    finger.start()
    stopped = rig.run(Board(8, "W25Q64JV"))
    finger.join()
    assert stopped.records == ()
    assert stopped.errors[0].status == 130
    (waiting,) = rig.ledger.all_in_hand()
    (done,) = rig.run(Board(8, "W25Q64JV")).records
    assert (done.good, done.resumed, done.values) == (True, True, waiting.values)
    assert rig.ledger.all_in_hand() == ()
