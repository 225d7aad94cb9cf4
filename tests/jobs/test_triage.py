"""Triage of simulated boards: the commands that it proposes, given as they are printed."""

from __future__ import annotations

import hashlib
import json
import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from hwmocks import store
from hwmocks.boards.heron import (
    heron_factory,
    heron_open,
    heron_variant,
    mac_address,
    serial_number,
)
from hwmocks.bricks import make_brick
from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.cli.main import run


class Board:
    """A simulated board in a folder, and the commands given for it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.capsys = capsys
        self.words = ["--adapter", f"sim:{folder / 'board'}", "--shelf", str(folder / "shelf")]
        assert self.give(["identify", "--adapter", f"sim:{folder / 'board'}?new=heron"])[0] == 0

    @property
    def flash(self) -> bytes:
        return (self.folder / "board" / store.CONTENTS).read_bytes()

    @flash.setter
    def flash(self, contents: bytes) -> None:
        (self.folder / "board" / store.CONTENTS).write_bytes(contents)

    def give(self, arguments: list[str]) -> tuple[int, str]:
        """Exit status and standard output of a command."""
        self.capsys.readouterr()
        status = run(arguments)
        return status, self.capsys.readouterr().out

    def backup(self) -> None:
        assert self.give(["backup", *self.words])[0] == 0

    def triage(self, *more: str) -> dict[str, Any]:
        status, out = self.give(["triage", *self.words, *more, "--json"])
        found = json.loads(out)
        assert isinstance(found, dict)
        assert status == {"intact": 0, "not checked": 3}.get(found["kind"], 1)
        return found

    def follow(self, found: dict[str, Any], number: int = 0) -> None:
        """Give the commands of a repair, as a person would, and agree."""
        for line in found["repairs"][number]["commands"]:
            words = shlex.split(line)
            assert words[0] == "spiflash"
            agreed = ["--yes"] if words[1] == "restore" else []
            status, _ = self.give([*words[1:], *agreed])
            assert status == (1 if words[1] == "triage" else 0), line


@pytest.fixture
def board(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: Any) -> Board:
    monkeypatch.chdir(tmp_path)
    return Board(tmp_path, capsys)


def test_from_the_backup_on_the_shelf(board: Board) -> None:
    """Kernel erased: one region, and nothing else is touched."""
    board.backup()
    good = heron_factory()
    board.flash = good[:0x70000] + b"\xff" * 0x190000 + good[0x200000:]
    found = board.triage()
    assert found["kind"] == "erased"
    kinds = {each["name"]: each["kind"] for each in found["regions"]}
    assert kinds.pop("kernel") == "erased"
    assert set(kinds.values()) == {"intact"}
    (repair,) = found["repairs"]
    assert repair["source"] == "this board's own backup"
    assert repair["regions"] == ["kernel"]
    assert not repair["save_first"]
    assert [shlex.split(line)[1] for line in repair["commands"]] == ["restore"]
    assert "--region kernel" in repair["commands"][0]
    assert found["card"] == {"files": ["heronldr.bin", "heronfw.img"], "open": True, "after": []}


def test_a_failed_update_saves_the_only_copy_first(board: Board) -> None:
    """The update's image is not at hand: what of it is on the chip exists nowhere else."""
    board.backup()
    board.flash = make_brick("interrupted", 1).contents
    damaged = board.flash
    found = board.triage()
    assert found["kind"] == "interrupted write"
    stop = make_brick("interrupted", 1).stop
    assert stop is not None
    assert found["stop"] // 4096 == stop // 4096
    assert found["repairs"][0]["save_first"]
    board.follow(found)
    assert board.flash == heron_factory()
    rescued = [path.read_bytes() for path in (board.folder / "shelf").glob("*/data/flash.bin")]
    assert damaged in rescued
    # The set that holds the damage is on the shelf now and must not be taken for the truth.
    board.flash = damaged
    again = board.triage()
    assert again["kind"] == "interrupted write"
    assert again["backup"] == found["backup"]
    # Nor may it speak against a set of the repaired board, which holds what the first one does.
    board.flash = heron_factory()
    board.backup()
    board.flash = damaged
    last = board.triage()
    assert last["kind"] == "interrupted write"
    assert Path(last["backup"]).joinpath("data", "flash.bin").read_bytes() == heron_factory()


def test_from_another_boards_dump_with_its_own_identity(board: Board) -> None:
    """No backup at all: another board's dump brings the firmware, never its addresses."""
    good = heron_factory()
    (board.folder / "other.bin").write_bytes(heron_variant(0x44))
    board.flash = (
        good[:0x1000] + b"\x00" * 0x300 + good[0x1300:0x40000] + bytes(0x10000) + (good[0x50000:])
    )
    found = board.triage("--image", "other.bin")
    (repair, *_) = found["repairs"]
    assert repair["source"] == "the model's image with this board's own data put back"
    assert set(repair["regions"]) == {"boot", "env"}
    words = [*board.words, "--image", str(board.folder / "other.bin")]
    said = " ".join(board.give(["triage", *words, "--details"])[1].split())
    assert "This board's own items, and what happens to them in the smallest repair" in said
    for own in (f"MAC address {mac_address(0x17)}", f"serial number {serial_number(0x17)}"):
        assert f"{own} stays" in said
    assert "invented-passphrase" not in said
    fates = {(each["kind"], each["text"]): each["fate"] for each in found["own"]}
    assert fates["mac", mac_address(0x17)] == fates["serial", serial_number(0x17)] == "stays"
    assert all(each["text"] == "••••••" for each in found["own"] if each["secret"])
    board.follow(found)
    assert board.flash == good


def test_the_boot_loader_first_and_the_rest_by_card(board: Board) -> None:
    good = heron_factory()
    board.backup()
    board.flash = b"\xff" * 0x40000 + good[0x40000:0x200000] + b"\xff" * 0x600000
    found = board.triage()
    assert found["card"] == {
        "files": ["heronldr.bin", "heronfw.img"],
        "open": False,
        "after": ["boot"],
    }
    source = found["backup"]
    assert board.give(["restore", source, "--region", "boot", "--yes", *board.words])[0] == 0
    assert board.flash == good[:0x200000] + b"\xff" * 0x600000


def test_nothing_at_hand(board: Board) -> None:
    """Checksums name the damage; nothing is proposed but saving what is there."""
    good = heron_factory()
    board.flash = good[:0x210000] + bytes(0x2000) + good[0x212000:]
    status, out = board.give(["triage", *board.words])
    assert status == 1
    assert "FILE SYSTEM DAMAGED" in out
    assert "boot is not proven" in out
    assert "The boot loader looks for: heronldr.bin, heronfw.img." in out
    assert "repeat with --image" in out
    assert board.flash == good[:0x210000] + bytes(0x2000) + good[0x212000:]


def test_the_open_image_keeps_what_is_the_boards_own(board: Board) -> None:
    """The open firmware's update died early: factory region and variables still exist.

    Kernel and root file system of the old firmware are whole: the least repair leaves them, and
    what finishes the update says that it overwrites them.
    """
    (board.folder / "open.img").write_bytes(heron_open())
    good, image = heron_factory(), heron_open()
    board.flash = image[:0x5000] + b"\xff" * 0xB000 + good[0x10000:]
    found = board.triage("--image", "open.img")
    assert found["kind"] == "interrupted write"
    least, wider = found["repairs"]
    assert least["regions"] == ["boot"]
    assert not least["overwrites_right"]
    assert {"kernel", "rootfs"} <= set(wider["regions"])
    assert wider["overwrites_right"]
    board.follow(found, 1)
    assert board.flash[:0x40000] == image[:0x40000]
    assert board.flash[0x50000:0x60000] == good[0x50000:0x60000]
    assert b"\0ethaddr=00:00:5e:00:53:17\0" in board.flash[0x40000:0x50000]
    assert board.flash[0x60000:0x400000] == image[0x60000:0x400000]
    assert board.flash[0x400000:] == good[0x400000:]


def test_an_interrupted_write_comes_first(board: Board) -> None:
    """Any job that writes leaves its journal: the way to finish it stands above the verdict, and
    what a batch took back can only be undone."""
    known = json.loads(board.give(["identify", "--json", *board.words[:2]])[1])
    chip = known["chip"]
    state = JournalState(
        chip["name"],
        chip["jedec_id"],
        chip["unique_id"],
        chip["size"],
        (Range(0, 0x1000),),
        "open.img",
        hashlib.sha256(heron_open()).hexdigest(),
        datetime(2026, 11, 20, 9, 30, tzinfo=UTC),
        at=0,
    )
    shelf = board.folder / "shelf" / "journals"
    journal = Journal.begin(shelf, state, board.flash, heron_open()[:0x1000])
    for way in ("--resume", "--undo"):
        said = board.give(["triage", *board.words])[1]
        first, command, _ = said.split("\n")[:3]
        assert "A write of open.img to this chip, begun on 2026-11-20 09:30, was interr" in first
        assert shlex.split(command) == ["spiflash", "restore", way, *board.words]
        (journal.path / "withdrawn.txt").write_text("batch 7")  # as earlier versions did
    assert "The batch “batch 7” took its values back" in first
    assert board.triage()["open_journal"] == str(journal.path)
    (journal.path / "state.json").write_text("{}")
    assert "has errors" in board.give(["triage", *board.words])[1].split("\n")[0]


def test_the_summary_fits_a_small_screen(board: Board) -> None:
    """80 by 24: the verdict is still there when the next step has been printed."""
    board.backup()
    board.flash = make_brick("interrupted", 1).contents
    said = board.give(["triage", *board.words])[1].splitlines()
    # Folder names are as long as the test's: commands are counted as the bench's own would be.
    rows = [1 + (0 if line.startswith("    ") else (len(line) - 1) // 80) for line in said]
    assert said[0].startswith("INTERRUPTED WRITE: ")
    assert sum(rows) <= 20
    assert said[-1].strip().startswith("spiflash restore")


def test_save_never_replaces_a_file(board: Board) -> None:
    board.backup()
    board.flash = b"\xff" * len(board.flash)
    (board.folder / "there.bin").write_bytes(b"mine")
    status, _ = board.give(["triage", *board.words, "--save", "there.bin"])
    assert status == 52
    assert (board.folder / "there.bin").read_bytes() == b"mine"


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (["--region", "kernal"], 51),
        (["--region", "0x7ff000+0x2000"], 40),
        (["--region", "0x0+0x0"], 2),
        (["--region", "boot", "--at", "0x1000"], 2),
        (["--layout", "none.toml"], 2),
    ],
)
def test_regions_that_make_no_sense(words: list[str], status: int, board: Board) -> None:
    (board.folder / "good.bin").write_bytes(heron_open())
    before = board.flash
    assert board.give(["restore", "good.bin", *words, "--yes", *board.words])[0] == status
    assert board.flash == before


def test_an_image_that_states_another_board_is_refused(board: Board) -> None:
    """Board 5's repaired image, given to board 6 by its name alone."""
    (board.folder / "other.bin").write_bytes(heron_variant(0x44))
    board.backup()
    before = board.flash
    words = ["restore", "other.bin", "--yes", *board.words]
    assert board.give(words)[0] == 40
    assert board.flash == before
    assert board.give([*words, "--other-board"])[0] == 0
    assert board.flash == heron_variant(0x44)
    # This board's own set is no stranger, whatever the chip holds.
    (own,) = (board.folder / "shelf").glob("*/data")
    assert board.give(["restore", str(own.parent), "--yes", *board.words])[0] == 0
    assert board.flash == before
