"""What appears under its final name is on the disk: files, folders, and the name itself."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from archive_samples import MADE, contents_of, record_of

from spiflash.archive.files import make_folders, remove_folder
from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.archive.shelf import Shelf

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
