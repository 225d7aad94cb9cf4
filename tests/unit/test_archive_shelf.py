"""The shelf: names never collide, broken sets are reported, and a chip finds its own backups."""

from __future__ import annotations

import errno
import json
import os
import resource
import shutil
import stat
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spiflash.archive.backupset import BackupSet, open_set, write_bag
from spiflash.archive.shelf import SetsOfChip, Shelf
from spiflash.errors import BackupSetError, NoBackupError, ShelfError
from spiflash.files import default_root
from spiflash.jobs.write import named_backup
from spiflash.nor.chip import ChipIdentity
from tests.archive_samples import MADE, chip_of, contents_of, record_of

CONTENTS = contents_of(2)
RECORD = record_of(CONTENTS)
CHIP = RECORD.chip
UNIQUE = CHIP.unique_id or ""


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "deep" / "shelf")


def test_a_placed_set_is_found_again(shelf: Shelf) -> None:
    placed = shelf.place(RECORD, CONTENTS, b"\x01\x02", "<p>")
    assert placed.name == "2026-05-04-193012_W25Q64JV_Heron-gauge-07"
    listing = shelf.sets()
    assert listing.broken == ()
    (found,) = listing.sets
    assert found == placed == open_set(placed.path)
    assert found.record == RECORD
    assert found.contents() == CONTENTS
    assert found.otp() == b"\x01\x02"
    assert found.page.read_text() == "<p>"
    assert found.bag.info["Bagging-Date"] == "2026-05-04"
    assert stat.S_IMODE(shelf.root.stat().st_mode) == 0o700


def test_a_chip_without_security_registers_has_no_otp(shelf: Shelf) -> None:
    placed = shelf.place(RECORD, CONTENTS, None, "")
    assert placed.otp() is None
    assert "otp.bin" not in placed.bag.payload


def test_a_shelf_that_does_not_exist_is_empty(shelf: Shelf) -> None:
    listing = shelf.sets()
    assert (listing.sets, listing.broken) == ((), ())
    assert not shelf.root.exists()


def test_the_same_moment_gets_another_name(shelf: Shelf) -> None:
    names = [shelf.place(RECORD, CONTENTS, None, "").name for _ in range(3)]
    assert len(set(names)) == 3
    assert len(shelf.sets().sets) == 3


@settings(deadline=None)
@given(
    board=st.text(st.characters(exclude_categories=["Cs"]), max_size=300),
    name=st.sampled_from(["W25Q64JV", "../../etc/x", "..", "", "MX25L6406E/MX25L6408E"]),
)
def test_no_label_leads_out_of_the_shelf(
    tmp_path_factory: pytest.TempPathFactory, board: str, name: str
) -> None:
    shelf = Shelf(tmp_path_factory.mktemp("shelf"))
    record = replace(RECORD, board=board, chip=chip_of(len(CONTENTS), name=name))
    placed = shelf.place(record, CONTENTS, None, "")
    assert placed.path.parent == shelf.root
    assert set(placed.name) <= set(
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
    )
    assert len(placed.name) <= 100
    assert placed.record.board == board
    assert len(shelf.sets().sets) == 1


def test_contents_that_the_record_does_not_describe_are_not_placed(shelf: Shelf) -> None:
    with pytest.raises(ValueError, match="does not describe"):
        shelf.place(RECORD, CONTENTS[:-1] + b"\x00", None, "")
    assert not shelf.root.exists()


def test_broken_sets_are_named_and_skipped(shelf: Shelf) -> None:
    good = shelf.place(RECORD, CONTENTS, None, "")
    changed = shelf.place(RECORD, CONTENTS, None, "")
    (changed.path / "data/flash.bin").write_bytes(CONTENTS[::-1])
    unreadable = shelf.place(RECORD, CONTENTS, None, "")
    (unreadable.path / "data/record.json").write_bytes(b"\xff")
    piped = shelf.place(RECORD, CONTENTS, None, "")
    (piped.path / "data/record.json").unlink()
    os.mkfifo(piped.path / "data/record.json")
    (shelf.root / "empty").mkdir()
    (shelf.root / ".half.partial-abc").mkdir()
    shelf.journals.mkdir()
    (shelf.root / "ledger.jsonl").write_text("")

    listing = shelf.sets()
    assert [each.path for each in listing.sets] == [good.path]
    reasons = {each.path: each.error.cause for each in listing.broken}
    assert set(reasons) == {changed.path, unreadable.path, piped.path, shelf.root / "empty"}
    assert "flash.bin was changed after the set was made" in reasons[changed.path]
    assert "record.json is not UTF-8" in reasons[unreadable.path]
    assert "record.json is a link or a special file" in reasons[piped.path]
    assert "record.json is missing" in reasons[shelf.root / "empty"]


def test_a_record_of_other_contents_is_refused(tmp_path: Path) -> None:
    for record, named in (
        (record_of(contents_of(2, seed=2)), "does not describe flash.bin"),
        (replace(RECORD, size=8191), "has 8192 bytes, but record.json says 8191"),
    ):
        path = tmp_path / named
        payload = {"flash.bin": CONTENTS, "record.json": record.to_json().encode()}
        write_bag(path, payload, {}, {})
        with pytest.raises(BackupSetError, match=named):
            open_set(path)


def test_contents_that_change_after_opening_are_refused(shelf: Shelf) -> None:
    placed = shelf.place(RECORD, CONTENTS, None, "")
    (placed.path / "data/flash.bin").write_bytes(CONTENTS[::-1])
    with pytest.raises(BackupSetError, match="after the set was opened"):
        placed.contents()
    (placed.path / "data/flash.bin").unlink()
    with pytest.raises(ShelfError, match="No such file"):
        placed.contents()


def test_newest_first(shelf: Shelf) -> None:
    ages = [3, 1, 2]
    for days in ages:
        record = replace(RECORD, made=MADE - timedelta(days=days))
        shelf.place(record, CONTENTS, None, "")
    assert [(MADE - each.record.made).days for each in shelf.sets().sets] == sorted(ages)


def identity(unique_id: str | None, size: int) -> ChipIdentity:
    return ChipIdentity.from_hex(CHIP.jedec_id, unique_id, size)


def newest_verified(shelf: Shelf, unique_id: str, size: int) -> BackupSet | None:
    sets = shelf.backups_of(identity(unique_id, size)).sets
    return next((each for each in sets if each.record.verified), None)


def test_only_this_very_chip_counts(shelf: Shelf) -> None:
    size = len(CONTENTS)
    unverified = {"verified": False, "doubts": ("One pass only.",)}
    own = shelf.place(RECORD, CONTENTS, None, "")
    shelf.place(replace(RECORD, made=MADE + timedelta(days=1), **unverified), CONTENTS, None, "")
    for chip in (
        chip_of(size, unique_id="d2647c8f1b2a3c46"),
        chip_of(size, jedec_id="c84017"),
        chip_of(size, unique_id=None),
    ):
        later = replace(RECORD, chip=chip, made=MADE + timedelta(days=2))
        shelf.place(later, CONTENTS, None, "")
    other = contents_of(1)
    shelf.place(record_of(other, chip=CHIP, made=MADE + timedelta(days=3)), other, None, "")

    assert newest_verified(shelf, UNIQUE, size) == own
    assert len(shelf.backups_of(identity(UNIQUE, size)).sets) == 2
    assert len(shelf.backups_of(identity(None, size)).sets) == 1
    assert newest_verified(shelf, "d2647c8f1b2a3c47", size) is None
    assert newest_verified(shelf, UNIQUE, size + 1) is None


def test_the_newest_whole_one_counts(shelf: Shelf) -> None:
    older = shelf.place(RECORD, CONTENTS, None, "")
    newer = shelf.place(replace(RECORD, made=MADE + timedelta(days=1)), CONTENTS, None, "")
    size = len(CONTENTS)
    assert newest_verified(shelf, UNIQUE, size) == newer
    (newer.path / "data/flash.bin").write_bytes(CONTENTS[::-1])
    assert newest_verified(shelf, UNIQUE, size) == older
    assert [each.path for each in shelf.backups_of(identity(UNIQUE, size)).broken] == [newer.path]


@pytest.mark.parametrize("constant", ["ff" * 8, "00" * 8])
def test_a_constant_answer_identifies_nothing(shelf: Shelf, constant: str) -> None:
    record = replace(RECORD, chip=chip_of(len(CONTENTS), unique_id=constant))
    shelf.place(record, CONTENTS, None, "")
    # It counts as a chip without one, for which the contents decide.
    assert identity(constant, len(CONTENTS)).unique_id is None
    (found,) = shelf.backups_of(identity(None, len(CONTENTS))).sets
    assert found.record.identity.unique_id is None


def test_a_claim_of_verified_by_hand_is_noticed(shelf: Shelf) -> None:
    doubtful = replace(RECORD, verified=False, doubts=("One pass only.",))
    placed = shelf.place(doubtful, CONTENTS, None, "")
    file = placed.path / "data/record.json"
    file.write_text(json.dumps(json.loads(file.read_text()) | {"verified": True, "doubts": []}))
    assert newest_verified(shelf, UNIQUE, len(CONTENTS)) is None


def test_a_shelf_that_cannot_be_made_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    shelf = Shelf(tmp_path / "file" / "shelf")
    with pytest.raises(ShelfError) as caught:
        shelf.place(RECORD, CONTENTS, None, "")
    assert caught.value.remedy
    with pytest.raises(ShelfError):
        Shelf(tmp_path / "file").sets()


def test_a_full_disk_leaves_nothing_listed(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    room = [3000]

    def full(descriptor: int, data: memoryview) -> int:
        if not room[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        written = write(descriptor, bytes(data)[: room[0]])
        room[0] -= written
        return written

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(ShelfError, match="disk is full"):
        shelf.place(RECORD, CONTENTS, None, "")
    assert not os.listdir(shelf.root)
    listing = shelf.sets()
    assert (listing.sets, listing.broken) == ((), ())


def test_a_write_that_the_kernel_refuses_leaves_nothing_listed(shelf: Shelf) -> None:
    """A real refusal in the middle of a file: the limit on file sizes (setrlimit(2), Linux)."""
    child = os.fork()
    if child == 0:
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
            shelf.place(RECORD, CONTENTS, None, "")
        except ShelfError as error:
            os._exit(7 if "File too large" in error.cause else 8)
        finally:
            os._exit(1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7
    assert not os.listdir(shelf.root)
    shelf.place(RECORD, CONTENTS, None, "")
    assert len(shelf.sets().sets) == 1


def test_the_default_is_the_users_data_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification: $XDG_DATA_HOME/PROGRAM on free desktops."""
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_root() == tmp_path / "spiflash" / "shelf"
    assert Shelf(tmp_path).journals == tmp_path / "journals"


def test_a_shelf_without_room_is_known_before_reading(tmp_path: Path) -> None:
    free = shutil.disk_usage(tmp_path).free
    with pytest.raises(ShelfError, match="disk is full"):
        Shelf(tmp_path / "shelf").prepare(free * 2)


def test_a_file_in_the_shelfs_place_is_named_as_such(tmp_path: Path) -> None:
    (tmp_path / "shelf").write_text("")
    with pytest.raises(ShelfError, match="There is a file where a folder is needed"):
        Shelf(tmp_path / "shelf").prepare()


def test_preparing_leaves_nothing_behind(tmp_path: Path) -> None:
    Shelf(tmp_path / "shelf").prepare(1)
    assert list((tmp_path / "shelf").iterdir()) == []


class OnTheClip:
    """As much of a connection as it takes to ask whose a set is."""

    def __init__(self, size: int, unique_id: str) -> None:
        self.identity = ChipIdentity.from_hex(CHIP.jedec_id, unique_id, size)


def test_a_set_from_before_the_unique_id_could_be_read_is_still_this_boards(shelf: Shelf) -> None:
    """Earlier versions noted none for EN25QH and SST26. Such a set counts where a person names it
    or where its contents are the board's."""
    size = len(CONTENTS)
    board: Any = OnTheClip(size, UNIQUE)
    kept = shelf.place(replace(RECORD, chip=chip_of(size, unique_id=None)), CONTENTS, None, "")
    other = shelf.place(
        replace(RECORD, chip=chip_of(size, unique_id="d2647c8f1b2a3c46"), made=MADE - timedelta(1)),
        CONTENTS,
        None,
        "",
    )
    assert SetsOfChip(board.identity, shelf).holding(CONTENTS) == [kept]
    assert SetsOfChip(board.identity, shelf).holding(contents_of(1)) == []
    assert named_backup(kept.path, board) == kept
    with pytest.raises(NoBackupError, match="another chip"):
        named_backup(other.path, board)
