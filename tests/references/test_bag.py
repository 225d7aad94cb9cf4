"""Backup sets judged from outside: RFC 8493 by the Library of Congress's `bagit` package, and
the manifests by `sha256sum` (GNU coreutils)."""

from __future__ import annotations

import logging
import os
import shutil
import subprocess
from pathlib import Path

import bagit
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spiflash.archive.backupset import BackupSet, check_bag, open_set
from spiflash.archive.shelf import Shelf
from spiflash.errors import BackupSetError
from tests.archive_samples import contents_of, record_of

CONTENTS = contents_of(3)


@pytest.fixture(scope="module", autouse=True)
def _quiet() -> None:
    logging.getLogger("bagit").setLevel(logging.CRITICAL)


@pytest.fixture(scope="module")
def placed(tmp_path_factory: pytest.TempPathFactory) -> BackupSet:
    shelf = Shelf(tmp_path_factory.mktemp("shelf"))
    record = record_of(CONTENTS, board="Heron – gauge 07 %0A")
    return shelf.place(record, CONTENTS, b"\xff" * 768, "<!doctype html>")


def test_bagit_finds_the_set_valid(placed: BackupSet) -> None:
    bag = bagit.Bag(str(placed.path))
    bag.validate()
    assert bag.algorithms == ["sha256"]
    assert {f"data/{name}" for name in placed.bag.payload} == set(bag.payload_files())
    assert dict(bag.info) == dict(placed.bag.info)
    assert bag.entries["data/flash.bin"]["sha256"] == placed.record.sha256


@pytest.mark.needs("sha256sum")
@pytest.mark.parametrize("name", ["manifest-sha256.txt", "tagmanifest-sha256.txt"])
def test_sha256sum_finds_every_file_unchanged(placed: BackupSet, name: str) -> None:
    result = subprocess.run(
        ["sha256sum", "--check", "--strict", name],
        cwd=placed.path,
        capture_output=True,
        text=True,
        env=os.environ | {"LC_ALL": "C"},
    )
    assert result.returncode == 0, result.stderr
    listed = (placed.path / name).read_text().splitlines()
    assert result.stdout.splitlines() == [f"{line.split('  ', 1)[1]}: OK" for line in listed]


@pytest.mark.needs("sha256sum")
def test_sha256sum_notices_a_changed_byte(placed: BackupSet, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(placed.path, copy)
    (copy / "data/flash.bin").write_bytes(CONTENTS[:-1] + bytes([CONTENTS[-1] ^ 1]))
    result = subprocess.run(
        ["sha256sum", "--check", "manifest-sha256.txt"], cwd=copy, capture_output=True
    )
    assert result.returncode == 1


def test_a_set_that_bagit_saved_again_is_read(placed: BackupSet, tmp_path: Path) -> None:
    """An archivist adds a field and a file: `bagit` writes its own spacing and order."""
    copy = tmp_path / "copy"
    shutil.copytree(placed.path, copy)
    (copy / "data" / "note with blanks.txt").write_text("x")
    bag = bagit.Bag(str(copy))
    bag.info["Source-Organization"] = "Heron"
    bag.save(manifests=True)
    checked = check_bag(copy)
    assert set(checked.payload) == {*placed.bag.payload, "note with blanks.txt"}
    assert checked.info["Source-Organization"] == "Heron"
    assert open_set(copy).contents() == CONTENTS


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_what_bagit_refuses_is_refused(
    placed: BackupSet, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Edits by hand, several at once: no set that `bagit` refuses gets past `check_bag`."""
    copy = tmp_path_factory.mktemp("edited") / "set"
    shutil.copytree(placed.path, copy)
    for _ in range(data.draw(st.integers(1, 3))):
        files = sorted(each for each in copy.rglob("*") if each.is_file())
        file = data.draw(st.sampled_from(files))
        match data.draw(st.sampled_from(["change", "cut", "append", "remove", "add", "rename"])):
            case "change":
                content = bytearray(file.read_bytes() or b"x")
                content[data.draw(st.integers(0, len(content) - 1))] ^= data.draw(
                    st.integers(1, 255)
                )
                file.write_bytes(content)
            case "cut":
                file.write_bytes(file.read_bytes()[: data.draw(st.integers(0, 200))])
            case "append":
                file.write_bytes(file.read_bytes() + data.draw(st.binary(min_size=1, max_size=90)))
            case "remove" if len(files) > 1:
                file.unlink()
            case "add":
                (file.parent / data.draw(st.sampled_from(["x", "y.txt"]))).write_text("new")
            case "rename":
                file.rename(file.with_name("other"))
    try:
        bagit.Bag(str(copy)).validate()
        valid = True
    except Exception:  # on a damaged bag it raises whatever comes up
        valid = False
    try:
        check_bag(copy)
        accepted = True
    except BackupSetError:
        accepted = False
    assert valid or not accepted
