"""Files and folders that are not what they should be, met by the real program.

Permissions are tested without the right to override them: root is asked to give it up with
setpriv(1), and other users lack it anyway.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from hwmocks import store
from spiflash.archive.shelf import Shelf
from spiflash.cli.main import run
from spiflash.errors import ImageError
from spiflash.jobs.image import LIMIT, load_image
from tests.jobs.cli_rig import (
    Bench,
    assert_said,
    assert_said_in_json,
    contents_of,
    new_bench,
    power_cycles_apart,
)

WITHOUT_OVERRIDE = (
    ("setpriv", "--bounding-set=-dac_override,-dac_read_search", "--") if os.geteuid() == 0 else ()
)


def the_set(here: Bench) -> Path:
    (found,) = (path for path in here.shelf.iterdir() if path.name != "journals")
    return found


# -- images ----------------------------------------------------------------------------------


def empty(path: Path) -> None:
    path.write_bytes(b"")


def too_big(path: Path) -> None:
    path.write_bytes(bytes((8 << 20) + 1))


def far_too_big(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(LIMIT + 1)


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def a_device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def a_folder(path: Path) -> None:
    path.mkdir()


def a_loop(path: Path) -> None:
    path.symlink_to(path)


def nothing(path: Path) -> None:
    pass


BAD_IMAGES: list[tuple[Callable[[Path], None], str]] = [
    (empty, "empty"),
    (too_big, "1 byte too long"),
    (far_too_big, "more than any chip"),
    (a_pipe, "not a file"),
    (a_device, "not a file"),
    (a_folder, "not a backup set"),
    (a_loop, "cannot be read"),
    (nothing, "cannot be read"),
]


@pytest.mark.parametrize(
    ("make", "word"), BAD_IMAGES, ids=lambda value: getattr(value, "__name__", "")
)
def test_an_image_that_is_none(
    here: Bench,
    capfd: pytest.CaptureFixture[str],
    make: Callable[[Path], None],
    word: str,
) -> None:
    image = here.folder / "image"
    make(image)
    before = here.flash
    ended = here.on_board("restore", image, "--yes")
    assert_said(ended, ImageError.status, "image", word)
    assert here.flash == before
    run(["verify", str(image), "--adapter", f"sim:{here.board}", "--json"])
    assert json.loads(capfd.readouterr().out)["error"] == "ImageError"


@pytest.mark.parametrize("name", ["image", "folder", "locked/image"])
def test_an_image_that_may_not_be_read(here: Bench, name: str) -> None:
    path = here.folder / name
    if name == "folder":
        path.mkdir(mode=0)
    else:
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"image")
        (path.parent if "/" in name else path).chmod(0)
    try:
        ended = here.on_board("restore", path, "--yes", wrap=WITHOUT_OVERRIDE)
    finally:
        here.folder.joinpath(name.split("/")[0]).chmod(0o700)
    assert_said(ended, ImageError.status, "Permission denied")


class Unsteady:
    """Stands for fstat(2), and changes the file right after its size was asked for first."""

    def __init__(self, path: Path, size: int) -> None:
        self._path, self._size, self._real, self._asked = path, size, os.fstat, False

    def __call__(self, descriptor: int) -> os.stat_result:
        found = self._real(descriptor)
        if not self._asked:
            self._asked = True
            os.truncate(self._path, self._size)
        return found


@pytest.mark.parametrize("size", [0, 1, 4095, 4097, 65536])
def test_an_image_that_changes_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    path = tmp_path / "image"
    path.write_bytes(bytes(4096))
    monkeypatch.setattr(os, "fstat", Unsteady(path, size))
    with pytest.raises(ImageError) as caught:
        load_image(path)
    assert "changed while it was read" in caught.value.cause
    assert caught.value.state
    assert caught.value.remedy


@pytest.mark.parametrize(
    "name",
    ["with space", "-dash", "two\nlines", "%s{}'河\"$HOME \x1b[31m"],
)
def test_files_of_any_name(
    here: Bench, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.chdir(here.folder)
    Path(name).write_bytes(b"\x00")
    assert run(["verify", "--adapter", "sim:board", "--at", "4M", "--", name]) == 31
    said = capfd.readouterr()
    assert "\x1b" not in said.err
    Path(name).write_bytes(here.flash[:5000])
    assert run(["verify", "--adapter", "sim:board", "--json", "--", name]) == 0
    assert json.loads(capfd.readouterr().out)["equal"] is True


def test_a_name_that_is_no_text(here: Bench) -> None:
    name = os.fsencode(here.folder) + b"/n\xff\xfe"
    with open(name, "wb") as file:
        file.write(here.flash)
    found = here.on_board("verify", name, "--json")
    assert found.status == 0
    assert found.document["equal"] is True
    with open(name, "r+b") as file:
        file.write(b"other")
    ended = here.on_board("restore", name, "--yes")
    assert (ended.status, here.flash[:5]) == (0, b"other"), ended.err


# -- backup sets -----------------------------------------------------------------------------

FILES = (
    "bagit.txt",
    "bag-info.txt",
    "manifest-sha256.txt",
    "tagmanifest-sha256.txt",
    "data/flash.bin",
    "data/record.json",
    "report.html",
)


def edited(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def shortened(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def removed(path: Path) -> None:
    path.unlink()


def piped(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


@pytest.mark.parametrize("spoil", [edited, shortened, removed, piped], ids=lambda one: one.__name__)
@pytest.mark.parametrize("name", FILES)
def test_a_set_changed_by_hand_is_refused(
    saved: Bench,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
    name: str,
    spoil: Callable[[Path], None],
) -> None:
    copy = tmp_path / "set"
    shutil.copytree(the_set(saved), copy)
    spoil(copy / name)
    status = run(["verify", str(copy), "--adapter", "sim:heron"])
    said = capfd.readouterr()
    assert (status, said.out) == (42, "")
    assert len(said.err.splitlines()) == 3
    assert str(copy) in said.err
    assert "Traceback" not in said.err


def test_a_spoilt_set_is_no_backup_of_this_chip(here: Bench) -> None:
    edited(the_set(here) / "data/flash.bin")
    image = here.folder / "image"
    image.write_bytes(b"new")
    before = here.flash
    ended = here.on_board("restore", image, "--yes")
    assert_said(ended, 41, "backup")
    assert here.flash == before
    assert_said_in_json(here.on_board("restore", image, "--yes", "--json"), 41, "NoBackupError")


# -- chip tables -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", ("mine.toml",)),
        (b'vendor = "Test"\n\n[[part]]\nname = 5\n', ("mine.toml", "4")),
        (b'vendor = "Test"\nnonsense = 1\n', ("mine.toml:2", "nonsense")),
        (b'vendor = "Test\n', ("mine.toml:1",)),
        (b'vendor = "Test"\n# \xff\n', ("mine.toml:2", "UTF-8")),
        (b"\x00" * 64, ("mine.toml:1",)),
        (b"[" * 20000, ("mine.toml",)),
        (b"a = 1" + b"0" * 5000, ("mine.toml",)),
    ],
    ids=["empty", "type", "key", "quote", "utf-8", "binary", "deep", "digits"],
)
def test_a_chip_table_with_an_error(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], text: bytes, words: tuple[str, ...]
) -> None:
    table = tmp_path / "mine.toml"
    table.write_bytes(text)
    assert run(["identify", "--adapter", "sim:heron", "--chips", str(table)]) == 50
    said = capfd.readouterr()
    assert said.out == ""
    for word in words:
        assert word in said.err


@pytest.mark.parametrize(
    "make", [a_pipe, a_device, a_folder, a_loop, nothing], ids=lambda m: m.__name__
)
def test_a_chip_table_that_is_no_file(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "mine.toml")
    ended = Bench(tmp_path).run("identify", "--adapter", "sim:heron", "--chips", "mine.toml")
    assert_said(ended, 50, "mine.toml")


# -- the simulated board ---------------------------------------------------------------------


def with_field(name: str, value: object) -> Callable[[Path], None]:
    def spoil(board: Path) -> None:
        path = board / store.STATE
        document = json.loads(path.read_text())
        document[name] = value
        path.write_text(json.dumps(document))

    return spoil


def with_text(text: bytes) -> Callable[[Path], None]:
    def spoil(board: Path) -> None:
        (board / store.STATE).write_bytes(text)

    return spoil


BROKEN_BOARDS: dict[str, Callable[[Path], None]] = {
    "no state": lambda board: (board / store.STATE).unlink(),
    "no contents": lambda board: (board / store.CONTENTS).unlink(),
    "short": lambda board: os.truncate(board / store.CONTENTS, 5),
    "long": lambda board: os.truncate(board / store.CONTENTS, (8 << 20) + 1),
    "no JSON": with_text(b'{"format":'),
    "no UTF-8": with_text(b"\xff"),
    "list": with_text(b"[]"),
    "deep": with_text(b"[" * 100_000),
    "digits": with_text(b'{"format": ' + b"1" * 5000 + b"}"),
    "format": with_field("format", 99),
    "chip": with_field("chip", "NOSUCH"),
    "unique ID": with_field("unique_id", "zz"),
    "registers": with_field("registers", {}),
    "security": with_field("security", ["00"]),
    "wear": with_field("wear", {"99999": 1}),
    "wear digits": with_field("wear", {"1" * 5000: 1}),
    "stuck": with_field("stuck", [[0, 1]]),
    "seed": with_field("seed", None),
}


@pytest.mark.parametrize("kind", BROKEN_BOARDS)
def test_a_broken_board_folder(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], kind: str
) -> None:
    here = new_bench(tmp_path)
    BROKEN_BOARDS[kind](here.board)
    before = contents_of(here.board)
    assert run(["identify", "--adapter", f"sim:{here.board}"]) == 2
    said = capfd.readouterr()
    assert said.out == ""
    assert str(here.board) in said.err
    assert contents_of(here.board) == before


def test_a_board_is_made_in_an_empty_folder(tmp_path: Path) -> None:
    (tmp_path / "board").mkdir()
    here = Bench(tmp_path)
    assert here.run("identify", "--adapter", "sim:board?new=heron").status == 0
    assert len(here.flash) == 8 << 20


def test_a_board_folder_that_cannot_be_written(here: Bench) -> None:
    before = power_cycles_apart(contents_of(here.board))
    here.board.chmod(0o500)
    try:
        ended = here.on_board("identify", "--json", wrap=WITHOUT_OVERRIDE)
    finally:
        here.board.chmod(0o700)
    # The result is out already: one document, not two.
    assert ended.status == 13
    assert ended.document["chip"]
    assert "Permission denied" in ended.err
    assert "Traceback" not in ended.err
    assert power_cycles_apart(contents_of(here.board)) == before


# -- the shelf -------------------------------------------------------------------------------


@pytest.mark.parametrize("place", ["shelf", "shelf/new/deep"])
def test_a_shelf_that_cannot_be_written(here: Bench, place: str) -> None:
    here.shelf.chmod(0o500)
    before = contents_of(here.shelf)
    try:
        ended = here.run(
            "backup", "--adapter", "sim:heron", "--shelf", place, wrap=WITHOUT_OVERRIDE
        )
    finally:
        here.shelf.chmod(0o700)
    assert_said(ended, 43, "Permission denied")
    assert contents_of(here.shelf) == before


def test_a_disk_that_fills_up(here: Bench) -> None:
    """RLIMIT_FSIZE stands for the full disk: the write of the contents fails half-way."""
    before = contents_of(here.shelf)
    ended = here.run(
        "backup",
        "--adapter",
        "sim:heron",
        "--shelf",
        here.shelf,
        wrap=("prlimit", f"--fsize={4 << 20}"),
    )
    assert_said(ended, 43, "File too large")
    assert contents_of(here.shelf) == before
    assert [path.name for path in here.shelf.iterdir()] == [the_set(here).name]


def test_a_disk_that_is_full_before_the_chip_is_changed(here: Bench) -> None:
    """No room for the journal: then nothing may be erased."""
    image = here.folder / "image"
    image.write_bytes(bytes(8 << 20))
    before, shelf = here.flash, contents_of(here.shelf)
    ended = here.on_board(
        "restore", image, "--yes", wrap=("prlimit", f"--fsize={1 << 20}"), stdout=subprocess.PIPE
    )
    assert ended.status not in (0, 70), ended.err
    assert "Traceback" not in ended.err
    assert here.flash == before
    assert contents_of(here.shelf) == shelf
    assert not Shelf(here.shelf).sets().broken
