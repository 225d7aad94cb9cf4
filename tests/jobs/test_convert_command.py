"""`spiflash convert` as a person gives it: right, wrong, cut, and what it leaves behind."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
from pathlib import Path

import bagit
import click
import pytest

from hwmocks import store
from hwmocks.boards.heron import heron_factory, heron_open, mac_address, serial_number
from spiflash.cli.convert import convert as convert_command
from tests.benchmarks.converting import cuts
from tests.jobs.cli_rig import Bench, Ended, new_bench

ENV = slice(0x40000, 0x50000)
FACTORY = slice(0x50000, 0x60000)
WRITTEN = slice(0x400000, 0x740000)
CONFIG = slice(0x400000, 0x440000)


FULL = os.environ.get("SPIFLASH_SWEEP") == "full"
sweep = pytest.mark.skipif(not FULL, reason="takes long: SPIFLASH_SWEEP=full")


@pytest.fixture(scope="module")
def before(bench: Bench) -> Bench:
    """A board with a verified backup on the shelf, which a refused conversion left there; the open
    image as a file, as the examples call it."""
    (bench.folder / "openfw.img").write_bytes(heron_open())
    (bench.folder / "half.bin").write_bytes(heron_open()[: 4 << 20])
    ended = convert(bench, "--yes", "--json", "--board", "gauge-23", image="half.bin")
    assert ended.status == 40
    assert "--despite short" in ended.err
    assert (ended.document["refused"], ended.document["fresh"]) == (["short"], True)
    assert bench.flash == heron_factory()
    made = only_set(bench)
    assert "gauge-23" in made.name
    assert (made / "data/flash.bin").read_bytes() == heron_factory()
    bagit.Bag(str(made)).validate()
    return bench


@pytest.fixture
def here(before: Bench, tmp_path: Path) -> Bench:
    return before.copy(tmp_path / "bench")


def convert(bench: Bench, *words: str, image: str = "openfw.img") -> Ended:
    return bench.on_board("convert", image, *words)


def only_set(bench: Bench) -> Path:
    (found,) = [each for each in bench.shelf.iterdir() if each.name != "journals"]
    return found


def assert_converted(contents: bytes, dropped: tuple[slice, ...] = ()) -> None:
    """The image, with what is the board's own; `dropped` ranges are blank."""
    factory, image = heron_factory(), heron_open()
    assert contents[FACTORY] == factory[FACTORY]
    written = bytearray(factory)
    for each in dropped:
        written[each] = b"\xff" * (each.stop - each.start)
    assert contents[WRITTEN] == written[WRITTEN]
    assert contents[: ENV.start] == image[: ENV.start]
    assert contents[FACTORY.stop : WRITTEN.start] == image[FACTORY.stop : WRITTEN.start]
    for text in (f"ethaddr={mac_address(0x17)}", f"serial#={serial_number(0x17)}"):
        assert f"\0{text}\0".encode() in contents[ENV]


def test_the_example_and_what_it_leaves(here: Bench) -> None:
    """The one of the two in its help that writes; the README's session converts without wishes."""
    written = "convert openfw.img --drop config --set bootdelay=3"
    planned = "convert openfw.img --plan"
    help_text = convert_command.get_help(
        click.Context(convert_command, help_option_names=["-h", "--help"])
    )
    assert re.findall(r"^ +spiflash (convert .*)$", help_text, re.MULTILINE) == [planned, written]
    if FULL:
        ended = here.on_board(*shlex.split(planned), "--json")
        assert ended.status == 0, ended.err
        assert (ended.document["lost"], here.flash) == (0, heron_factory())
    job = here.folder / "job.toml"
    ended = here.on_board(*shlex.split(written), "--yes", "--save-job", job, "--json")
    assert ended.status == 0, ended.err
    assert_converted(here.flash, (CONFIG,))
    assert b"\0bootdelay=3\0" in here.flash[ENV]
    found = ended.document
    assert found["verified"]
    assert not found["fresh"]
    names = {each["name"] for each in found["own"]}
    assert names >= {"ethaddr", "serial#", "factory", "config", "readings", "psk"}
    lost = {each["name"] for each in found["own"] if each["fate"] == "not carried over"}
    assert lost >= {"config", "psk"}
    assert not lost & {"ethaddr", "serial#", "factory", "readings"}
    assert found["lost"] == sum(each["fate"] == "not carried over" for each in found["own"])
    made = only_set(here)
    page = Path(found["page"])
    assert page.parent == made
    html = page.read_text("utf-8")
    assert "invented-passphrase-never-used" not in html + ended.out
    assert "••••••" in html
    assert f"spiflash restore {made}" in html
    assert "[[environment]]" in job.read_text("utf-8")  # the rehearsal clones with such a job


@sweep
def test_from_backup_to_converted(tmp_path: Path) -> None:
    here = new_bench(tmp_path)
    (tmp_path / "openfw.img").write_bytes(heron_open())
    ended = convert(here, "--yes", "--board", "gauge-23", "--json")
    assert ended.status == 0, ended.err
    assert_converted(here.flash)
    found = ended.document
    assert found["verified"]
    assert found["fresh"]
    assert found["lost"] == 0
    made = only_set(here)
    assert "gauge-23" in made.name
    assert (made / "data/flash.bin").read_bytes() == heron_factory()
    bagit.Bag(str(made)).validate()


def test_the_same_command_after_a_cut() -> None:
    """A few cuts; `converting.py --cuts 20` makes them at every twentieth USB transfer."""
    counts, problems = cuts(20) if FULL else cuts(10_000, 0.85, ("power",))
    assert problems == []
    assert counts["cuts by power"] >= 1
    assert counts["of them with a journal open"] >= 1


@sweep
def test_without_the_board_and_once_more(here: Bench) -> None:
    image, made = here.folder / "made.bin", only_set(here)
    alone = here.run("convert", "openfw.img", "--backup", made, "--save-image", image)
    assert alone.status == 0, alone.err
    assert_converted(image.read_bytes())
    assert convert(here, "--yes").status == 0
    assert image.read_bytes() == here.flash
    again = convert(here, "--yes", "--json")
    assert again.document["plan"]["programs"] == 0
    assert only_set(here) == made


@sweep
def test_nobody_to_ask_means_no(here: Bench) -> None:
    ended = convert(here)
    assert ended.status == 60
    assert "ethaddr" in ended.out
    assert here.flash == heron_factory()


@sweep
def test_a_wrong_image_is_not_written(here: Bench) -> None:
    """The setting up has seen the same with --yes --json."""
    for words in (("--yes",), ("--plan",), ("--save-image", "x.bin")):
        ended = convert(here, *words, image="half.bin")
        assert ended.status == 40
        assert "--despite short" in ended.err
        assert not (here.folder / "x.bin").exists()
    assert here.flash == heron_factory()


@sweep
def test_a_wrong_image_despite_its_reason(here: Bench) -> None:
    ended = convert(here, "--yes", "--despite", "short", image="half.bin")
    assert ended.status == 0, ended.err
    assert_converted(here.flash)


@sweep
def test_a_changed_board_is_saved_again(here: Bench) -> None:
    """The set on the shelf is of this chip, but the chip holds something else by now."""
    contents = bytearray(here.flash)
    contents[0x7F0000:0x7F0010] = b"written since..."
    (here.board / store.CONTENTS).write_bytes(contents)
    ended = convert(here, "--yes", "--json")
    assert ended.status == 0, ended.err
    assert ended.document["fresh"]
    assert (Path(ended.document["set"]) / "data/flash.bin").read_bytes() == contents
    assert here.flash[0x7F0000:0x7F0010] == b"written since..."


@sweep
def test_variables_and_files_that_exist(here: Bench) -> None:
    (here.folder / "there").write_text("mine")
    for option in ("--save-image", "--save-job"):
        ended = convert(here, "--yes", option, "there")
        assert ended.status == 52
        assert (here.folder / "there").read_text() == "mine"
        assert here.flash == heron_factory()
    assert convert(here, "--set", "x").status == 2
    assert convert(here, "--drop", "nothing", "--yes").status == 2
    ended = convert(here, "--plan", "--set", "bootdelay=7", "--drop", "config", "--json")
    fates = {each["name"]: each["fate"] for each in ended.document["own"]}
    assert fates["config"] == fates["psk"] == "not carried over"
    assert json.dumps(ended.document).count("invented-passphrase") == 0


def test_restore_says_what_it_overwrites(here: Bench) -> None:
    """Of a whole image and of regions: before it asks, and with --yes before it writes."""
    regions = ("--region", "env", "--region", "readings")
    next_step = "spiflash convert openfw.img --adapter "
    said = ("MAC address 00:00:5e:00:53:17", "serial number HG-2019-0023", next_step)
    for words, more in (((), "calibration"), (regions, "leave out their regions")):
        if words or FULL:
            (here.board / store.CONTENTS).write_bytes(heron_factory())
            ended = here.on_board("restore", "openfw.img", *words, "--yes")
            assert ended.status == 0, ended.err
            for word in (*said, more):
                assert word in ended.err
            assert ("calibration" in ended.err) is not bool(words)  # not in these regions
    expected = bytearray(heron_factory())
    for each in (ENV, slice(0x440000, 0x740000)):
        expected[each] = heron_open()[each]
    assert here.flash == expected
    if FULL:
        (here.board / store.CONTENTS).write_bytes(heron_factory())
        planned = here.on_board("restore", "openfw.img", "--plan", "--json").document
        assert {each["name"] for each in planned["overwrites"]} >= {"ethaddr", "serial#", "config"}
        planned = here.on_board("restore", "openfw.img", *regions, "--plan", "--json").document
        names = {each["name"] for each in planned["overwrites"]}
        assert names == {"ethaddr", "serial#", "readings"}


@sweep
def test_needs_nothing_but_the_board(here: Bench) -> None:
    """A set that was moved away is named with --backup."""
    elsewhere = here.folder / "elsewhere"
    shutil.move(only_set(here), elsewhere)
    ended = convert(here, "--yes", "--backup", str(elsewhere), "--json")
    assert ended.status == 0, ended.err
    assert_converted(here.flash)
    assert not ended.document["fresh"]
