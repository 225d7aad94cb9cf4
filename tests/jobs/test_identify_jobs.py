"""From the clip to a chip that work may begin on: relabelled, unknown, ambiguous, protected."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_factory
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.cli.main import run
from spiflash.errors import ChipMismatchError, ChipUnknownError, UsageError
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from spiflash.nor.capacity import Reach
from spiflash.nor.commands import ReadStyle
from tests.job_rig import WATCHER, Rig, heron_rig

MIB = 1 << 20
UNLISTED = bytes.fromhex("998877")


def unlisted_chip(sfdp: bool = True, contents: bytes | None = None) -> NorChip:
    """A W25Q64JV in all but its ID."""
    real = describe("W25Q64JV")
    changed = replace(real, name="unlisted", id=UNLISTED, sfdp=real.sfdp if sfdp else b"")
    return NorChip(changed, contents if contents is not None else heron_factory(), seed=2)


def start_of(connection: Connection) -> bytes:
    """The first 64 KiB, which hold the boot code."""
    return connection.flash.read_all(0, 65536, ReadStyle())


# -- capacity ----------------------------------------------------------------------------------


def test_a_relabelled_chip_is_caught_before_the_first_byte_is_saved(tmp_path: Path) -> None:
    """Its ID, REMS, legacy ID and SFDP say 16 MiB; the array has 8."""
    chip = NorChip("W25Q64JV as W25Q128JV", heron_factory(), seed=1)
    with (
        pytest.raises(ChipMismatchError, match="repeat after 8 MiB") as caught,
        Rig(chip).connect() as connection,
    ):
        back_up(connection, Shelf(tmp_path), WATCHER)
    assert "--size 8M" in caught.value.remedy
    assert list(tmp_path.iterdir()) == []


def test_a_relabelled_chip_can_be_read_at_its_true_size() -> None:
    chip = NorChip("W25Q64JV as W25Q128JV", heron_factory(), seed=1)
    with Rig(chip).connect(size=8 * MIB) as connection:
        assert connection.chip.write_doubt
        assert connection.chip.size == 8 * MIB
        assert start_of(connection) == heron_factory()[:65536]


def test_the_size_of_a_sound_chip_is_proven() -> None:
    with heron_rig().connect() as connection:
        assert connection.capacity.by_sfdp
        assert connection.capacity.proven
        assert "SFDP gives the same size" in connection.chip.how


def test_a_blank_chip_is_not_proven_and_says_so() -> None:
    with Rig(NorChip("W25Q64JV", seed=1)).connect() as connection:
        assert connection.capacity.wrap.reach is Reach.UNKNOWN
        assert any("blank" in note for note in connection.chip.notes)


def test_checking_the_capacity_only_reads() -> None:
    rig = heron_rig()
    before = rig.chip.snapshot()
    with rig.connect():
        pass
    assert rig.chip.snapshot() == before
    assert not rig.chip.busy_drawn


# -- unknown chips -----------------------------------------------------------------------------


def test_an_unlisted_chip_with_sfdp_may_be_read_but_not_written(shelf: Shelf) -> None:
    chip = unlisted_chip()
    with Rig(chip).connect() as connection:
        assert "--trust-sfdp" in connection.chip.write_doubt
        assert start_of(connection) == heron_factory()[:65536]
        with pytest.raises(ChipUnknownError, match="trust-sfdp"):
            restore(connection, shelf, Image("x", b"x"), WATCHER, agree=lambda work: True)
    assert bytes(chip.contents) == heron_factory()


def test_an_unlisted_chip_is_written_on_a_persons_word(tmp_path: Path) -> None:
    chip = unlisted_chip()
    with Rig(chip).connect(trust_sfdp=True) as connection:
        assert "you said to trust" in connection.chip.how
        assert any("voltage" in note for note in connection.chip.notes)
        restore(
            connection,
            Shelf(tmp_path),
            Image("new", b"new contents"),
            WATCHER,
            WriteOptions(at=0x700000, without_backup=True),
            agree=lambda work: True,
        )
    assert chip.contents[0x700000:0x70000C] == b"new contents"
    assert chip.contents[:0x700000] == heron_factory()[:0x700000]


def test_an_unlisted_chip_without_sfdp_is_read_at_a_stated_size() -> None:
    chip = unlisted_chip(sfdp=False)
    with pytest.raises(ChipUnknownError, match="99 88 77") as caught, Rig(chip).connect():
        pass
    assert "--size" in caught.value.remedy
    with Rig(chip).connect(size=8 * MIB, trust_sfdp=True) as connection:
        assert connection.capacity.proven
        assert connection.chip.write_doubt
        assert start_of(connection) == heron_factory()[:65536]


def test_a_stated_size_that_is_too_large_is_caught() -> None:
    with (
        pytest.raises(ChipMismatchError) as caught,
        Rig(unlisted_chip(sfdp=False)).connect(size=16 * MIB),
    ):
        pass
    assert "--size 8M" in caught.value.remedy


@pytest.mark.parametrize("size", [0, 1000, 32 << 10, 8 * MIB + 1])
def test_a_size_that_no_chip_has(size: int) -> None:
    with pytest.raises(UsageError), Rig(unlisted_chip(sfdp=False)).connect(size=size):
        pass


def test_more_than_three_bytes_reach_needs_more_than_a_size() -> None:
    with (
        pytest.raises(ChipUnknownError, match="16 MiB"),
        Rig(unlisted_chip(sfdp=False)).connect(size=32 * MIB),
    ):
        pass


def test_continuation_codes_lead_to_the_right_firm() -> None:
    """JEP106 bank 7 is six continuation codes; C8h there is GigaDevice."""
    real = describe("W25Q64JV")
    ident = b"\x7f" * 6 + b"\xc8\x99"
    chip = NorChip(replace(real, name="far bank", id=ident), heron_factory(), seed=2)
    with Rig(chip).connect() as connection:
        assert "GigaDevice" in connection.chip.vendor
        assert connection.chip.name.startswith("unknown 7F7F7F7F7F7FC8")


# -- parts with one ID ----------------------------------------------------------------------------


def test_a_register_that_only_newer_parts_have_tells_namesakes_apart() -> None:
    """The configuration register of the MX25L12835F reads 07h from the factory; the 12805D and
    12845E do not know 15h (data sheets, from memory)."""
    chip = NorChip("MX25L12835F", random.Random(1).randbytes(16 * MIB), seed=1)
    with Rig(chip).connect() as connection:
        assert connection.chip.name == "MX25L12835F"
        assert "register" in connection.chip.how
    assert chip.snapshot().registers == NorChip("MX25L12835F").snapshot().registers


def test_parts_with_one_id_that_remain_are_recorded(tmp_path: Path) -> None:
    with heron_rig().connect() as connection:
        made = back_up(connection, Shelf(tmp_path), WATCHER)
    assert set(made.record.chip.candidates) >= {"W25Q64FV", "W25Q64JV"}
    assert made.record.chip.identified_by.startswith("JEDEC ID, chip table, SFDP and registers")


# -- the commands ------------------------------------------------------------------------------


def spoken(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = run(list(arguments))
    out, err = capsys.readouterr()
    return status, out, err


def test_identify_shows_ranges_quad_bit_and_capacity(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = spoken(capsys, "identify", "--adapter", "sim:heron", "--json")
    assert status == 0
    chip = json.loads(out)["chip"]
    assert chip["protected"] == []
    assert chip["block_locks"] is False
    assert "addresses do not wrap" in chip["known_by"]
    status, out, _ = spoken(capsys, "identify", "--adapter", "sim:heron")
    assert "Quad bit" in out


def test_chips_finds_parts(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = spoken(capsys, "chips", "w25q64jv")
    # W25Q64JV data sheet (from memory): JEDEC ID EF4017, 4 KiB erase 45 ms typical, 400 ms at most.
    assert "EF 40 17" in out
    assert "45 ms, at most 400 ms" in out
    assert "from memory" in out
    _, out, _ = spoken(capsys, "chips", "EF", "40", "18", "--json")
    names = {part["name"] for part in json.loads(out)["parts"]}
    assert names >= {"W25Q128JV", "W25Q128FV"}
    _, out, _ = spoken(capsys, "chips", "macronix", "--volts", "1.8", "--size", "16M", "--json")
    parts = json.loads(out)["parts"]
    assert {part["size"] for part in parts} == {16 * MIB}
    assert all(part["supply_v"][0] <= 1.8 <= part["supply_v"][1] for part in parts)
    assert parts
    _, out, _ = spoken(capsys, "chips", "no-such-part")
    assert out.startswith("None of the")


MY_TABLE = """vendor = "Mine"

[[part]]
name = "MY64"
like = "nothing"
"""


def test_chips_checks_a_persons_own_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(MY_TABLE)
    status, _, err = spoken(capsys, "chips", "--chips", str(file))
    assert status == 50
    assert f"{file}" in err
    assert "line 5" in err or ":5" in err
    status, _, err = spoken(capsys, "chips", "--chips", str(tmp_path / "absent.toml"))
    assert status == 50
    assert "absent.toml" in err
