"""Options that change what a command does, as a person gives them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli_rig import Bench, new_bench

from hwmocks.boards.heron import heron_variant
from spiflash.errors import ChipMismatchError


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return new_bench(tmp_path_factory.mktemp("bench"))


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
