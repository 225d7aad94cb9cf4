"""Erase maps whose blocks do not begin at multiples of their size."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from hwmocks.clock import VirtualClock
from spiflash.bus import Transaction
from spiflash.nor.chip import Answers
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import chip_table, identify
from spiflash.plan import Erase, make_plan
from spiflash.plan.optimum import TransferCost


class Recorder:
    """A bus that notes what is sent; every answer is zeros (ready)."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.sent: list[bytes] = []

    def run(self, transactions: Sequence[Transaction]) -> list[bytes]:
        self.sent += [each.out for each in transactions]
        return [bytes(each.read) for each in transactions]


def test_a_block_that_is_what_smaller_sectors_leave_of_a_larger_one() -> None:
    """S25FS512S data sheet, from memory: eight 4 KiB sectors over the first 256 KiB; D8h (DCh) in
    the rest of those erases 224 KiB, which does not begin at a multiple of its size."""
    part = chip_table().by_name("S25FS512S")[0]
    chip = identify(Answers((part.id + part.extended_id + bytes(8))[:8]), chip_table(), part.name)
    recorder = Recorder()
    flash = NorFlash(recorder, chip)  # type: ignore[arg-type]
    old = bytes(part.size)
    new = old[:0x8000] + b"\xff" * 0x38000 + old[0x40000:]
    (step,) = make_plan(
        old, new, flash.geometry, TransferCost.at_clock(20e6, address_bytes=4)
    ).steps
    assert isinstance(step, Erase)
    flash.erase(step.address, step.type)
    assert bytes.fromhex("DC00008000") in recorder.sent
    with pytest.raises(ValueError, match="not the start"):
        flash.erase(0x48000, step.type)
