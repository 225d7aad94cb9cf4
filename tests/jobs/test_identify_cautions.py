"""What is said of a chip's voltage: by every command, once, before it works."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from chipdb.table import ChipTable
from hwmocks import store
from hwmocks.boards.heron import heron_factory, heron_open
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from spiflash.cli.main import program
from spiflash.errors import ChipAmbiguousError
from spiflash.nor.chip import Answers, Chip
from spiflash.nor.identify import chip_table, identify
from spiflash.report.bench import about_voltage
from spiflash.report.chips import identity_json, identity_text
from tests.clone_rig.heron import write_job
from tests.job_rig import Rig

FULL = os.environ.get("SPIFLASH_SWEEP") == "full"
LOW = "STOP: "
UNKNOWN = "The voltage of this chip is not known"


def answering(jedec_id: str, sfdp: bytes | None = None) -> NorChip:
    """A W25Q64JV in all but its ID."""
    real = describe("W25Q64JV")
    changed = replace(
        real,
        name="changed",
        id=bytes.fromhex(jedec_id),
        sfdp=real.sfdp if sfdp is None else sfdp,
    )
    return NorChip(changed, b"\xff" * (8 << 20), seed=2)


@pytest.mark.parametrize(
    ("jedec_id", "said"),
    [
        ("ef 40 17", set()),  # W25Q64JV: 2.7 V to 3.6 V
        ("ef 60 17", {LOW}),  # W25Q64FW and JW: 1.65 V to 1.95 V
        ("99 88 77", {UNKNOWN}),
    ],
    ids=["3.3 V", "1.8 V", "unlisted"],
)
def test_a_warning_about_the_voltage_where_it_applies(jedec_id: str, said: set[str]) -> None:
    """Supply ranges: the data sheets' operating conditions, from memory."""
    with Rig(answering(jedec_id)).connect() as found:
        shown = found.chip, found.unique_id, found.registers, found.protection, "test"
        text = identity_text(*shown)
        document = identity_json(*shown)
    *voltage, rest = document["cautions"]
    assert voltage == list(about_voltage(found.chip))
    assert {each for each in (LOW, UNKNOWN) if voltage and each in voltage[0]} == said
    assert rest in re.sub(r"\s+", " ", text)
    assert "STOP" not in text
    assert "spiflash wiring" in rest


def named(jedec_id: str, part: str | None = None) -> Chip:
    answers = Answers((bytes.fromhex(jedec_id) + bytes(8))[:8])
    return identify(answers, chip_table(), part)


def test_parts_with_one_id_and_no_supply_in_common_are_not_merged_into_one() -> None:
    """SST26VF064B (2.7 V to 3.6 V) and SST26WF064 (1.65 V to 1.95 V): data sheets, from memory."""
    chip = named("bf 26 43")
    assert chip.supply is None
    assert "2.7 V to 3.6 V (SST26VF064B)" in chip.supply_text
    assert "1.65 V to 1.95 V (SST26WF064)" in chip.supply_text
    assert "marking" in chip.supply_text
    (caution,) = about_voltage(chip)
    assert caution.startswith(LOW)
    assert "SST26WF064" in caution


@pytest.mark.parametrize("part", ["P25Q64L", "P25Q128L"])
def test_a_low_voltage_part_under_the_id_of_a_3_v_part(part: str) -> None:
    jedec_id = chip_table().by_name(part)[0].id.hex()
    (caution,) = about_voltage(named(jedec_id, part))
    assert caution.startswith(f"{LOW}{part} takes at most 2 V")
    unnamed = named(jedec_id)
    assert unnamed.supply is None
    assert about_voltage(unnamed)[0].startswith(LOW)


def test_a_3_v_part_that_a_person_named_has_a_relative_that_dies_of_3_v() -> None:
    chip = named("85 60 17", "P25Q64H")
    assert chip.supply == (2.3, 3.6)
    (caution,) = about_voltage(chip)
    assert "P25Q64L has the same ID" in caution
    assert "2 V" in caution
    assert "P25Q64L" in chip.supply_text


def test_whatever_shares_an_id_has_a_supply_that_all_share_or_a_warning() -> None:
    """For every ID of the table: a part in it that 3.3 V destroys is never passed over."""
    table = chip_table()
    for part in table.parts:
        kin = table.by_id(part.id + part.extended_id)
        chip = identify_or_none(part.id + part.extended_id)
        if chip is None:
            continue
        low = [each for each in kin if each.supply[1] < 3.0]
        if chip.supply is not None:
            for each in kin:
                assert each.supply[0] <= chip.supply[0] < chip.supply[1] <= each.supply[1]
        assert bool(about_voltage(chip)) == bool(low), part.name
        if low:
            assert about_voltage(chip)[0].startswith(LOW)


def identify_or_none(answer: bytes) -> Chip | None:
    try:
        return identify(Answers((answer + bytes(8))[:8]), chip_table())
    except ChipAmbiguousError:
        return None


def test_sfdp_does_not_argue_a_low_voltage_part_away() -> None:
    """Only SFDP's contents speak for the 3 V part: that is no ground to trust it with 3.3 V."""
    base = chip_table().by_name("W25Q64JV")[0]
    low = replace(base, name="LOW", supply=(1.65, 1.95), sfdp=False)
    answers = Answers(describe("W25Q64JV").id + bytes(5), sfdp=describe("W25Q64JV").sfdp)
    chip = identify(answers, ChipTable((base, low)))
    assert chip.name == "W25Q64JV"
    assert chip.supply is None
    assert about_voltage(chip)[0].startswith(LOW)


QUICK = ("contact", "identify", "verify IMAGE", "erase --shelf SHELF")
LONG = (
    "prove --yes",
    "backup --shelf SHELF",
    "compare IMAGE --chip",
    "triage --shelf SHELF",
    "convert IMAGE --shelf SHELF",
    "restore IMAGE --shelf SHELF",
    "clone JOB --shelf SHELF --ledger LEDGER --count 1",
)


@pytest.mark.parametrize("command", [*QUICK, *(LONG if FULL else ())])
def test_every_command_says_it_once_before_it_works(command: str, tmp_path: Path) -> None:
    """A W25Q64DW stands 1.95 V at most (data sheet, from memory)."""
    store.create(tmp_path / "board", "W25Q64DW", heron_factory() if FULL else None)
    (tmp_path / "IMAGE").write_bytes(heron_open())
    write_job(tmp_path).rename(tmp_path / "JOB")
    words = [str(tmp_path / each) if each.isupper() else each for each in command.split()]
    done = CliRunner().invoke(program, [*words, "--adapter", f"sim:{tmp_path / 'board'}"])
    assert done.stderr.count(LOW) == 1, done.output
    before = done.stderr[: done.stderr.index(LOW)]
    assert not before or (words[0] in ("prove", "clone") and len(before.splitlines()) < 6)
