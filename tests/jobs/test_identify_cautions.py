"""The screen of `identify`: of the cautions only those that this chip calls for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from spiflash.report.identity import identity_json, identity_text
from tests.job_rig import Rig

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
    ids=["3.3 V", "1.8 V", "stranger"],
)
def test_a_warning_about_the_voltage_where_it_applies(jedec_id: str, said: set[str]) -> None:
    """Supply ranges: the data sheets' operating conditions, from memory."""
    with Rig(answering(jedec_id)).connect() as found:
        shown = found.chip, found.unique_id, found.registers, found.protection, "test"
        text = identity_text(*shown)
        document = identity_json(*shown)
    assert {each for each in (LOW, UNKNOWN) if each in text} == said
    cautions = text.partition("\n\n")[2].splitlines()
    assert cautions == document["cautions"]
    assert len(cautions) == 1 + len(said)
    assert "spiflash wiring" in cautions[-1]
