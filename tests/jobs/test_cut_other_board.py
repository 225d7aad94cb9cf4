"""A restore that was cut short, and another board of the same kind on the clip."""

from __future__ import annotations

import hashlib
import json
import random
from pathlib import Path

import pytest

from hwmocks.ftdi import UsbFaults
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import (
    ChipMismatchError,
    NoBackupError,
    SpiflashError,
    UnfinishedWorkError,
    UsageError,
)
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from tests.job_rig import WATCHER
from tests.small_board import (
    KIB,
    SECTOR,
    SHARED,
    SIZE,
    Board,
    environment,
    image_for,
    noise,
    yes,
)


def test_a_cut_restore_is_not_finished_on_another_board(shelf: Shelf) -> None:
    """Without a unique ID only the contents tell."""
    old, held = noise(1), noise(2)
    first, other = Board(old, 3, nameless=True), Board(held, 4, nameless=True)
    image = Image("new", noise(3)[: 384 * KIB])
    first.cut(shelf, image, pages=900, without_backup=True)
    with pytest.raises(ChipMismatchError, match="not of this chip") as caught:
        other.write(shelf, None, without_backup=True)
    assert "away from the shelf" in caught.value.remedy
    # The same image for the other board is work of its own, bound by the backup rule.
    with pytest.raises(NoBackupError):
        other.write(shelf, image)
    assert other.holds == held
    other.write(shelf, image, without_backup=True)
    assert other.holds == image.contents + held[len(image.contents) :]
    assert held in [each.contents() for each in shelf.sets().sets]
    assert len(open_journals(shelf.journals).whole) == 1
    first.write(shelf, None)
    assert first.holds == image.contents + old[len(image.contents) :]


def as_version_1(journal: Path) -> None:
    """Make a journal what the first version wrote: the ranges alone in before.bin, no digest of
    the state, and not where the image was to go."""
    state = json.loads((journal / "state.json").read_text())
    whole = (journal / "before.bin").read_bytes()
    places = [(each["start"], each["start"] + each["length"]) for each in state["ranges"]]
    before = b"".join(whole[low:high] for low, high in places)
    (journal / "before.bin").write_bytes(before)
    for name in ("digest", "at", "parts", "again"):
        state.pop(name, None)
    state["before_sha256"] = hashlib.sha256(before).hexdigest()
    (journal / "state.json").write_text(json.dumps({**state, "journal_version": 1}))


@pytest.mark.parametrize("undo", [False, True])
def test_a_journal_of_the_first_version_is_finished_and_undone(
    board: Board, shelf: Shelf, undo: bool
) -> None:
    image = image_for(noise(1))
    board.save(shelf)
    board.cut(shelf, image)
    ((journal),) = (each.path for each in open_journals(shelf.journals).whole)
    as_version_1(journal)
    assert open_journals(shelf.journals).whole[0].version == 1
    board.write(shelf, None, undo=undo, without_backup=True)
    assert board.holds == (noise(1) if undo else image.contents)
    assert not open_journals(shelf.journals).whole


def test_settings_written_after_an_interrupted_erase_are_this_boards(shelf: Shelf) -> None:
    """An erase of all of the chip was broken off: nothing is left that shows whose it is, but the
    ID; and the board has written its settings since."""
    old = bytearray(noise(1, 200) + bytes(SIZE - 200))
    old[0x70000:0x70200] = noise(2, 512)
    board, image = Board(bytes(old)), Image("new", noise(7))
    board.cut(shelf, image, pages=20, without_backup=True)
    garbage = bytes(a | b for a, b in zip(old, noise(3), strict=True))
    board.chip.contents[:] = garbage
    board.chip.contents[0x70000:0x70200] = noise(4, 512)
    said = board.write(shelf, image, without_backup=True)
    assert board.holds == image.contents
    assert not open_journals(shelf.journals).whole
    assert any("Finishing the interrupted restore" in line for line in said.lines)


def test_nearly_empty_boards_that_share_an_id_are_told_apart(shelf: Shelf) -> None:
    """Whatever a board holds is on the way to zeros, and its chip answers alike: but so many erases
    in different places were not broken off."""
    old = bytearray(noise(1, 16 * KIB) + bytes(SIZE - 16 * KIB))
    held = bytearray(old)
    for place in range(0, SIZE, 64 * KIB):
        held[place + 5000 : place + 6000] = noise(place, 1000)
    board, second = Board(bytes(old), 1, unique=SHARED), Board(bytes(held), 2, unique=SHARED)
    image = Image("new", noise(7))
    board.cut(shelf, image, pages=20, without_backup=True)
    for undo in (False, True):
        with pytest.raises(ChipMismatchError, match="not of this chip"):
            second.write(shelf, None, undo=undo, without_backup=True)
    assert second.holds == held
    board.write(shelf, None, undo=True, without_backup=True)
    assert board.holds == old


def with_address(last: int, at: int) -> bytes:
    """The same firmware with an environment at `at`, which has the board's own address."""
    own = environment(f"00:00:5e:00:53:{last:02x}")
    return noise(1)[:at] + own + noise(1)[at + SECTOR :]


@pytest.mark.parametrize("target", ["noise", "zeros"])
@pytest.mark.parametrize("undo", [False, True])
@pytest.mark.parametrize("unique", [None, SHARED])
def test_a_sister_whose_address_lies_inside_the_cut_work_is_not_that_board(
    shelf: Shelf, unique: bytes | None, undo: bool, target: str, full_sweep: bool
) -> None:
    """All of the chip is to be written, so that nothing outside of the work tells them apart.
    Every contents are on the way to zeros."""
    if not full_sweep and (unique is None) != (target == "noise"):
        return
    image = Image("new", noise(7) if target == "noise" else bytes(SIZE))
    board = Board(with_address(1, 0x24000), 1, unique is None, unique)
    second = Board(with_address(2, 0x24000), 2, unique is None, unique)
    board.save(shelf)
    board.cut(shelf, image, pages=20)
    with pytest.raises(ChipMismatchError, match="not of this chip"):
        second.write(shelf, None, undo=undo)
    assert second.holds == with_address(2, 0x24000)
    assert len(open_journals(shelf.journals).whole) == 1
    board.write(shelf, None, undo=undo)
    assert board.holds == (with_address(1, 0x24000) if undo else image.contents)


def test_blank_sectors_say_nothing_of_whose_chip_it_is(shelf: Shelf) -> None:
    """A mostly blank chip of a board that shares its unique ID: all that the work may have left
    between old and new differs, and the rest is blank on every board."""
    held = [noise(seed)[: 256 * KIB] + b"\xff" * (SIZE - 256 * KIB) for seed in (1, 2)]
    board, second = (Board(each, at, False, SHARED) for at, each in enumerate(held))
    image = Image("new", noise(7)[: 256 * KIB] + held[0][256 * KIB :])
    board.save(shelf)
    board.cut(shelf, image, pages=20)
    with pytest.raises(ChipMismatchError, match="not of this chip"):
        second.write(shelf, None)
    assert second.holds == held[1]
    board.write(shelf, None)
    assert board.holds == image.contents


def test_a_board_that_keeps_its_address_may_have_written_inside_the_cut_work(shelf: Shelf) -> None:
    board = Board(with_address(1, 0x24000), nameless=True)
    board.save(shelf)
    board.cut(shelf, Image("new", noise(7)), pages=20)
    settings = environment("00:00:5e:00:53:01", "bootdelay=9")
    board.chip.contents[0x24000:0x25000] = settings
    board.write(shelf, None)
    assert board.holds == noise(7)
    assert any(each.contents()[0x24000:0x25000] == settings for each in shelf.sets().sets)


def test_a_clip_moved_while_the_program_stood_still_does_not_cost_another_board_its_address(
    shelf: Shelf,
) -> None:
    """The computer slept in mid-write. Dozens of sectors that tell boards apart are the same on
    these two, but for one, which lies in a block that the work changes elsewhere."""
    rng, base = random.Random(3), bytearray(noise(1))
    for start in range(0x38000, SIZE, SECTOR):
        base[start : start + SECTOR] = b"\xff" * SECTOR
        for at in range(start, start + SECTOR, 512):
            base[at : at + 40] = rng.randbytes(40)
    ours, theirs = (
        bytes(base[:0x50000]) + own + bytes(base[0x50006:]) for own in (b"A" * 6, b"B" * 6)
    )
    image = image_for(image_for(ours).contents, 0x54000, 0x55000)
    board, second = Board(ours, 1, nameless=True), Board(theirs, 2, nameless=True)
    moved = []
    board.save(shelf)

    def move(number: int) -> None:
        if not moved and board.chip.pages_programmed > 100:
            moved.append(number)
            board.wires.put_on(second.chip, board.bench.clock.now() - 0.1)

    with pytest.raises(SpiflashError):
        board.write(shelf, image, faults=UsbFaults(on_transfer=move))
    assert moved
    assert second.holds[0x50000:0x51000] == theirs[0x50000:0x51000]
    assert len(open_journals(shelf.journals).whole) == 1
    board.write(shelf, None)
    assert board.holds == image.contents


def test_what_is_to_be_erased_again_is_so_after_a_cut_as_well(shelf: Shelf) -> None:
    """Blank cells of an erase that was cut short read right: only the journal knows of them."""
    blank = (0x30000, 0x40000)
    held = noise(1)[: blank[0]] + b"\xff" * 0x10000 + noise(1)[blank[1] :]
    board, image = Board(held), image_for(held, 0x20000, 0x22000)

    def unplug(number: int) -> None:
        if board.chip.erased:
            board.bench.device.unplug()

    with (
        pytest.raises(SpiflashError),
        board.session(UsbFaults(on_transfer=unplug)) as connection,
    ):
        restore(
            connection,
            shelf,
            image,
            WATCHER,
            WriteOptions(without_backup=True, erase_again=(blank,)),
            agree=yes,
        )
    board.chip.erased.clear()
    with pytest.raises(UnfinishedWorkError, match="another request"):
        board.write(shelf, image, erase_again=((0x40000, 0x41000),))
    board.write(shelf, None)
    assert board.holds == image.contents
    erased = {at for low, size in board.chip.erased for at in range(low, low + size, SECTOR)}
    assert set(range(*blank, SECTOR)) <= erased


def test_work_on_this_very_chip_that_no_longer_fits_is_said_and_kept(tmp_path: Path) -> None:
    """Whose it is, is not said to be another board's: the unique ID is this chip's."""
    board, shelf = Board(noise(1)), Shelf(tmp_path)
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    board.chip.contents[:] = noise(5)
    said = board.write(shelf, image_for(noise(5)), without_backup=True)
    assert any("same unique ID" in line for line in said.lines)
    assert board.holds == image_for(noise(5)).contents
    assert len(open_journals(shelf.journals).whole) == 1


def test_a_range_without_a_whole_sector_is_not_passed_over(tmp_path: Path) -> None:
    board = Board(noise(1))
    with pytest.raises(UsageError, match="no whole sector"):
        board.write(
            Shelf(tmp_path),
            image_for(noise(1)),
            without_backup=True,
            erase_again=((0x20800, 0x21800),),
        )
    assert board.holds == noise(1)
