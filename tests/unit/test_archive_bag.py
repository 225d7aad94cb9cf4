"""Bags: any change is noticed and named; an interrupted write leaves nothing that looks whole."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spiflash.archive.backupset import check_bag, write_bag
from spiflash.errors import BackupSetError, ShelfError
from spiflash.files import NameTakenError
from tests.archive_samples import contents_of

CONTENTS = contents_of(2)
PAYLOAD: dict[str, bytes | Path] = {"flash.bin": CONTENTS, "record.json": b"{}\n"}


def make(folder: Path) -> Path:
    path = folder / "set"
    write_bag(path, PAYLOAD, {"External-Description": "Heron é"}, {"report.html": b"<p>\n"})
    return path


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return make(tmp_path)


@pytest.fixture(scope="module")
def shared_bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("bags"))


def files_of(path: Path) -> list[Path]:
    return sorted(each for each in path.rglob("*") if each.is_file())


def refusal(path: Path) -> str:
    with pytest.raises(BackupSetError) as caught:
        check_bag(path)
    return caught.value.cause


def test_holds_what_was_put_in(bag: Path, tmp_path: Path) -> None:
    checked = check_bag(bag)
    assert set(checked.payload) == set(PAYLOAD)
    assert checked.info["Payload-Oxum"] == f"{len(CONTENTS) + 3}.2"
    assert checked.info["External-Description"] == "Heron é"
    assert (bag / "data/flash.bin").read_bytes() == CONTENTS
    assert os.listdir(tmp_path) == ["set"]


def test_copies_files(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.write_bytes(CONTENTS * 200)  # more than one piece
    write_bag(tmp_path / "set", {"deep/er/flash.bin": source}, {}, {})
    check_bag(tmp_path / "set")
    assert (tmp_path / "set/data/deep/er/flash.bin").read_bytes() == source.read_bytes()


def test_nobody_else_can_read_it(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        path = make(tmp_path)
    finally:
        os.umask(before)
    modes = {each: stat.S_IMODE(each.stat().st_mode) for each in (path, *path.rglob("*"))}
    assert {mode for each, mode in modes.items() if each.is_dir()} == {0o700}
    assert {mode for each, mode in modes.items() if each.is_file()} == {0o600}


@pytest.mark.parametrize("occupant", ["file", "folder", "link"])
def test_an_existing_name_is_left_alone(tmp_path: Path, occupant: str) -> None:
    path = tmp_path / "set"
    if occupant == "file":
        path.write_text("mine")
    elif occupant == "folder":
        path.mkdir()
    else:
        path.symlink_to("nowhere")
    before = os.lstat(path)
    with pytest.raises(NameTakenError):
        make(tmp_path)
    assert os.lstat(path) == before
    assert os.listdir(tmp_path) == ["set"]


def test_a_set_made_meanwhile_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rename = os.rename

    def late(source: Path, target: Path) -> None:
        target.mkdir()
        (target / "precious").write_text("mine")
        rename(source, target)

    monkeypatch.setattr(os, "rename", late)
    with pytest.raises(NameTakenError):
        make(tmp_path)
    assert (tmp_path / "set/precious").read_text() == "mine"
    assert os.listdir(tmp_path) == ["set"]


@pytest.mark.parametrize("name", ["../x", "/x", "a//b", "", ".x", "a/../b", "ä", "a b", "a\nb"])
def test_a_name_that_leads_elsewhere_is_not_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="not allowed as a file name"):
        write_bag(tmp_path / "set", {name: b""}, {}, {})
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["bagit.txt", "data/x", "tagmanifest-sha256.txt", "fetch.txt"])
def test_a_tag_file_cannot_replace_the_bags_own(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="reserved name"):
        write_bag(tmp_path / "set", {}, {}, {name: b""})


def test_info_cannot_smuggle_a_line(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="control character"):
        write_bag(tmp_path / "set", {}, {"External-Description": "x\nPayload-Oxum: 0.0"}, {})


# --- Changes made afterwards -----------------------------------------------------------------


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_byte_changed_is_noticed(shared_bag: Path, data: st.DataObject) -> None:
    file = data.draw(st.sampled_from(files_of(shared_bag)))
    before = file.read_bytes()
    offset = data.draw(st.integers(0, len(before) - 1))
    value = data.draw(st.integers(0, 255).filter(lambda byte: byte != before[offset]))
    file.write_bytes(before[:offset] + bytes([value]) + before[offset + 1 :])
    try:
        refusal(shared_bag)
    finally:
        file.write_bytes(before)
    check_bag(shared_bag)


@pytest.mark.parametrize(
    "name", ["tagmanifest-sha256.txt", "manifest-sha256.txt", "bagit.txt", "bag-info.txt"]
)
def test_every_bit_of_the_small_files_counts(shared_bag: Path, name: str) -> None:
    file = shared_bag / name
    before = file.read_bytes()
    for offset in range(len(before)):
        for bit in range(8):
            after = bytearray(before)
            after[offset] ^= 1 << bit
            file.write_bytes(after)
            refusal(shared_bag)
    file.write_bytes(before)
    check_bag(shared_bag)


def rewrite(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def edit(path: Path) -> None:
        (path / name).write_bytes(change((path / name).read_bytes()))

    return edit


def consistent(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    """Change a tag file and put its new digest into the tag manifest."""

    def edit(path: Path) -> None:
        before = (path / name).read_bytes()
        after = change(before)
        (path / name).write_bytes(after)
        old, new = (hashlib.sha256(each).hexdigest() for each in (before, after))
        tags = path / "tagmanifest-sha256.txt"
        tags.write_text(tags.read_text().replace(old, new))

    return edit


def link(name: str) -> Callable[[Path], None]:
    def edit(path: Path) -> None:
        os.rename(path / name, path.parent / "elsewhere")
        (path / name).symlink_to(path.parent / "elsewhere")

    return edit


ZERO = b"0" * 64
MANIFEST = "manifest-sha256.txt"
EDITS: list[tuple[Callable[[Path], None], str]] = [
    (rewrite("data/flash.bin", lambda b: b[:-1]), "flash.bin was changed after the set was made"),
    (rewrite("data/flash.bin", lambda b: b + b"\xff"), "flash.bin was changed after"),
    (rewrite("report.html", lambda b: b + b"<b>"), "report.html was changed after"),
    (rewrite("bag-info.txt", lambda b: b + b"A: b\n"), "bag-info.txt was changed after"),
    (lambda p: (p / "data/flash.bin").unlink(), "flash.bin is missing"),
    (lambda p: (p / "report.html").unlink(), "report.html is missing"),
    (lambda p: (p / "bagit.txt").unlink(), "bagit.txt is missing"),
    (lambda p: (p / "tagmanifest-sha256.txt").unlink(), "tagmanifest-sha256.txt is missing"),
    (lambda p: shutil.rmtree(p / "data"), "flash.bin is missing"),
    (lambda p: (p / "data/note.txt").write_text("x") and None, "note.txt was added after"),
    (lambda p: (p / "fetch.txt").write_text("") and None, "fetch.txt says"),
    (lambda p: (p / "manifest-md5.txt").write_text("") and None, "does not check"),
    (lambda p: (p / "tagmanifest-sha512.txt").write_text("") and None, "does not check"),
    (lambda p: os.mkfifo(p / "data/pipe"), "'data/pipe' is a link or a special file"),
    (link("data/flash.bin"), "'data/flash.bin' is a link or a special file"),
    (link("data"), "'data' is a link or a special file"),
    (link("bagit.txt"), "'bagit.txt' is a link or a special file"),
    (consistent("bagit.txt", lambda b: b.replace(b"1.0", b"0.9")), "bagit.txt does not declare"),
    (consistent(MANIFEST, lambda b: b + ZERO + b"  data/../../x\n"), "points outside the set"),
    (consistent(MANIFEST, lambda b: b + ZERO + b"  /etc/passwd\n"), "points outside the set"),
    (consistent(MANIFEST, lambda b: b + ZERO + b"  ~/x\n"), "points outside the set"),
    (consistent(MANIFEST, lambda b: b + ZERO + b"  data\\..\\x\n"), "points outside the set"),
    (consistent(MANIFEST, lambda b: b + ZERO + b"  data/./x\n"), "points outside the set"),
    (consistent(MANIFEST, lambda b: b + ZERO + b"  bagit.txt\n"), "which is outside data/"),
    (consistent(MANIFEST, lambda b: b + ZERO + b"  data/gone%0A\n"), "is missing"),
    (consistent(MANIFEST, lambda b: b + b.splitlines(True)[0]), "twice"),
    (consistent(MANIFEST, lambda b: b.splitlines(True)[0]), "record.json was added after"),
    (consistent(MANIFEST, lambda b: b.replace(b"  ", b"\t")), "line 1 of manifest-sha256.txt"),
    (consistent(MANIFEST, lambda b: b[:-1]), "ends in the middle of a line"),
    (consistent(MANIFEST, lambda b: b + b"\xff\n"), "is not UTF-8"),
    (consistent("bag-info.txt", lambda b: b.replace(b".2", b".3")), "Payload-Oxum"),
    (consistent("bag-info.txt", lambda b: b"no colon\n"), "line 1 of bag-info.txt"),
    (rewrite("tagmanifest-sha256.txt", lambda b: b.splitlines(True)[0]), "does not list"),
    (rewrite("tagmanifest-sha256.txt", lambda b: b + ZERO + b"  data/x\n"), "does not belong"),
]


@pytest.mark.parametrize(("edit", "named"), EDITS, ids=[named for _, named in EDITS])
def test_an_edit_by_hand_is_named(bag: Path, edit: Callable[[Path], None], named: str) -> None:
    edit(bag)
    assert named in refusal(bag)


def test_a_name_in_a_manifest_does_not_act_on_the_terminal(bag: Path) -> None:
    consistent(MANIFEST, lambda b: b + ZERO + b"  data/\x1b[2J\x07\xe2\x80\xae\n")(bag)
    assert refusal(bag).isprintable()


@pytest.mark.parametrize("name", ["data/flash.bin", "report.html"])
def test_a_file_of_many_gigabytes_is_not_read_to_its_end(bag: Path, name: str) -> None:
    # A sparse file costs its maker nothing; at 700 MB/s its digest would take 6 minutes.
    os.truncate(bag / name, 1 << 38)
    assert "more than any set" in refusal(bag)


def test_what_is_no_folder_is_refused(tmp_path: Path) -> None:
    assert "does not exist" in refusal(tmp_path / "nothing")
    (tmp_path / "file").write_text("x")
    assert "not a folder" in refusal(tmp_path / "file")


def test_a_file_that_cannot_be_read_is_a_shelf_error(
    bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(path: Path) -> None:
        raise OSError(errno.EIO, "Input/output error", str(path))

    monkeypatch.setattr("spiflash.archive.backupset.pieces_of", broken)
    with pytest.raises(ShelfError, match=r"Input/output error.*tagmanifest"):
        check_bag(bag)


# --- Writing that fails half-way -------------------------------------------------------------

CALLS = ("mkdir", "chmod", "open", "write", "fsync", "rename", "close")


def break_call(
    monkeypatch: pytest.MonkeyPatch, name: str, n: int, fail: Callable[[], None]
) -> list[int]:
    """Make the n-th call of os.`name` call `fail`; the list counts the calls."""
    real = getattr(os, name)
    count = [0]

    def call(*args: object, **named: object) -> object:
        count[0] += 1
        if count[0] == n:
            if name == "close":
                real(*args)
            fail()
        return real(*args, **named)

    monkeypatch.setattr(os, name, call)
    return count


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES, errno.EIO], ids=errno.errorcode.get)
@pytest.mark.parametrize("name", CALLS)
def test_a_failure_at_any_step_leaves_no_set(tmp_path: Path, name: str, code: int) -> None:
    def fail() -> None:
        raise OSError(code, os.strerror(code))

    n = 0
    while True:
        n += 1
        folder = tmp_path / str(n)
        folder.mkdir()
        with pytest.MonkeyPatch.context() as patch:
            count = break_call(patch, name, n, fail)
            try:
                make(folder)
            except ShelfError as error:
                caught = error
            else:
                break
        assert count[0] >= n
        assert caught.cause
        assert caught.state
        assert caught.remedy
        assert ("disk is full" in caught.cause) == (code == errno.ENOSPC)
        left = os.listdir(folder)
        if left:  # the last sync: all of the set was on the disk before it
            assert left == ["set"]
            assert "complete" in caught.state
            check_bag(folder / "set")
    assert count[0] < n
    assert n > {"mkdir": 2, "rename": 1}.get(name, 5)
    check_bag(folder / "set")


@pytest.mark.parametrize("name", CALLS)
def test_a_process_that_dies_at_any_step_leaves_no_half_set(tmp_path: Path, name: str) -> None:
    n = 0
    ended = False
    while not ended:
        n += 1
        folder = tmp_path / str(n)
        folder.mkdir()
        child = os.fork()
        if child == 0:
            try:
                with pytest.MonkeyPatch.context() as patch:
                    break_call(patch, name, n, lambda: os._exit(7))
                    make(folder)
                    os._exit(0)
            finally:
                os._exit(1)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        assert status in (0, 7)
        ended = status == 0
        left = os.listdir(folder)
        assert len(left) <= 1
        if "set" in left:
            check_bag(folder / "set")
        elif left:
            assert left[0].startswith(".set.partial-")
    assert left == ["set"]
    assert n > 1


def test_short_writes_are_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: write(fd, bytes(data)[:999]))
    check_bag(make(tmp_path))


def test_what_cannot_be_removed_still_looks_unfinished(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", fail)
    monkeypatch.setattr(shutil, "rmtree", fail)
    with pytest.raises(ShelfError):
        make(tmp_path)
    (left,) = os.listdir(tmp_path)
    assert left.startswith(".set.partial-")


def test_ctrl_c_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        make(tmp_path)
    assert not os.listdir(tmp_path)


def test_folders_that_cannot_be_synced_are_no_obstacle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some network file systems answer EINVAL to fsync on a folder (fsync(2), Linux)."""
    fsync = os.fsync

    def picky(descriptor: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "Invalid argument")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", picky)
    check_bag(make(tmp_path))
