"""A restore that was cut short, and another board of the same kind on the clip."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import ChipMismatchError, NoBackupError, SpiflashError
from spiflash.work.image import Image
from spiflash.work.restore import Leave, restore
from tests.job_rig import WATCHER, Rig

FREELY = Leave(without_backup=True)


def test_a_cut_restore_is_not_finished_on_another_board(tmp_path: Path) -> None:
    """An MX25L6406E has no unique ID (data sheet, from memory): only its contents tell."""
    old = random.Random(1).randbytes(8 << 20)
    first, other = NorChip("MX25L6406E", old, seed=3), NorChip("MX25L6406E", seed=4)
    other.contents[:] = random.Random(2).randbytes(8 << 20)
    image = Image("new", random.Random(3).randbytes(640 << 10))
    shelf, rig = Shelf(tmp_path), Rig(first)

    def unplug(number: int) -> None:
        if first.pages_programmed > 1500 and rig.bench is not None:
            rig.bench.device.unplug()

    rig.faults = UsbFaults(on_transfer=unplug)
    with pytest.raises(SpiflashError), rig.connect("MX25L6406E") as connection:
        restore(connection, shelf, image, WATCHER, agree=lambda _: True, leave=FREELY)
    first.power(False, 1e9)
    before = other.snapshot()
    with Rig(other).connect("MX25L6406E") as connection:
        with pytest.raises(ChipMismatchError, match="not of this chip") as caught:
            restore(connection, shelf, None, WATCHER, agree=lambda _: True, leave=FREELY)
        assert "away from the shelf" in caught.value.remedy
        # The same image for the other board is work of its own, bound by the backup rule.
        with pytest.raises(NoBackupError):
            restore(connection, shelf, image, WATCHER, agree=lambda _: True)
    assert other.snapshot() == before
    held = bytes(other.contents)
    with Rig(other).connect("MX25L6406E") as connection:
        restore(connection, shelf, image, WATCHER, agree=lambda _: True, leave=FREELY)
    assert other.contents == image.contents + held[len(image.contents) :]
    assert held in [each.contents() for each in shelf.sets().sets]
    assert len(open_journals(shelf.journals).whole) == 1
    rig.faults = UsbFaults()
    with rig.connect("MX25L6406E") as connection:
        restore(connection, shelf, None, WATCHER, agree=lambda _: True)
    assert first.contents == image.contents + old[len(image.contents) :]
