"""The files for the SD-card road: the demo board's own recipe says what they must be."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest

from hwmocks.boards.heron import card_files, heron_open
from spiflash.cli.main import run
from spiflash.dump.triage import Reference, reference
from spiflash.dump.triage.card import CardFile, files_for_card
from spiflash.errors import CardError, ImageError
from spiflash.jobs import stage as stage_module
from spiflash.jobs.stage import file_system, stage


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("images") / "open.img"
    path.write_bytes(heron_open())
    return path


@pytest.fixture(scope="module")
def known() -> Reference:
    return reference(heron_open())


@pytest.fixture
def examined(known: Reference, monkeypatch: pytest.MonkeyPatch) -> None:
    """The image is examined once for all tests: that takes seconds."""

    def once(contents: bytes, layout: object = None) -> Reference:
        return known if contents == known.contents and layout is None else reference(contents)

    monkeypatch.setattr(stage_module, "reference", once)


def test_names_and_contents_are_those_of_the_board(
    image: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`card_files` is what the board's boot loader, made by another hand, loads."""
    assert run(["stage", str(tmp_path), "--image", str(image), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["written"] == ["heronldr.bin", "heronfw.img"]
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == card_files()
    assert any("FAT" in line for line in found["remarks"])
    # Where the demo board has what differs from board to board (hwmocks/boards/heron.py).
    assert found["overwrites"] == {
        "heronldr.bin": [],
        "heronfw.img": ["env", "factory", "config", "readings"],
    }
    caution = next(line for line in found["remarks"] if "each board's own" in line)
    assert caution.startswith("heronfw.img")
    assert "factory 050000h–05FFFFh" in caution
    assert "spiflash backup" in caution


@pytest.mark.usefixtures("examined")
def test_what_is_there_is_kept_and_never_replaced_unasked(image: Path, tmp_path: Path) -> None:
    stage(tmp_path, image)
    assert stage(tmp_path, image).kept == ("heronldr.bin", "heronfw.img")
    (tmp_path / "heronfw.img").write_bytes(b"somebody's")
    (tmp_path / "heronldr.bin").unlink()
    with pytest.raises(CardError) as caught:
        stage(tmp_path, image)
    assert "--yes" in caught.value.remedy
    assert (tmp_path / "heronfw.img").read_bytes() == b"somebody's"
    assert sorted(os.listdir(tmp_path)) == ["heronfw.img"]
    done = stage(tmp_path, image, replace=True)
    assert done.written == ("heronldr.bin", "heronfw.img")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == card_files()


@pytest.mark.usefixtures("examined")
def test_too_big_for_the_chip(image: Path, tmp_path: Path) -> None:
    with pytest.raises(ImageError) as caught:
        stage(tmp_path, image, chip_size=4 << 20)
    assert "4,194,304" in caught.value.cause
    assert not os.listdir(tmp_path)


@pytest.mark.usefixtures("examined")
def test_no_room(image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    full = type("Usage", (), {"total": 1 << 30, "used": (1 << 30) - 4096, "free": 4096})
    monkeypatch.setattr(stage_module.shutil, "disk_usage", lambda folder: full)
    with pytest.raises(CardError) as caught:
        stage(tmp_path, image)
    assert "4,096 are free" in caught.value.cause
    assert not os.listdir(tmp_path)


@pytest.mark.usefixtures("examined")
@pytest.mark.parametrize(("kind", "refused"), [("ext4", True), ("vfat", False)])
def test_the_format_of_a_mounted_card(
    kind: str, refused: bool, image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Boot loaders read FAT (common practice, no source)."""
    monkeypatch.setattr(stage_module.os.path, "ismount", lambda folder: folder == tmp_path)
    monkeypatch.setattr(stage_module, "file_system", lambda folder: kind)
    if refused:
        with pytest.raises(CardError, match="ext4"):
            stage(tmp_path, image)
        assert not os.listdir(tmp_path)
    else:
        small = type("Usage", (), {"total": 64 << 20, "used": 0, "free": 64 << 20})
        monkeypatch.setattr(stage_module.shutil, "disk_usage", lambda folder: small)
        done = stage(tmp_path, image)
        assert done.written
        assert "256 MB" in done.remarks[-1]


def test_the_table_of_mounts(tmp_path: Path) -> None:
    """`stat -f` of coreutils is asked about the same folders."""
    table = tmp_path / "mounts"
    card = tmp_path / "my card"
    card.mkdir()
    table.write_text(
        f"proc /proc proc rw 0 0\n/dev/sdb1 {str(card).replace(' ', chr(92) + '040')} vfat rw 0 0\n"
    )
    assert file_system(card, table) == "vfat"
    assert file_system(tmp_path, table) == ""
    assert file_system(card, tmp_path / "none") == ""
    asked = subprocess.run(
        ["stat", "-f", "-c", "%T", "/proc"], capture_output=True, text=True, check=True
    )
    assert file_system(Path("/proc")) == asked.stdout.strip()


@pytest.mark.usefixtures("examined")
def test_a_card_that_forgets(image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One byte of what was written comes back wrong."""
    real = stage_module._write

    def forgetful(folder: Path, file: CardFile) -> None:
        real(folder, file)
        with (folder / file.name).open("r+b") as opened:
            opened.seek(len(file.contents) // 2)
            opened.write(b"\x5a")

    monkeypatch.setattr(stage_module, "_write", forgetful)
    with pytest.raises(CardError, match="does not read back"):
        stage(tmp_path, image)


@pytest.mark.usefixtures("examined")
@pytest.mark.parametrize("name", ["../heronfw.img", "..", "/", "a/../../b"])
def test_names_never_lead_out_of_the_card(name: str, image: Path, tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    with pytest.raises(CardError):
        stage(card, image, names=[name])
    assert os.listdir(tmp_path) == ["card"]
    assert not os.listdir(card)


@pytest.mark.usefixtures("examined")
def test_folders_in_names_are_made(image: Path, tmp_path: Path) -> None:
    stage(tmp_path, image, names=["update/flash.img"])
    assert (tmp_path / "update" / "flash.img").read_bytes() == heron_open()


def test_an_image_that_names_nothing(tmp_path: Path) -> None:
    (tmp_path / "plain.bin").write_bytes(b"\x12\x34" * 4096)
    with pytest.raises(ImageError) as caught:
        stage(tmp_path, tmp_path / "plain.bin")
    assert "--name" in caught.value.remedy


def test_a_whole_image_that_says_nothing_of_the_boards_own(tmp_path: Path) -> None:
    (tmp_path / "plain.bin").write_bytes(b"\x12\x34" * 4096)
    done = stage(tmp_path, tmp_path / "plain.bin", names=["flash.bin"])
    assert done.overwrites == {"flash.bin": ()}
    assert done.remarks[0].startswith("flash.bin overwrites the whole flash")


@pytest.mark.usefixtures("examined")
def test_no_such_folder(image: Path, tmp_path: Path) -> None:
    with pytest.raises(CardError, match="not a folder"):
        stage(tmp_path / "none", image)


def test_pieces_by_their_names(known: Reference) -> None:
    """Trees, kernels and root file systems have their own lengths, the loader its region's."""
    contents = heron_open()
    names = ("u-boot.bin", "heron.dtb", "uImage", "root.squashfs", "flash.bin")
    boot, tree, kernel, root, whole = files_for_card(known, names).files
    assert boot.contents == contents[:0x40000]
    assert tree.contents[:4] == b"\xd0\x0d\xfe\xed"
    assert len(tree.contents) == int.from_bytes(tree.contents[4:8], "big")
    assert len(kernel.contents) == 64 + int.from_bytes(kernel.contents[12:16], "big")
    assert root.contents[:4] == b"hsqs"
    assert root.start == 0x200000
    assert whole.contents == contents


SCRIPTS = {
    "bootcmd": "run sdall",
    "loadaddr": "0x41000000",
    "sdall": "fatload mmc 0 ${loadaddr} all.img && sf probe && sf update ${loadaddr} 0 ${filesize}",
    "sdapp": "fatload mmc 0 ${loadaddr} app.img && run put",
    "put": "sf erase 0x50000 0x10000; sf write ${loadaddr} 0x50000 ${filesize}",
    "sdodd": "fatload mmc 0 ${loadaddr} odd.img; sf write ${loadaddr} 0x51234 ${filesize}",
    "sdtwo": "fatload mmc 0 ${loadaddr} two.img; sf write ${loadaddr} 0x50000 1; sf write 1 0 1",
    "sdloop": "fatload mmc 0 ${loadaddr} $fn",
    "sdram": "fatload mmc 0 ${loadaddr} thing.img && go ${loadaddr}",
}


@pytest.mark.needs("mkenvimage")
def test_a_file_holds_what_its_script_writes(tmp_path: Path, known: Reference) -> None:
    """A script that writes to 50000h gets what stands at 50000h, never the whole image."""
    (tmp_path / "t").write_text("".join(f"{name}={value}\n" for name, value in SCRIPTS.items()))
    subprocess.run(["mkenvimage", "-s", "0x10000", "-o", "e", "t"], cwd=tmp_path, check=True)
    contents = bytearray(heron_open())
    contents[0x40000:0x50000] = (tmp_path / "e").read_bytes()
    contents[0x50000:0x51000] = b"app!" * 0x400
    made = files_for_card(reference(bytes(contents), known.layout))
    by_name = {each.name: each for each in made.files}
    assert by_name["all.img"].contents == bytes(contents)
    assert (by_name["app.img"].start, by_name["app.img"].contents) == (0x50000, b"app!" * 0x400)
    left = dict(made.left)
    assert "051234h" in left["odd.img"]
    assert "several places" in left["two.img"]
    assert "variable" in left["$fn"]
    assert "thing.img" in left
    assert not set(left) & set(by_name)
