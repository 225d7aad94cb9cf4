"""Writing: no byte is lost, nothing is called right that is not, and no other board is touched.

Each test is a fault that was seen to destroy something while success was reported. What must come
of it is taken from the chips' own cells and from the files on the shelf.
"""

from __future__ import annotations

import json
import random
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.faults import BitErrors, Wrapper
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat, SpiDevice
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import (
    ChipMismatchError,
    EraseSizeError,
    NoBackupError,
    ShelfError,
    SpiflashError,
    SupplyLostError,
    UnfinishedWorkError,
    UnstableReadError,
)
from spiflash.jobs.backup import back_up
from spiflash.jobs.image import Image, load_image
from spiflash.jobs.write import Verify, WriteOptions, blank, restore
from tests import small_board
from tests.benchmarks.cuts import Case, sweep
from tests.job_rig import WATCHER, Rig
from tests.small_board import (
    FREELY,
    KIB,
    SECTOR,
    SHARED,
    SIZE,
    Board,
    Said,
    environment,
    image_for,
    noise,
    sister,
    yes,
)


def saved_sectors(shelf: Shelf) -> set[bytes]:
    """Every sector that some set holds."""
    return {
        contents[at : at + SECTOR]
        for each in shelf.sets().sets
        for contents in (each.contents(),)
        for at in range(0, len(contents), SECTOR)
    }


def sectors(contents: bytes) -> set[bytes]:
    return {contents[at : at + SECTOR] for at in range(0, len(contents), SECTOR)}


# -- a target that cannot be told from what a cut leaves ---------------------------------------


@pytest.mark.parametrize("contents", ["zeros", "blank", "masked"])
def test_a_cut_is_finished_whatever_the_target_is(
    contents: str, tmp_path: Path, full_sweep: bool
) -> None:
    case = Case(256 * KIB, contents=contents)
    counts, losses = sweep(case, tmp_path, every=7 if full_sweep else 397, kinds=("power",))
    assert not losses
    assert counts["cuts by power"]


# -- another board on the clip -----------------------------------------------------------------


@pytest.mark.parametrize("unique", [None, SHARED])
@pytest.mark.parametrize("other", [noise(2), sister(noise(1))])
def test_a_clip_that_is_moved_while_the_question_is_open(
    shelf: Shelf, unique: bytes | None, other: bytes
) -> None:
    """Looks are drawn at random; a sector of settings stands in for what differs here."""
    ours = _with_settings(noise(1))
    theirs = _with_settings(other) if other != sister(noise(1)) else _settings_of(ours)
    board = Board(ours, nameless=unique is None, unique=unique)
    second = Board(theirs, 2, unique is None, unique)

    def move(work: object) -> bool:
        board.wires.put_on(second.chip, board.bench.clock.now())
        board.bench.clock.advance(0.1)
        return True

    with pytest.raises(ChipMismatchError, match="Another board"):
        board.write(shelf, image_for(ours), agree=move, without_backup=True)
    assert (board.holds, second.holds) == (ours, theirs)
    assert not open_journals(shelf.journals).whole


def _with_settings(contents: bytes) -> bytes:
    """Contents with a sector that holds a little: an address, a serial number."""
    return contents[:0x7F000] + noise(51 + contents[0], 64).ljust(SECTOR, b"\xff")


def _settings_of(contents: bytes) -> bytes:
    """The same firmware with other settings: a sister board."""
    return contents[:0x7F000] + noise(50, 64).ljust(SECTOR, b"\xff")


@pytest.mark.parametrize("pages", [20, 230])
def test_a_clip_that_is_moved_in_mid_write(shelf: Shelf, pages: int) -> None:
    board, second = Board(noise(1), nameless=True), Board(noise(2), 2, nameless=True)
    moved = False

    def move(number: int) -> None:
        nonlocal moved
        if not moved and board.chip.pages_programmed > pages:
            moved = True
            board.wires.swap(second.chip, board.bench.clock.now(), 0.5)

    with pytest.raises(SpiflashError) as caught:
        board.write(
            shelf, image_for(noise(1)), faults=UsbFaults(on_transfer=move), without_backup=True
        )
    assert moved
    assert second.holds == noise(2)
    (journal,) = open_journals(shelf.journals).whole
    assert str(journal.path) in caught.value.state
    board.write(shelf, None)
    assert board.holds == image_for(noise(1)).contents


# -- journals of other boards ------------------------------------------------------------------


@pytest.mark.parametrize("unique", [None, SHARED])
@pytest.mark.parametrize("kind", ["other", "sister"])
def test_a_cut_work_is_finished_on_its_own_board_only(
    shelf: Shelf, unique: bytes | None, kind: str, full_sweep: bool
) -> None:
    if not full_sweep and (unique is None) != (kind == "sister"):
        return
    ours = noise(1)
    theirs = noise(2) if kind == "other" else sister(ours)
    board, second = Board(ours, 1, unique is None, unique), Board(theirs, 2, unique is None, unique)
    image = image_for(ours)
    board.cut(shelf, image, without_backup=True, at=0)
    if kind == "sister" and unique is not None:
        # A copy of the ID and one sector of settings apart: nothing but the settings tells.
        return
    with pytest.raises(ChipMismatchError, match="not of this chip"):
        second.write(shelf, None, without_backup=True)
    assert second.holds == theirs
    if unique is None:
        with pytest.raises(NoBackupError):
            second.write(shelf, image)
        assert second.holds == theirs
    second.write(shelf, image, without_backup=True)
    assert second.holds == image.contents
    assert sectors(theirs) <= saved_sectors(shelf) | sectors(second.holds)
    board.write(shelf, None)
    assert board.holds == image.contents


def test_two_programs_on_one_shelf_do_not_take_each_others_journal(shelf: Shelf) -> None:
    first, second = Board(noise(1), 1, nameless=True), Board(noise(2), 2, nameless=True)
    image = image_for(noise(1))
    first.cut(shelf, image, without_backup=True)
    (journal,) = open_journals(shelf.journals).whole
    with journal.held():  # somebody is at it
        second.write(shelf, image, without_backup=True)
        with pytest.raises(ShelfError, match="Another program"):
            first.write(shelf, None)
    assert second.holds == image.contents
    first.write(shelf, None)
    assert first.holds == image.contents
    assert not open_journals(shelf.journals).whole


def test_a_label_does_not_mean_what_a_write_saved_by_itself(shelf: Shelf) -> None:
    """`restore gauge` has to bring back the backup that a person made, also the second time; what
    the first time overwrote was saved under the same label, later, and is verified as well."""
    factory, open_firmware = noise(1), noise(5)
    board = Board(factory)
    with board.session() as connection:
        made = back_up(connection, shelf, WATCHER, board="gauge").set
    for _ in range(2):
        board.chip.contents[:] = open_firmware
        taken = shelf.of_board("Gauge")
        assert taken is not None
        board.write(shelf, load_image(taken.path))
        assert board.holds == factory
    (kept,) = (each for each in shelf.sets().sets if each.path != made.path)
    assert (kept.record.board, kept.record.verified) == ("gauge", True)
    assert kept.contents() == open_firmware
    shutil.rmtree(made.path)
    with pytest.raises(NoBackupError, match="No backup of “gauge” is verified"):
        shelf.of_board("gauge")


@pytest.mark.parametrize("nameless", [False, True])
def test_a_label_does_not_mean_a_board_that_was_half_written(
    nameless: bool, tmp_path: Path
) -> None:
    """`backup` after an interruption keeps what is there, whole and verified; `restore gauge` must
    not bring that back. A sister board's backup meanwhile is one."""
    board, shelf = Board(noise(1), nameless=nameless), Shelf(tmp_path)
    twin = Board(sister(noise(1)), 2, nameless=nameless)

    def save(each: Board, label: str) -> Path:
        with each.session() as connection:
            return back_up(connection, shelf, WATCHER, board=label).set.path

    made = save(board, "gauge")
    board.cut(shelf, image_for(noise(1)))
    half, theirs = save(board, "gauge"), save(twin, "twin")
    taken, sisters = shelf.of_board("gauge"), shelf.of_board("twin")
    assert taken is not None
    assert sisters is not None
    assert (taken.path, sisters.path) == (made, theirs)
    board.write(shelf, None, undo=True)
    assert half in [each.path for each in shelf.sets().sets]


def test_a_label_of_two_boards_without_unique_ids_is_said(tmp_path: Path) -> None:
    """Nothing shows whether it is one board at two times, or two boards."""
    shelf = Shelf(tmp_path)
    for seed, nameless in ((1, True), (2, True), (3, False)):
        board = Board(noise(seed)[: 64 * KIB].ljust(SIZE, b"\xff"), nameless=nameless)
        with board.session() as connection:
            back_up(connection, shelf, WATCHER, board="gauge" if nameless else "named")
    taken, named = shelf.of_board("gauge"), shelf.of_board("named")
    assert taken is not None
    assert named is not None
    assert (taken.unlike, named.unlike) == (1, 0)


@pytest.mark.parametrize("value", [0x00, 0xFF])
def test_what_is_erased_again_gets_its_contents_whatever_they_are(
    board: Board, shelf: Shelf, value: int
) -> None:
    """Sectors that were to become 00h were left as they were, and called correct."""
    board.save(shelf)
    image = Image("new", bytes([value]) * 2 * SECTOR)
    again = ((0x20000, 0x20000 + 2 * SECTOR),)
    for _ in range(2):  # the second time it reads as it should already, and is written again
        before = board.chip.pages_programmed + len(board.chip.erased)
        board.write(shelf, image, at=0x20000, erase_again=again)
        assert board.holds == noise(1)[:0x20000] + image.contents + noise(1)[0x22000:]
        assert board.chip.pages_programmed + len(board.chip.erased) > before


def test_a_journal_that_cannot_be_locked_is_not_one_in_use(board: Board, shelf: Shelf) -> None:
    """On a read-only disk, or with the lock of another user: the chip is half written all the same,
    and neither is there nothing to resume, nor may other work begin."""
    board.save(shelf)
    board.cut(shelf, image_for(noise(1)))
    half = board.holds
    (journal,) = open_journals(shelf.journals).whole
    (journal.path / "in-use").unlink()
    (journal.path / "in-use").mkdir()  # permissions would not stop a test that root runs
    with pytest.raises(ShelfError, match="while locking"):
        board.write(shelf, None)
    with pytest.raises(UnfinishedWorkError):
        board.write(shelf, image_for(noise(1), 0x50000, 0x51000))
    assert board.holds == half
    assert open_journals(shelf.journals).whole == (journal,)


@pytest.mark.parametrize("unique", [None, SHARED])
@pytest.mark.parametrize("size", [256 * KIB, 1024 * KIB])
def test_interrupted_work_on_a_chip_of_another_size(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, unique: bytes | None, size: int
) -> None:
    """The same JEDEC ID, and another capacity, stated by a person or of a relabelled chip."""
    first = Board(noise(1), nameless=unique is None, unique=unique)
    image = image_for(noise(1))
    first.cut(shelf, image, without_backup=True)
    half = first.holds
    monkeypatch.setattr(small_board, "SIZE", size)
    theirs = noise(2, size)
    other = Board(theirs, 2, nameless=unique is None, unique=unique)
    # With the unique ID it may be this very chip, taken for another part.
    refusal = ChipMismatchError if unique is None else UnfinishedWorkError
    with pytest.raises(refusal, match="was of a chip of 512 KiB; this one has"):
        other.write(shelf, None)
    if unique is None:
        said = other.write(shelf, Image("new", bytes(SECTOR)), without_backup=True)
        assert "another board" in " ".join(said.lines)
        assert other.holds == bytes(SECTOR) + theirs[SECTOR:]
    else:
        with pytest.raises(UnfinishedWorkError, match="unique ID"):
            other.write(shelf, Image("new", bytes(SECTOR)), without_backup=True)
        assert other.holds == theirs
    monkeypatch.undo()
    assert first.holds == half
    first.write(shelf, None, without_backup=True)
    assert first.holds == image.contents


def test_a_resume_needs_a_backup_like_any_write(board: Board, shelf: Shelf) -> None:
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    for each in shelf.sets().sets:
        each.path.rename(each.path.with_name("." + each.name))
    half = board.holds
    with pytest.raises(NoBackupError):
        board.write(shelf, None)
    assert board.holds == half
    board.write(shelf, None, without_backup=True)
    # What it held before is in no set: the journal is the only copy, and stays.
    (kept,) = [path for path in shelf.journals.iterdir() if path.name.startswith(".ended-")]
    assert (kept / "before.bin").read_bytes() == noise(1)
    assert not open_journals(shelf.journals).whole


# -- what no set has is kept -------------------------------------------------------------------


@pytest.mark.parametrize("options", [WriteOptions(), FREELY])
@pytest.mark.parametrize("what", ["set", "region", "erase"])
def test_what_was_written_since_the_backup_is_kept(
    board: Board, shelf: Shelf, what: str, options: WriteOptions, full_sweep: bool
) -> None:
    if not full_sweep and (what == "region" or options.without_backup != (what == "set")):
        return
    if not options.without_backup:
        board.save(shelf)
    board.chip.contents[0x25000:0x3A000] = noise(5, 0x15000)
    held = board.holds
    said = Said()
    with board.session() as connection:
        if what == "erase":
            restore(
                connection,
                shelf,
                blank(connection, 0x20000, 0x20000),
                said,
                replace(options, at=0x20000),
                agree=yes,
            )
        else:
            parts = ((0x24000, 0x30100),) if what == "region" else None
            image = Image("factory", noise(1), parts=parts)
            restore(connection, shelf, image, said, options, agree=yes)
    assert sectors(held) <= saved_sectors(shelf) | sectors(board.holds)
    kept = [each for each in shelf.sets().sets if each.contents() == held]
    assert len(kept) == 1
    assert any(str(kept[0].path) in line for line in said.lines)
    # It counts as saved from now on.
    with board.session() as connection:
        restore(connection, shelf, Image("back", held), WATCHER, options, agree=yes)
        restore(connection, shelf, Image("factory", noise(1)), WATCHER, options, agree=yes)
    assert len([each for each in shelf.sets().sets if each.contents() == held]) == 1


def test_nothing_is_kept_twice(board: Board, shelf: Shelf) -> None:
    board.save(shelf)
    board.write(shelf, image_for(noise(1)))
    assert len(shelf.sets().sets) == 1


def test_what_the_chip_holds_already_needs_no_backup(shelf: Shelf) -> None:
    """The same command after a cut that came when the work was proven and its journal gone."""
    board = Board(noise(1), nameless=True)
    board.write(shelf, Image("same", noise(1)))
    assert not board.chip.erased
    assert not board.chip.pages_programmed


def test_a_full_disk_stops_the_work_before_it_begins(
    board: Board, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:

    def full(*_: object, **__: object) -> None:
        raise ShelfError("The disk is full.")

    monkeypatch.setattr(Shelf, "place", full)
    with pytest.raises(ShelfError):
        board.write(shelf, image_for(noise(1)), without_backup=True)
    assert board.holds == noise(1)
    assert not open_journals(shelf.journals).whole


# -- the way to the chip -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(2))
def test_commands_that_do_not_arrive_are_noticed_before_writing(shelf: Shelf, seed: int) -> None:
    """One bit in a thousand on its way to the chip is wrong, from the question on."""
    noisy: list[BitErrors] = []

    def clip(device: SpiDevice) -> SpiDevice:
        noisy.append(BitErrors(device, rate=0.0, seed=seed))
        return noisy[-1]

    board = Board(noise(1), clip=clip)

    def agree(work: object) -> bool:
        noisy[-1].mosi_rate = 1e-3
        return True

    with pytest.raises(UnstableReadError):
        board.write(shelf, image_for(noise(1)), agree=agree, without_backup=True)
    assert board.holds == noise(1)
    assert not board.chip.erased


class FastWireBad(Wrapper):
    """Commands arrive with a bit wrong now and then above a certain clock only."""

    def __init__(self, inner: SpiDevice, top: float) -> None:
        super().__init__(inner)
        self.top, self.rng = top, random.Random(3)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        if beat.hertz > self.top and len(mosi) == 4 and self.rng.random() < 0.02:
            mosi = bytes((*mosi[:2], mosi[2] ^ 1 << self.rng.randrange(8), mosi[3]))
        return super().transfer(mosi, beat)


def test_a_clock_that_is_too_fast_for_commands_is_halved(shelf: Shelf) -> None:
    board = Board(noise(1), clip=lambda device: FastWireBad(device, 16e6))
    said = board.write(shelf, image_for(noise(1)), without_backup=True)
    assert any("15 MHz is used for writing" in line for line in said.lines)
    assert board.holds == image_for(noise(1)).contents


def test_the_write_enable_latch_is_clear_after_a_failure(board: Board, shelf: Shelf) -> None:
    board.chip.stick(0x21000, 0, 0)
    with board.session() as connection:
        with pytest.raises(SpiflashError):
            restore(connection, shelf, image_for(noise(1)), WATCHER, FREELY, agree=yes)
        assert not connection.flash.status() & 0x02


# -- an erase that takes more than it should ---------------------------------------------------


class LargerErase(Wrapper):
    """20h erases 64 KiB on this chip."""

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        larger = b"\xd8" + mosi[1:] if mosi[:1] == b"\x20" and len(mosi) == 4 else mosi
        return super().transfer(larger, beat)


def test_an_erase_that_takes_more_is_put_back_at_once(shelf: Shelf) -> None:
    board = Board(noise(1), clip=LargerErase)
    image = Image("one", noise(1)[:0x23000] + noise(8, SECTOR) + noise(1)[0x24000:])
    with pytest.raises(EraseSizeError, match="took more than that") as caught:
        board.write(shelf, image, without_backup=True)
    assert "holds what it held" in caught.value.state
    assert board.holds == noise(1)
    assert not open_journals(shelf.journals).whole
    assert len(board.chip.erased) == 1


# -- one request is not another ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("image", "at"),
    [
        (image_for(noise(1)), SECTOR),
        (replace(image_for(noise(1)), parts=((0x20000, 0x28000),)), 0),
        (Image("new", noise(3)), 0),
    ],
)
def test_another_request_after_a_cut_is_not_reported_as_done(
    board: Board, shelf: Shelf, image: Image, at: int
) -> None:
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    half = board.holds
    if at:
        image = replace(image, contents=image.contents[:-at])
    with pytest.raises(UnfinishedWorkError, match="another request") as caught:
        board.write(shelf, image, at=at)
    assert "has not been done" in caught.value.state
    assert caught.value.status == 45
    assert board.holds == half
    board.write(shelf, image_for(noise(1)))
    assert board.holds == image_for(noise(1)).contents


@pytest.mark.parametrize("undo", [False, True])
def test_what_the_board_wrote_since_is_named_and_stays(
    board: Board, shelf: Shelf, undo: bool, full_sweep: bool
) -> None:
    if undo and not full_sweep:
        return
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    board.chip.contents[0x70000:0x71000] = noise(6, SECTOR)
    said = board.write(shelf, None, undo=undo, verify=Verify.ALL)
    wanted = noise(1) if undo else image_for(noise(1)).contents
    assert board.holds == wanted[:0x70000] + noise(6, SECTOR) + wanted[0x71000:]
    assert any("Written by the board itself" in line and "70000" in line for line in said.lines)


def test_what_the_board_wrote_inside_is_kept_before_it_is_overwritten(
    board: Board, shelf: Shelf
) -> None:
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    board.chip.contents[0x2F000:0x30000] = noise(6, SECTOR)
    board.write(shelf, None)
    assert board.holds == image_for(noise(1)).contents
    assert noise(6, SECTOR) in saved_sectors(shelf)


def test_all_of_the_chip_can_be_verified_after_a_cut(board: Board, shelf: Shelf) -> None:
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    board.write(shelf, None, verify=Verify.ALL)
    assert board.holds == image_for(noise(1)).contents


def test_a_page_that_went_astray_before_the_cut_is_put_back(board: Board, shelf: Shelf) -> None:
    """A program without an erase only clears bits: no board writes so over what it holds."""
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    was = bytes(board.chip.contents[:256])
    board.chip.contents[:256] = bytes(a & b for a, b in zip(was, noise(9, 256), strict=True))
    said = board.write(shelf, None)
    assert board.holds == image_for(noise(1)).contents
    assert any("are restored" in line for line in said.lines)


@pytest.mark.parametrize("name", ["state.json", "before.bin", "after.bin"])
def test_a_rotten_journal_is_a_stop(board: Board, shelf: Shelf, name: str) -> None:
    board.cut(shelf, image_for(noise(1)), without_backup=True)
    (journal,) = open_journals(shelf.journals).whole
    file = journal.path / name
    if name == "state.json":
        document = json.loads(file.read_text())
        document["ranges"] = document["ranges"][:1]
        document["ranges"][0]["length"] -= SECTOR
        file.write_text(json.dumps(document))
    else:
        file.write_bytes(file.read_bytes()[:-1] + b"?")
    half = board.holds
    for image in (None, image_for(noise(1)), Image("back", noise(1))):
        with pytest.raises(UnfinishedWorkError, match="damaged"):
            board.write(shelf, image, without_backup=True)
    assert board.holds == half


class Deaf(Wrapper):
    """A chip that takes the write enable command, and no page and no erase."""

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        ignored = mosi[:1] in (b"\x02", b"\x20", b"\x52", b"\xd8") and len(mosi) >= 4
        return super().transfer(b"\xab" + mosi[1:] if ignored else mosi, beat)


def test_a_chip_that_ignores_writes_ends_in_words_and_few_bars(shelf: Shelf) -> None:
    board, said = Board(noise(1), clip=Deaf), Said()
    with pytest.raises(SpiflashError) as caught, board.session() as connection:
        restore(connection, shelf, Image("new", noise(2)), said, FREELY, agree=yes)
    assert caught.value.remedy
    assert board.holds == noise(1)
    assert len(said.bars) < 40


def test_the_boards_own_items_tell_copies_of_a_chip_apart(shelf: Shelf) -> None:
    """Two boards whose chips share a unique ID and all of the firmware: the address stands in an
    environment (a CRC-32 and variables, as U-Boot's `mkenvimage` makes it)."""
    base = noise(1)
    ours = base[:0x70000] + environment("00:00:5e:00:53:01") + base[0x71000:]
    theirs = base[:0x70000] + environment("00:00:5e:00:53:02") + base[0x71000:]
    board, second = Board(ours, 1, unique=SHARED), Board(theirs, 2, unique=SHARED)
    image = image_for(ours)
    board.cut(shelf, image, without_backup=True)
    with pytest.raises(ChipMismatchError, match="not of this chip"):
        second.write(shelf, None, without_backup=True)
    assert second.holds == theirs
    # The same board with another setting is still the same board.
    board.chip.contents[0x70000:0x71000] = environment("00:00:5e:00:53:01", "bootdelay=9")
    board.write(shelf, None)
    assert board.holds[:0x70000] == image.contents[:0x70000]
    assert b"bootdelay=9" in board.holds


# -- the supply --------------------------------------------------------------------------------


def test_protection_that_comes_back_is_noticed(board: Board, shelf: Shelf) -> None:
    """The supply dips while pages go out, and the chip comes up with its protection bits set."""
    dipped = False

    def dip(number: int) -> None:
        nonlocal dipped
        if not dipped and board.chip.pages_programmed > 20:
            dipped = True
            board.wires.brown_out(board.bench.clock.now())
            board.chip.set_register("SR1", board.chip.registers["SR1"] | 0x1C)

    with pytest.raises(SupplyLostError):
        board.write(
            shelf, image_for(noise(1)), faults=UsbFaults(on_transfer=dip), without_backup=True
        )
    assert dipped
    assert len(open_journals(shelf.journals).whole) == 1


@pytest.mark.parametrize("pages", [3, 20, 60, 150])
def test_a_chip_that_woke_in_3_byte_mode_gets_no_page(
    shelf: Shelf, pages: int, full_sweep: bool
) -> None:
    """A dip of a millisecond: what goes out next would land at address >> 8, in the boot loader.

    An MX25L25635E has no opcodes with four address bytes; addresses depend on its mode (data
    sheet, from memory)."""
    if not full_sweep:
        return
    size, at = 32 << 20, 20 << 20
    chip = NorChip("MX25L25635E", seed=3)
    chip.contents[: 256 * KIB] = noise(1, 256 * KIB)
    chip.contents[at : at + 128 * KIB] = noise(2, 128 * KIB)
    new = bytes(chip.contents[:at]) + noise(3, 48 * KIB) + bytes(chip.contents[at + 48 * KIB :])
    rig = Rig(chip)
    dipped = False

    def dip(number: int) -> None:
        nonlocal dipped
        if not dipped and chip.pages_programmed > pages and rig.bench is not None:
            dipped = True
            chip.power(False, rig.bench.clock.now())
            chip.power(True, rig.bench.clock.now() + 1e-3)

    rig.faults = UsbFaults(on_transfer=dip)
    with pytest.raises(SupplyLostError), rig.connect("MX25L25635E", 30e6) as connection:
        restore(connection, shelf, Image("new", new), WATCHER, FREELY, agree=yes)
    assert dipped
    assert bytes(chip.contents[: 256 * KIB]) == noise(1, 256 * KIB)
    rig.faults = UsbFaults()
    chip.power(False, 1e9)
    with rig.connect("MX25L25635E", 30e6) as connection:
        restore(connection, shelf, None, WATCHER, agree=yes)
    assert bytes(chip.contents) == new
    assert len(chip.contents) == size
