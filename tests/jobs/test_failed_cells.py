"""Chips that say that an erase or a page did not work out."""

from __future__ import annotations

from pathlib import Path

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import VerifyError
from tests.job_rig import Rig
from tests.small_board import Board, image_for, noise

AT = 0x30000
BLOCK = 0x10000


@pytest.mark.parametrize("failing", ["erase", "program"])
def test_a_chip_that_stays_busy_after_a_failure(failing: str) -> None:
    """S25FL128S data sheet, from memory: P_ERR or E_ERR, and WIP with it, stay until 30h. The work
    goes on, so that reading back can name the sector; the chip is not left stuck."""
    chip = NorChip("S25FL128S", seed=3)
    chip.contents[AT : AT + BLOCK] = b"\x55" * BLOCK
    chip.wear_out(AT // 4096 + 3, 8, failing=failing)
    new = bytes(range(256)) * (BLOCK // 256)
    with Rig(chip).connect() as connection:
        flash = connection.flash
        flash.erase(AT, next(kind for kind in flash.geometry.erase_types if kind.size == BLOCK))
        flash.program([(AT + at, new[at : at + 256]) for at in range(0, BLOCK, 256)])
        assert flash.status() & 0x63 == 0
    held = chip.contents[AT : AT + BLOCK]
    wrong = {at // 4096 for at in range(BLOCK) if held[at] != new[at]}
    assert wrong == {3}


def test_what_failing_cells_made_of_the_contents_is_known_again(tmp_path: Path) -> None:
    """Bits of new contents that stay 0 look like another board's, where nothing else tells: the
    session that saw them notes them. Cells that fail when cold may be good again later."""
    board, shelf, image = Board(noise(1), nameless=True), Shelf(tmp_path), image_for(noise(1))
    for sector in (0x21, 0x24, 0x2A):
        board.chip.wear_out(sector, 40)
    old = board.holds
    board.save(shelf)
    with pytest.raises(VerifyError, match="3 sectors") as failed:
        board.write(shelf, image)
    assert "contact" in failed.value.remedy, "cells are not all that can be the cause"
    board.chip.core.cells.stuck.clear()
    board.write(shelf, None, undo=True)
    assert board.holds == old
    assert not open_journals(shelf.journals).whole
