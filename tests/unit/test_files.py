"""Files that a person names are read whole or refused; what the program keeps is on the disk before
it has its final name."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.archive.shelf import Shelf
from spiflash.errors import CloneJobError, ImageError, LayoutError, OutputError
from spiflash.files import (
    make_folders,
    read_named,
    read_named_text,
    remove_folder,
    write_new,
    write_page,
)
from spiflash.jobs.clone.job_file import load_job
from tests.archive_samples import MADE, contents_of, record_of

CONTENTS = contents_of(2)


def place(root: Path) -> Path:
    return Shelf(root).place(record_of(CONTENTS), CONTENTS, b"\xff", "<p>").path


def begin(root: Path) -> Path:
    state = JournalState("x", "ef4017", None, 8192, (Range(0, 8192),), "x", "00" * 32, MADE)
    return Journal.begin(root, state, CONTENTS, CONTENTS).path


@pytest.mark.parametrize("write", [place, begin])
def test_everything_is_synced_before_it_gets_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path], Path]
) -> None:
    synced: set[int] = set()
    at_rename: list[tuple[set[int], set[int]]] = []
    fsync, rename = os.fsync, os.rename

    def watched_fsync(descriptor: int) -> None:
        fsync(descriptor)
        synced.add(os.fstat(descriptor).st_ino)

    def watched_rename(source: Path, target: Path) -> None:
        inside = {each.stat().st_ino for each in (source, *source.rglob("*"))}
        at_rename.append((inside, set(synced)))
        synced.clear()
        rename(source, target)

    monkeypatch.setattr(os, "fsync", watched_fsync)
    monkeypatch.setattr(os, "rename", watched_rename)
    path = write(tmp_path)
    ((inside, synced_before),) = at_rename
    assert len(inside) >= 4
    assert inside <= synced_before
    assert inside == {each.stat().st_ino for each in (path, *path.rglob("*"))}
    assert synced == {path.parent.stat().st_ino}  # the new name


def test_new_folders_are_synced_into_their_parents(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced = []
    monkeypatch.setattr(os, "fsync", lambda fd: synced.append(os.fstat(fd).st_ino))
    make_folders(tmp_path / "a" / "b")
    assert synced == [tmp_path.stat().st_ino, (tmp_path / "a").stat().st_ino]
    make_folders(tmp_path / "a" / "b")
    assert len(synced) == 2


def test_a_folder_loses_its_name_before_its_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "journal"
    folder.mkdir()
    (folder / "state.json").write_text("x")
    names = []
    unlink = os.unlink

    def watched(name: str, **named: int) -> None:
        names.append(os.listdir(tmp_path))
        unlink(name, **named)

    monkeypatch.setattr(os, "unlink", watched)
    remove_folder(folder)
    assert len(names) == 1
    assert not any("journal" in each for each in names)
    assert os.listdir(tmp_path) == []


def test_a_file_that_is_named_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "image.bin"
    for contents in (b"", b"x" * 100):
        path.write_bytes(contents)
        assert read_named(path, ImageError, limit=100) == contents
    link = tmp_path / "link"
    link.symlink_to(path)
    assert read_named(link, ImageError, limit=100) == b"x" * 100


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def a_device(path: Path) -> None:
    path.symlink_to("/dev/zero")


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (a_pipe, "device or a pipe"),
        (a_device, "device or a pipe"),
        (Path.mkdir, "is a folder"),
        (lambda path: path.write_bytes(bytes(101)), "more than the 100"),
        (lambda path: None, "no such file"),
        (lambda path: path.symlink_to(path), "cannot be read"),
    ],
    ids=["pipe", "device", "folder", "long", "missing", "loop"],
)
def test_what_is_no_file_is_refused_without_waiting(
    tmp_path: Path, make: Callable[[Path], object], said: str
) -> None:
    path = tmp_path / "named"
    make(path)
    with pytest.raises(LayoutError, match=said) as caught:
        read_named(path, LayoutError, limit=100, state="The dump was only read.")
    assert caught.value.state == "The dump was only read."
    assert caught.value.remedy


def test_a_job_file_that_is_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "job.toml")
    with pytest.raises(CloneJobError, match="device or a pipe"):
        load_job(tmp_path / "job.toml")


def test_text_has_no_mark_in_front_and_wrong_text_has_a_line(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_bytes("\N{BOM}Brücke\n".encode())
    assert read_named_text(path, LayoutError, limit=100) == "Brücke\n"
    path.write_bytes(b"one\ntwo\nthr\xffee\n")
    with pytest.raises(LayoutError, match="line 3"):
        read_named_text(path, LayoutError, limit=100)


def test_a_new_file_replaces_nothing(tmp_path: Path) -> None:
    path = tmp_path / "new.bin"
    write_new(path, b"1")
    assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"1", 0o600)
    for there in (path, tmp_path / "dangling"):
        if there != path:
            there.symlink_to(tmp_path / "nowhere")
        with pytest.raises(OutputError, match="exists already"):
            write_new(there, b"2")
    assert path.read_bytes() == b"1"
    assert not (tmp_path / "nowhere").exists()
    with pytest.raises(OutputError, match="cannot be written") as caught:
        write_new(tmp_path / "no" / "x", b"", state="The dump was only read.")
    assert caught.value.state == "The dump was only read."


def test_a_page_replaces_only_a_page_and_in_one_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, link, dump = (tmp_path / name for name in ("page.html", "link.html", "dump.bin"))
    write_page(path, "<!DOCTYPE html>1")
    link.symlink_to(path)
    write_page(link, "<!DOCTYPE html>2")
    assert link.is_symlink()
    assert path.read_text() == "<!DOCTYPE html>2"
    assert path.stat().st_mode & 0o777 == 0o600
    dump.write_bytes(b"\x27\x05\x19\x56")
    for other in (dump, tmp_path, Path("/dev/null")):
        with pytest.raises(OutputError, match="is not a page"):
            write_page(other, "<!DOCTYPE html>3")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        write_page(path, "<!DOCTYPE html>3")
    assert path.read_text() == "<!DOCTYPE html>2"
    with pytest.raises(OutputError, match="No space left"):
        write_new(tmp_path / "half.bin", b"1")
    assert sorted(each.name for each in tmp_path.iterdir()) == [
        "dump.bin",
        "link.html",
        "page.html",
    ]
