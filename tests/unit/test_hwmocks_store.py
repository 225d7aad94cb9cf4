"""A simulated board kept in a folder: what lasts, and what damage is named."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from hwmocks import store
from hwmocks.nor import NorChip
from tests.nor_rig import NorRig


def lived_in(folder: Path) -> NorChip:
    """A board with a trace of everything that lasts."""
    chip = store.create(folder, "W25Q64JV", seed=7)
    rig = NorRig(chip)
    rig.write("20003000")
    rig.write("0200300055")
    rig.write("4200100033")
    chip.stick(0x4000, 0, 0)
    rig.write("010402")
    rig.write("310A")
    store.save(chip, folder)
    return chip


def test_what_lasts(tmp_path: Path) -> None:
    chip = lived_in(tmp_path)
    again = store.load(tmp_path)
    assert again.snapshot() == chip.snapshot()
    assert again.unique_id == chip.unique_id
    assert again.speed_factor == chip.speed_factor
    assert again.wear[3] == 1
    assert again.power_cycles == 1
    NorRig(again).write("0100")
    NorRig(again).write("20004000")
    assert again.contents[0x4000] == 0xFE, "the stuck bit is still stuck"
    rig = NorRig(again)
    rig.now = 10.0
    assert rig.run("35", 1) == b"\x0a"
    assert (tmp_path / "flash.bin").read_bytes() == chip.contents


def test_each_power_cycle_has_its_own_luck(tmp_path: Path) -> None:
    store.create(tmp_path, "W25Q64JV", seed=7)
    times = []
    for _ in range(3):
        chip = store.load(tmp_path)
        NorRig(chip).write("20000000")
        times.append(chip.busy_drawn["erase-4096"])
        store.save(chip, tmp_path)
    assert len(set(times)) == 3
    assert max(times) < 1.3 * min(times)


def test_four_byte_mode_and_volatile_registers_do_not_last(tmp_path: Path) -> None:
    chip = store.create(tmp_path, "W25Q256JV")
    rig = NorRig(chip)
    rig.run("B7")
    rig.run("50")
    rig.run("0104")
    assert chip.four_byte_mode
    store.save(chip, tmp_path)
    again = store.load(tmp_path)
    assert not again.four_byte_mode
    assert again.registers["SR1"] == 0x00


def test_relabelled_and_wearing_boards_last(tmp_path: Path) -> None:
    store.create(tmp_path, "W25Q64JV as W25Q128JV", endurance=5)
    again = store.load(tmp_path)
    assert NorRig(again).run("9F", 3) == bytes.fromhex("EF4018")
    assert again.endurance == 5


def test_a_board_is_not_made_over_another(tmp_path: Path) -> None:
    store.create(tmp_path, "W25Q64JV")
    with pytest.raises(store.BoardFolderError, match=r"flash\.bin: there is already a board"):
        store.create(tmp_path, "W25Q64JV")


@pytest.mark.parametrize("missing", ["flash.bin", "chip.json"])
def test_missing_file_is_named(tmp_path: Path, missing: str) -> None:
    lived_in(tmp_path)
    (tmp_path / missing).unlink()
    with pytest.raises(store.BoardFolderError, match=missing) as caught:
        store.load(tmp_path)
    assert caught.value.path == tmp_path / missing
    assert isinstance(caught.value, ValueError)


def test_contents_of_another_size(tmp_path: Path) -> None:
    lived_in(tmp_path)
    (tmp_path / "flash.bin").write_bytes(b"\xff" * 100)
    with pytest.raises(store.BoardFolderError, match=r"flash\.bin: has 100 bytes.*8388608"):
        store.load(tmp_path)


@pytest.mark.parametrize(
    ("field", "value", "cause"),
    [
        ("format", 2, '"format" must be 1'),
        ("chip", "W99Q64", "no chip 'W99Q64'"),
        ("chip", 5, '"chip" must be'),
        ("seed", "x", '"seed" must be a whole number'),
        ("seed", True, '"seed" must be a whole number'),
        ("power_cycles", -1, '"power_cycles" is -1'),
        ("unique_id", "zz", '"unique_id" must be 8 bytes'),
        ("unique_id", "00", '"unique_id" must be 8 bytes'),
        ("registers", {"SR1": "00"}, '"registers" must name SR1, SR2, SR3'),
        ("registers", {"SR1": "00", "SR2": "0", "SR3": "00"}, "registers.SR2"),
        ("security", ["00"], '"security" must list 3'),
        ("wear", {"9999": 1}, "sector '9999'"),
        ("wear", {"0": "many"}, "wear.0"),
        ("stuck", [[1, 2]], r"stuck\[0\]"),
        ("stuck", [[0x800000, 1, 0]], r"stuck\[0\]"),
        ("endurance", -1, '"endurance" is -1, less than 0'),
        ("seed", -7, '"seed" is -7, less than 0'),
        ("endurance", "long", '"endurance" must be'),
    ],
)
def test_edited_field_is_named(tmp_path: Path, field: str, value: Any, cause: str) -> None:
    lived_in(tmp_path)
    path = tmp_path / "chip.json"
    state = json.loads(path.read_text())
    state[field] = value
    path.write_text(json.dumps(state))
    with pytest.raises(store.BoardFolderError, match=cause) as caught:
        store.load(tmp_path)
    assert str(path) in str(caught.value)


def test_every_field_is_needed(tmp_path: Path) -> None:
    lived_in(tmp_path)
    path = tmp_path / "chip.json"
    whole = json.loads(path.read_text())
    for field in whole:
        path.write_text(json.dumps({name: whole[name] for name in whole if name != field}))
        with pytest.raises(store.BoardFolderError, match=f'"{field}" is missing'):
            store.load(tmp_path)


@pytest.mark.parametrize(
    ("text", "cause"),
    [
        (b"", "line 1"),
        (b'{\n"format": 1,\n', "line 3"),
        (b"[]", "object"),
        (b"\xff\xfe", "UTF-8 at byte 0"),
    ],
)
def test_broken_json(tmp_path: Path, text: bytes, cause: str) -> None:
    lived_in(tmp_path)
    (tmp_path / "chip.json").write_bytes(text)
    with pytest.raises(store.BoardFolderError, match=cause):
        store.load(tmp_path)


@pytest.mark.parametrize("failing_call", [1, 2])
def test_a_crash_while_saving_leaves_a_board(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing_call: int
) -> None:
    chip = lived_in(tmp_path)
    NorRig(chip).write("0100")
    chip.contents[0] = 0x11
    calls = 0
    replace = os.replace

    def crash(source: str, target: Path) -> None:
        nonlocal calls
        calls += 1
        if calls == failing_call:
            raise OSError(28, "No space left on device")
        replace(source, target)

    monkeypatch.setattr(os, "replace", crash)
    with pytest.raises(OSError, match="No space"):
        store.save(chip, tmp_path)
    again = store.load(tmp_path)
    assert again.contents[0] == (0x11 if failing_call == 2 else 0xFF)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["chip.json", "flash.bin"]


def test_files_are_on_the_disk_before_they_get_their_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    fsync, replace = os.fsync, os.replace

    def traced_fsync(descriptor: int) -> None:
        order.append("sync")
        fsync(descriptor)

    def traced_replace(source: str, target: Path) -> None:
        order.append("rename")
        replace(source, target)

    monkeypatch.setattr(os, "fsync", traced_fsync)
    monkeypatch.setattr(os, "replace", traced_replace)
    store.create(tmp_path, "W25Q64JV")
    # Each file, then its name, then the folder that holds the name.
    assert order == ["sync", "rename", "sync"] * 2


@pytest.mark.parametrize("wrong", [{"seed": -1}, {"endurance": -1}])
def test_what_could_not_be_loaded_again_is_not_made(wrong: dict[str, int], tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="below zero"):
        store.create(tmp_path, "W25Q64JV", **wrong)
    assert not any(tmp_path.iterdir())
