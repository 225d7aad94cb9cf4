"""What unit tests work on."""

from __future__ import annotations

from pathlib import Path

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.archive.ledger import Ledger
from tests.nor_rig import NorRig


@pytest.fixture
def chip() -> NorChip:
    """The simulated chip of which most is known, as the factory left it."""
    return NorChip("W25Q64JV")


@pytest.fixture
def rig(chip: NorChip) -> NorRig:
    """Its wires, one chip-select period a call."""
    return NorRig(chip)


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    """A ledger in a folder that is not there yet."""
    return Ledger(tmp_path / "new" / "ledger.sqlite")
