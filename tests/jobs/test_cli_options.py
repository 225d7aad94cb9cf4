"""Options that change what a command does, as a person gives them."""

from __future__ import annotations

import json
import random
import time
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_variant
from spiflash.errors import ChipMismatchError
from tests.jobs.cli_rig import PATIENCE, Bench


def protected(bench: Bench, folder: Path) -> Bench:
    """A bench whose chip protects its lower half: BP2 to BP0 = 110, TB = 1 (W25Q64JV data sheet,
    status register memory protection table, CMP = 0; from memory)."""
    here = bench.copy(folder)
    path = here.board / "chip.json"
    chip = json.loads(path.read_text())
    chip["registers"]["SR1"] = "38"
    path.write_text(json.dumps(chip))
    return here


def test_details_print_what_the_page_says(bench: Bench, tmp_path: Path) -> None:
    here = bench.copy(tmp_path / "bench")
    short = here.on_board("backup")
    full = here.on_board("backup", "--details")
    assert (short.status, full.status) == (0, 0)
    assert "VERIFIED" in short.out
    assert len(short.out.splitlines()) <= 40 < len(full.out.splitlines())
    assert "Sampling" in full.out
    assert "Sampling" not in short.out


def test_unprotect_is_asked_for_and_put_back(bench: Bench, tmp_path: Path) -> None:
    here = protected(bench, tmp_path / "bench")
    image = bytearray(here.flash)
    image[0x1000:0x1100] = bytes(0x100)
    (here.folder / "image.bin").write_bytes(image)
    assert here.on_board("backup").status == 0
    refused = here.on_board("restore", "image.bin", "--yes")
    assert refused.status != 0
    assert "--unprotect" in refused.err
    assert here.flash[0x1000] != 0
    done = here.on_board("restore", "image.bin", "--yes", "--unprotect")
    assert done.status == 0, done.err
    assert here.flash == bytes(image)
    kept = json.loads((here.board / "chip.json").read_text())
    assert kept["registers"]["SR1"] == "38"


@pytest.mark.parametrize("command", ["backup", "verify", "compare", "triage", "contact"])
def test_a_part_that_is_not_on_the_clip_is_refused(bench: Bench, command: str) -> None:
    sources = {"verify": ["factory.bin"], "compare": ["factory.bin", "--chip"]}
    words = [command, *sources.get(command, []), "--adapter", "sim:./board"]
    ended = bench.run(*words, "--part", "MX25L6405D", "--json", env={"SPIFLASH_SHELF": "s"})
    assert ended.status != 0
    assert "MX25L6405D" in ended.out + ended.err
    assert not (bench.folder / "s").exists()


@pytest.mark.parametrize("command", ["backup", "verify", "compare", "triage"])
def test_a_size_that_the_chip_does_not_have_is_refused(bench: Bench, command: str) -> None:
    sources = {"verify": ["factory.bin"], "compare": ["factory.bin", "--chip"]}
    words = [command, *sources.get(command, []), "--adapter", "sim:./board"]
    ended = bench.run(*words, "--size", "16M", env={"SPIFLASH_SHELF": "s"})
    assert ended.status == ChipMismatchError.status
    assert "You stated 16M" in ended.err
    assert "--size 8M" in ended.err


def test_compare_with_the_chip_in_more_passes(bench: Bench) -> None:
    (bench.folder / "other.bin").write_bytes(heron_variant(3))
    words = ["compare", "other.bin", "--chip", "--passes", "3", "--clock", "12M", "--json"]
    ended = bench.run(*words, "--adapter", "sim:./board")
    assert ended.status == 1, ended.err
    assert ended.document


def shifted_image(here: Bench) -> bytes:
    """An image that differs from the board in a megabyte; image.bin holds it."""
    image = random.Random(1).randbytes(0x100000) + here.flash[0x100000:]
    (here.folder / "image.bin").write_bytes(image)
    return image


def test_a_plan_is_shown_and_the_chip_left_alone(here: Bench) -> None:
    image = shifted_image(here)
    before = here.flash
    text = here.on_board("restore", "image.bin", "--plan")
    found = here.on_board("restore", "image.bin", "--plan", "--json")
    assert (text.status, found.status) == (0, 0), text.err + found.err
    assert here.flash == before
    assert not list((here.shelf / "journals").glob("*"))
    done = here.on_board("restore", "image.bin", "--yes", "--verify", "all", "--json")
    assert done.status == 0, done.err
    assert here.flash == image
    plan = found.document["plan"]
    assert len(plan["erases"]) > 0
    assert 0 < plan["programs"] <= 0x100000 // 256
    assert done.document["plan"] == plan


def test_the_plan_of_an_erase_is_shown_and_the_chip_left_alone(here: Bench) -> None:
    before = here.flash
    found = here.on_board("erase", "--at", "0x40000", "--length", "64K", "--plan", "--json")
    assert found.status == 0, found.err
    assert here.flash == before
    held = [at for at in range(0x40000, 0x50000, 4096) if set(before[at : at + 4096]) != {0xFF}]
    assert held
    assert found.document["plan"]["ranges"] == [[held[0], held[-1] + 4096]]
    assert found.document["plan"]["programs"] == 0


def test_undo_brings_back_what_was_there_before_the_cut(here: Bench) -> None:
    shifted_image(here)
    before = here.flash
    process = here.start(
        *("restore", "image.bin", "--yes", "--shelf", "shelf"),
        *("--adapter", "sim:board?through=1"),
    )
    deadline = time.monotonic() + PATIENCE
    while here.flash == before:
        assert process.poll() is None, "it has ended already"
        assert time.monotonic() < deadline
    process.kill()
    process.communicate(timeout=PATIENCE)
    assert here.flash != before
    done = here.on_board("restore", "--undo", "--yes")
    assert done.status == 0, done.err
    assert here.flash == before
    assert not list((here.shelf / "journals").glob("*"))


def test_the_backup_may_lie_elsewhere(here: Bench) -> None:
    image = shifted_image(here)
    (kept,) = here.shelf.glob("20*")
    kept.rename(here.folder / "set")
    refused = here.on_board("restore", "image.bin", "--yes")
    assert refused.status != 0
    assert "--backup" in refused.err
    done = here.on_board("restore", "image.bin", "--yes", "--backup", "set")
    assert done.status == 0, done.err
    assert here.flash == image
