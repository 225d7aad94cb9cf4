"""`spiflash audit` and `spiflash compare` from the command line to their output."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

import pytest

from hwmocks.boards.heron import (
    IMAGE_FILE,
    LOADER_FILE,
    PARTITIONS,
    failed_card_flash,
    heron_factory,
    heron_open,
    heron_variant,
    mac_address,
)
from spiflash.cli.main import run
from spiflash.errors import ImageError, LayoutError, OutputError


@pytest.fixture
def dump(tmp_path: Path) -> Path:
    path = tmp_path / "factory.bin"
    path.write_bytes(heron_factory())
    return path


def document(capsys: pytest.CaptureFixture[str]) -> Any:
    return json.loads(capsys.readouterr().out)


def test_audit_as_json(dump: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["audit", str(dump), "--json", "--fits", "8M", "--fits", "4M"]) == 0
    found = document(capsys)
    regions = [(each["name"], each["start"], each["length"]) for each in found["layout"]["regions"]]
    assert regions == [(each.name, each.start, each.size) for each in PARTITIONS]
    assert {each["file"] for each in found["boot"]["files"]} == {LOADER_FILE, IMAGE_FILE}
    assert mac_address(0x17) in {each["text"] for each in found["own"]}
    assert [each["fits"] for each in found["fits"]] == [True, False]
    assert "invented-passphrase" not in json.dumps(found)


def test_audit_as_text_masks_unless_asked(dump: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["audit", str(dump), "--details"]) == 0
    text = capsys.readouterr().out
    assert "invented-passphrase" not in text
    assert "heronldr.bin, SD card" in text
    assert text.startswith("NO DAMAGE FOUND: checksums prove")
    assert run(["audit", str(dump), "--details", "--show-secrets"]) == 0
    assert "invented-passphrase-never-used" in capsys.readouterr().out


def test_a_saved_layout_serves_another_dump(
    dump: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    layout = tmp_path / "heron.toml"
    assert run(["audit", str(dump), "--save", str(layout)]) == 0
    blank = tmp_path / "blank.bin"
    blank.write_bytes(b"\xff" * len(heron_factory()))
    capsys.readouterr()
    assert run(["audit", str(blank), "--layout", str(layout), "--json"]) == 0
    names = [each["name"] for each in document(capsys)["layout"]["regions"]]
    assert names == [each.name for each in PARTITIONS]
    before = layout.read_text()
    assert run(["audit", str(dump), "--save", str(layout)]) == OutputError.status
    assert layout.read_text() == before


def test_a_wrong_layout_file_is_refused_by_line(
    dump: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    layout = tmp_path / "wrong.toml"
    layout.write_text('layout = 1\nsize = "8M"\n[[region]]\nname = "a"\nstart = 0\nlength = 0\n')
    assert run(["audit", str(dump), "--layout", str(layout)]) == LayoutError.status
    assert f"{layout}, line 6: " in capsys.readouterr().err
    layout.write_bytes(b"layout = 1\n\xff")
    assert run(["audit", str(dump), "--layout", str(layout)]) == LayoutError.status
    assert "line 2" in capsys.readouterr().err
    assert run(["audit", str(dump), "--layout", str(tmp_path / "gone")]) == LayoutError.status
    os.mkfifo(tmp_path / "pipe")
    for name in ("pipe", "."):
        assert run(["audit", str(dump), "--layout", str(tmp_path / name)]) == LayoutError.status
        assert "not a file" in capsys.readouterr().err


def test_a_layout_with_a_byte_order_mark(dump: Path, tmp_path: Path) -> None:
    layout = tmp_path / "marked.toml"
    layout.write_bytes(b'\xef\xbb\xbflayout = 1\nsize = "8M"\n')
    assert run(["audit", str(dump), "--layout", str(layout)]) == 0


def test_the_page_is_for_its_owner_alone(dump: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert run(["audit", str(dump), "--page", str(page)]) == 0
    assert page.read_text("utf-8").startswith("<!doctype html>")
    assert stat.S_IMODE(page.stat().st_mode) == 0o600
    gone = tmp_path / "gone" / "page.html"
    assert run(["audit", str(dump), "--page", str(gone)]) == OutputError.status


def test_a_page_replaces_a_page_and_nothing_else(dump: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("<!doctype html>an older page")
    assert run(["audit", str(dump), "--page", str(page)]) == 0
    assert "an older page" not in page.read_text("utf-8")
    assert run(["audit", str(dump), "--page", str(dump)]) == OutputError.status
    assert dump.read_bytes() == heron_factory()


def test_damage_gives_an_exit_status(tmp_path: Path) -> None:
    path = tmp_path / "damaged.bin"
    path.write_bytes(failed_card_flash(heron_factory(), heron_open(), 0x84000))
    assert run(["audit", str(path)]) == 1


def test_nothing_and_no_file_are_refused(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.touch()
    assert run(["audit", str(empty)]) == ImageError.status
    assert run(["audit", str(tmp_path / "gone")]) == ImageError.status
    assert run(["audit", str(tmp_path)]) == ImageError.status


def test_a_set_is_audited_and_compared_with_the_chip(
    dump: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shelf = tmp_path / "shelf"
    assert run(["backup", "--adapter", "sim:heron", "--shelf", str(shelf), "--json"]) == 0
    made = Path(document(capsys)["set"])
    assert run(["audit", str(made), "--json"]) == 0
    assert document(capsys)["size"] == len(heron_factory())
    assert run(["compare", str(made), "--chip", "--adapter", "sim:heron"]) == 0
    assert "EQUAL: all 8,388,608 bytes" in capsys.readouterr().out
    other = tmp_path / "other.bin"
    other.write_bytes(heron_variant(3))
    assert run(["compare", str(other), "--chip", "--adapter", "sim:heron", "--json"]) == 1
    found = document(capsys)
    assert {each["name"] for each in found["regions"] if each["differing"]} == {"env", "factory"}


def test_comparing_files(dump: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other.bin"
    other.write_bytes(heron_variant(3))
    assert run(["compare", str(dump), str(dump)]) == 0
    assert run(["compare", str(dump), str(other)]) == 1
    text = capsys.readouterr().out
    assert f"A {mac_address(0x17)}" in text
    assert f"B {mac_address(3)}" in text
    assert run(["compare", str(dump)]) == 2
    assert run(["compare", str(dump), str(other), "--chip"]) == 2


def test_a_layout_of_another_size_is_remarked_on(
    dump: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    layout = tmp_path / "double.toml"
    layout.write_text('layout = 1\nsize = "16M"\nsource = "by hand"\n')
    assert run(["audit", str(dump), "--layout", str(layout), "--json"]) == 0
    (remark,) = document(capsys)["layout"]["remarks"]
    assert "16,777,216 bytes, but the contents have 8,388,608" in remark
    layout.write_text('layout = 1\nsize = "8M"\nsource = "by hand"\n')
    assert run(["audit", str(dump), "--layout", str(layout), "--json"]) == 0
    assert document(capsys)["layout"]["remarks"] == []
