"""Identification and the capacity check on QEMU's flash models, which nobody here wrote.

Source: QEMU's hw/block/m25p80.c, run as models on its ast2500-evb machine (see qemu.py). That each
model's ID gives the right part and that the part's erases work on it is checked beside this in
test_chipdb_qemu.py; here the whole way from the bus to an identified chip is gone. QEMU ignores
address bits above a model's size, which makes it a reference for the wrap-around probe.

The long sweep (SPIFLASH_SWEEP=full) goes through every model that QEMU has.
"""

from __future__ import annotations

import os
import random
from dataclasses import replace
from pathlib import Path

import pytest

from spiflash.bus import Bus
from spiflash.errors import (
    ChipAbsentError,
    ChipAmbiguousError,
    ChipMismatchError,
    ChipUnknownError,
    SpiflashError,
)
from spiflash.nor.addressing import find_mode
from spiflash.nor.capacity import Reach, check_capacity, wrap_probe
from spiflash.nor.chip import Chip
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import candidates_for, chip_table, identify
from spiflash.nor.probe import probe, probe_shared_id
from spiflash.nor.unlisted import read_only_geometry
from tests.references.qemu import MODELS, available_models, start_qemu

pytestmark = pytest.mark.needs("qemu-system-arm")

MIB = 1 << 20
LARGEST = 256 * MIB

NOT_RECOGNISED: dict[str, tuple[type[SpiflashError], str]] = {
    "at25128a-nonjedec": (ChipAbsentError, "an SPI EEPROM that does not answer 9Fh"),
    "at25256a-nonjedec": (ChipAbsentError, "an SPI EEPROM that does not answer 9Fh"),
    "s25fl256s0": (ChipUnknownError, "QEMU ends the ID after 4D 00; the real part adds 80"),
    "s25fl256s1": (ChipUnknownError, "QEMU ends the ID after 4D 01; the real part adds 80"),
}
"""Models that must not be taken for anything, and why."""


def swept_models() -> list[str]:
    if os.environ.get("SPIFLASH_SWEEP") == "full":
        return list(available_models())
    return [model.name for model in MODELS]


@pytest.fixture(scope="module")
def noise(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Contents that do not repeat; 32 MiB of them unless the sweep is long."""
    full = os.environ.get("SPIFLASH_SWEEP") == "full"
    path = tmp_path_factory.mktemp("noise") / "flash.img"
    maker = random.Random(8)
    with path.open("wb") as file:
        for _ in range(LARGEST // MIB if full else 32):
            file.write(maker.randbytes(MIB))
    return path


@pytest.mark.parametrize("model", swept_models())
def test_a_model_is_recognised_and_its_capacity_holds(model: str, noise: Path) -> None:
    with start_qemu(model, noise) as bus:
        table = chip_table()
        if model in NOT_RECOGNISED:
            kind, _ = NOT_RECOGNISED[model]
            with pytest.raises(kind):
                identify(probe(bus), table)
            return
        answers = probe(bus)
        candidates = candidates_for(answers, table)
        answers = probe_shared_id(bus, answers, candidates)
        try:
            chips = [identify(answers, table)]
        except ChipAmbiguousError:
            chips = [identify(answers, table, part.name) for part in candidates]
        if model == "at45db081d":
            with pytest.raises(ChipUnknownError, match="DataFlash"):
                check_capacity(NorFlash(bus, chips[0]))
            return
        verdicts = [_capacity(bus, chip) for chip in chips]
        assert Reach.FULL in verdicts, [chip.name for chip in chips]


def _capacity(bus: Bus, chip: Chip) -> Reach | None:
    """What the capacity check says; None when it refuses the chip."""
    try:
        mode = find_mode(bus, chip)
        with NorFlash(bus, chip, mode) as flash:
            finding = check_capacity(flash).wrap
            _twice_as_large(flash, chip)
            return finding.reach
    except ChipMismatchError:
        return None


def _twice_as_large(flash: NorFlash, chip: Chip) -> None:
    """A chip said to be twice as large is found out, where three bytes of address reach it."""
    if 2 * chip.size > 16 * MIB or chip.size < 1 << 16:
        return
    larger = replace(chip, geometry=read_only_geometry(2 * chip.size))
    finding = wrap_probe(NorFlash(flash.bus, larger).peek, 2 * chip.size)
    assert (finding.reach, finding.period) == (Reach.REPEATS, chip.size)
