"""Writing: only what differs, never without a way back, and safe against cuts."""

from __future__ import annotations

import hashlib
import random
import shutil
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from hwmocks.boards.heron import failed_card_flash, heron_open, heron_variant
from hwmocks.nor.chip import NorChip
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import (
    ChipProtectedError,
    ChipUnknownError,
    DeclinedError,
    ImageError,
    NoBackupError,
    SpiflashError,
)
from spiflash.jobs.backup import back_up, verify
from spiflash.jobs.image import Image, load_image
from spiflash.jobs.write import (
    Work,
    WriteOptions,
    blank,
    prepare,
    refuse_other_boards_items,
    restore,
)
from spiflash.nor.commands import write_enable, write_register
from tests.job_rig import WATCHER, Rig, heron_rig
from tests.small_board import Said

SECTOR = 4096
FREELY = WriteOptions(without_backup=True)


def yes(work: Work) -> bool:
    return True


@pytest.fixture(scope="module")
def backups(tmp_path_factory: pytest.TempPathFactory) -> Backups:
    return Backups(tmp_path_factory.mktemp("backups"))


@dataclass
class Backups:
    """Shelves with a backup of one board each, made once and copied."""

    folder: Path
    made: dict[bytes, Path] = field(default_factory=dict)

    def saved(self, rig: Rig, shelf: Shelf) -> bytes:
        """Put a backup of the chip on the shelf; the contents."""
        contents = bytes(rig.chip.contents)
        key = rig.chip.unique_id + hashlib.sha256(contents).digest()
        if key not in self.made:
            self.made[key] = self.folder / str(len(self.made))
            with rig.connect() as connection:
                back_up(connection, Shelf(self.made[key]), WATCHER)
        shutil.copytree(self.made[key], shelf.root, dirs_exist_ok=True)
        return contents


def test_five_per_cent_of_the_sectors_and_no_others(shelf: Shelf, backups: Backups) -> None:
    rig = heron_rig()
    old = backups.saved(rig, shelf)
    rng = random.Random(20)
    sectors = sorted(rng.sample(range(2048), 102))
    new = bytearray(old)
    for sector in sectors:
        new[sector * SECTOR : (sector + 1) * SECTOR] = rng.randbytes(SECTOR)
    with rig.connect() as connection:
        done = restore(connection, shelf, Image("new", bytes(new)), WATCHER, agree=yes)
    assert bytes(rig.chip.contents) == bytes(new)
    wear = rig.chip.wear
    touched = [i for i, erases in enumerate(wear) if erases]
    # A blank sector needs no erase before it is written; no sector outside may be erased.
    blank = {s for s in sectors if old[s * SECTOR : (s + 1) * SECTOR] == b"\xff" * SECTOR}
    assert set(touched) <= set(sectors)
    assert set(sectors) - set(touched) <= blank
    assert max(wear) == 1
    assert done.proof is not None
    assert not done.repaired
    assert not open_journals(shelf.journals).whole


def test_nothing_is_written_when_nothing_differs(shelf: Shelf, backups: Backups) -> None:
    rig = heron_rig()
    old = backups.saved(rig, shelf)
    with rig.connect() as connection:
        done = restore(connection, shelf, Image("same", old), WATCHER, agree=yes)
    assert not done.plan.steps
    assert rig.chip.pages_programmed == 0
    assert not rig.chip.erased


def test_recovery_after_a_failed_card_update(shelf: Shelf, backups: Backups) -> None:
    rig = heron_rig()
    factory = backups.saved(rig, shelf)
    rig.chip.contents[:] = failed_card_flash(factory, heron_open(), 0x265000)
    with rig.connect() as connection:
        restore(connection, shelf, Image("factory", factory), WATCHER, agree=yes)
        assert verify(connection, Image("factory", factory), WATCHER).equal
    assert bytes(rig.chip.contents) == factory


def test_a_small_image_leaves_its_neighbours(shelf: Shelf, backups: Backups) -> None:
    rig = heron_rig()
    old = backups.saved(rig, shelf)
    piece = Image("piece", bytes(range(256)) * 5)
    with rig.connect() as connection:
        restore(connection, shelf, piece, WATCHER, WriteOptions(at=0x40123), agree=yes)
    expected = old[:0x40123] + piece.contents + old[0x40123 + 1280 :]
    assert bytes(rig.chip.contents) == expected


def test_erase_of_a_range_keeps_the_rest(shelf: Shelf, backups: Backups) -> None:
    rig = heron_rig()
    old = backups.saved(rig, shelf)
    with rig.connect() as connection:
        restore(
            connection,
            shelf,
            blank(connection, 0x440100, 0x10000),
            WATCHER,
            WriteOptions(at=0x440100),
            agree=yes,
        )
    assert bytes(rig.chip.contents) == old[:0x440100] + b"\xff" * 0x10000 + old[0x450100:]


def test_the_whole_chip_can_be_blanked(shelf: Shelf, backups: Backups) -> None:
    rig = heron_rig()
    backups.saved(rig, shelf)
    with rig.connect() as connection:
        restore(connection, shelf, blank(connection, 0, None), WATCHER, agree=yes)
    assert bytes(rig.chip.contents) == b"\xff" * (8 << 20)


# -- refusals: each before anything is changed -----------------------------------------------


def refused(
    rig: Rig,
    shelf: Shelf,
    kind: type[SpiflashError],
    image: Image,
    *,
    agree: object = yes,
    **how: object,
) -> SpiflashError:
    before = rig.chip.snapshot()
    with pytest.raises(kind) as caught, rig.connect() as connection:
        restore(connection, shelf, image, WATCHER, WriteOptions(**how), agree=agree)  # type: ignore[arg-type]
    assert rig.chip.snapshot() == before
    assert rig.chip.pages_programmed == 0
    assert not rig.chip.erased
    error = caught.value
    assert error.cause
    assert error.state
    assert not open_journals(shelf.journals).whole
    return error


def test_without_a_backup_it_is_refused(tmp_path: Path, backups: Backups) -> None:
    error = refused(heron_rig(), Shelf(tmp_path), NoBackupError, Image("x", heron_open()))
    assert "--without-backup" in error.remedy


def test_another_boards_backup_does_not_count(shelf: Shelf, backups: Backups) -> None:
    other = Rig(NorChip("W25Q64JV", heron_variant(9), seed=99))
    backups.saved(other, shelf)
    refused(heron_rig(), shelf, NoBackupError, Image("x", heron_open()))


def test_a_named_backup_of_another_board_is_refused(shelf: Shelf, backups: Backups) -> None:
    other = Rig(NorChip("W25Q64JV", heron_variant(9), seed=99))
    backups.saved(other, shelf)
    foreign = shelf.sets().sets[0].path
    refused(heron_rig(), shelf, NoBackupError, Image("x", heron_open()), backup=foreign)


def test_another_boards_set_is_named_before_the_question(tmp_path: Path, backups: Backups) -> None:
    shelf, other, rig = Shelf(tmp_path), Rig(NorChip("W25Q64JV", seed=99)), heron_rig()
    other.chip.contents[:] = heron_variant(9)
    with other.connect() as connection:
        back_up(connection, shelf, WATCHER, board="the neighbour")
    theirs = load_image(shelf.sets().sets[0].path)
    backups.saved(rig, shelf)
    said = Said()
    with rig.connect() as connection:
        work = prepare(connection, shelf, theirs, said, WriteOptions())
        ours = prepare(connection, shelf, load_image(work.backup.path), said, WriteOptions())  # type: ignore[union-attr]
    assert work.of_another_board
    assert not ours.of_another_board
    with pytest.raises(ImageError, match="is a backup of another board"):
        refuse_other_boards_items(work)
    refuse_other_boards_items(ours)
    assert [line for line in said.lines if "another board (the neighbour)" in line]
    assert (work.source, work.chip, work.plan.size) == (theirs.name, "W25Q64 family", 8 << 20)
    assert not rig.chip.erased


def test_a_tampered_backup_does_not_count(shelf: Shelf, backups: Backups) -> None:
    rig = heron_rig()
    backups.saved(rig, shelf)
    with (shelf.sets().sets[0].path / "data" / "flash.bin").open("r+b") as file:
        file.seek(0x1234)
        file.write(b"?")
    refused(rig, shelf, NoBackupError, Image("x", heron_open()))


def test_an_image_that_does_not_fit_is_refused(tmp_path: Path, backups: Backups) -> None:
    big = Image("sixteen", heron_open() * 2)
    error = refused(heron_rig(), Shelf(tmp_path), ImageError, big, without_backup=True)
    assert "chip of this size" in error.remedy
    padded = Image("padded", heron_open() + b"\xff" * (8 << 20))
    error = refused(heron_rig(), Shelf(tmp_path), ImageError, padded, without_backup=True)
    assert "cut the file at 8,388,608 bytes" in error.remedy


def test_saying_no_changes_nothing(tmp_path: Path, backups: Backups) -> None:
    refused(
        heron_rig(),
        Shelf(tmp_path),
        DeclinedError,
        Image("x", heron_open()),
        without_backup=True,
        agree=lambda work: False,
    )


def test_a_protected_range_is_refused(shelf: Shelf, backups: Backups) -> None:
    """BP2-BP0 = 001 protects the upper 1/64 of a W25Q64JV (data sheet rev. J, table of
    section 7.1.13, from memory): 7E0000h to 7FFFFFh."""
    rig = heron_rig()
    old = backups.saved(rig, shelf)
    with rig.connect() as connection:
        connection.bus.run([write_enable(), write_register(0x01, b"\x04", rest=0.1)])
    error = refused(rig, shelf, ChipProtectedError, Image("x", old[:-1] + b"\x00"))
    assert "7E0000h" in error.cause
    # Below the protected range the same chip may be written.
    with rig.connect() as connection:
        restore(connection, shelf, Image("y", b"\x00" * 16), WATCHER, agree=yes)
    assert bytes(rig.chip.contents[:16]) == bytes(16)


def test_a_chip_that_is_not_in_the_table_is_only_read(tmp_path: Path, backups: Backups) -> None:
    rig = heron_rig()
    rig.chip.relabel(b"\x5a\x5a\x17")
    error = refused(
        rig, Shelf(tmp_path), ChipUnknownError, Image("x", b"\x00"), without_backup=True
    )
    assert "--part" in error.remedy


def test_a_block_whose_erase_was_cut_short_is_erased_again(shelf: Shelf, backups: Backups) -> None:
    """Whatever it reads: cells that were erased half-way may be weak. What stood there comes
    back, and nothing else is touched."""
    rig = heron_rig()
    old = backups.saved(rig, shelf)
    block = (0x200000, 0x210000)
    with rig.connect() as connection:
        image = Image("same", old[block[0] : block[1]])
        done = restore(
            connection,
            shelf,
            image,
            WATCHER,
            WriteOptions(at=block[0], erase_again=(block,)),
            agree=yes,
        )
    erased = sum(high - low for low, high in done.plan.erased)
    assert erased == block[1] - block[0]
    assert all(block[0] <= low < high <= block[1] for low, high in done.plan.erased)
    assert bytes(rig.chip.contents) == old
