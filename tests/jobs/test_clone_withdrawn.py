"""A board that failed in mid-write gave its values back in versions before this one, and its
journal says so: what was begun must not be finished with them, whichever command meets it."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
import sqlalchemy as sa

from hwmocks.boards.heron import heron_open, heron_variant, mac_address
from spiflash.archive.journal import open_journals
from spiflash.archive.ledger import InHand
from spiflash.archive.ledger.store import IDENTITIES, IN_HAND, WRITTEN
from spiflash.archive.shelf import Shelf
from spiflash.errors import ShelfError
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, prepare, restore
from tests.clone_rig.heron import FACTORY, Board, Rig
from tests.job_rig import WATCHER
from tests.job_rig import Rig as Bench

OPEN = Image("open.bin", heron_open())
OTHER = InHand("other", "heron-open", "b", "ef4017", "00", 8 << 20, "/s", "00" * 32, {})


def failed_and_given_back(rig: Rig, chip: str) -> Mapping[str, str]:
    """A board as an earlier version left it: half written, its values another board's by now."""
    (failed,) = rig.run(Board(4, chip, "unplugged")).records
    (journal,) = open_journals(rig.folder / "shelf" / "journals").whole
    (journal.path / "withdrawn.txt").write_text("heron-open")
    mine = IN_HAND.c.key == failed.key
    rig.ledger.store.changing(
        lambda connection: (
            connection.execute(sa.delete(IDENTITIES).where(IDENTITIES.c.state == WRITTEN)),
            connection.execute(sa.update(IN_HAND).where(mine).values(values="{}")),
        )
    )
    given = rig.ledger.draw(OTHER, rig.job.columns)
    assert given == failed.values
    return given


def test_what_was_begun_is_not_finished_with_another_boards_value(rig: Rig) -> None:
    given = failed_and_given_back(rig, "W25Q64JV")
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
        prepare(connection, shelf, None, WATCHER)
    assert chip.contents == half
    with Bench(chip).connect() as connection:
        restore(connection, shelf, None, WATCHER, WriteOptions(undo=True), agree=lambda work: True)
    assert chip.contents == heron_variant(4)
    assert open_journals(shelf.journals).whole == ()


def test_a_board_without_id_is_known_again_and_gets_values_of_its_own(rig: Rig) -> None:
    given = failed_and_given_back(rig, "MX25L6406E")
    assert given["ethaddr"] == mac_address(0x80)
    (key,) = (each.key for each in rig.ledger.all_in_hand() if each.key != "other")
    told: list[str] = []
    (done,) = rig.run(Board(4, "MX25L6406E"), tell=told.append).records
    assert (done.good, done.resumed, done.key) == (True, True, key)
    assert "undoing the interrupted write" in told
    assert rig.own(4) == mac_address(0x81)
    assert rig.chips[4].contents[slice(*FACTORY)] == heron_variant(4)[slice(*FACTORY)]
    assert open_journals(rig.folder / "shelf" / "journals").whole == ()
