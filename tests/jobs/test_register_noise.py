"""Registers that are read wrongly over a bad contact: no such value reaches the chip.

In the second register of a W25Q64FV bits 3 to 5 (LB1 to LB3) are one-time, and bit 0 (SRP1) locks
the registers; with SRP0 for good (data sheet, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from hwmocks.faults import Wrapper
from hwmocks.wire import Beat
from spiflash.archive.shelf import Shelf
from spiflash.bus import Sampling, Transaction
from spiflash.errors import ChipAbsentError, UnstableReadError
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from spiflash.nor.unprotect import restore_registers, unprotected
from tests.job_rig import WATCHER, Rig
from tests.nor_rig import chip_with, whole

TOP = b"\x5a" * 4096


@pytest.mark.parametrize(("name", "second"), [("W25Q64FV", (0x02,)), ("MX25L6406E", ())])
def test_a_register_that_was_read_wrongly_is_not_written_back(
    shelf: Shelf, name: str, second: tuple[int, ...]
) -> None:
    """A clip that is loose for a moment reads as ones."""
    chip = chip_with(name, 0x00, *second)
    before = chip.snapshot().registers
    with Rig(chip).connect(name) as connection:
        wrong = {key: b"\xfe" * len(value) for key, value in connection.registers.items()}
        restore(
            replace(connection, registers=wrong),
            shelf,
            Image("bottom", TOP),
            WATCHER,
            WriteOptions(without_backup=True),
            agree=lambda work: True,
        )
    assert chip.contents[: len(TOP)] == TOP
    assert chip.snapshot().registers == before


@pytest.mark.parametrize("noted", [0xFF, 0xFE])
def test_putting_back_writes_no_bit_that_was_never_changed(noted: int) -> None:
    """Of what an earlier session noted, only block protection, QE and CMP are taken."""
    chip = chip_with("W25Q64FV", 0x00, 0x02)
    with Rig(chip).connect("W25Q64FV") as connection:
        restore_registers(connection.flash, {"SR1": noted, "SR2": noted, "SR3": noted})
    assert not chip.registers["SR1"] & 0xE0
    assert not chip.registers["SR2"] & 0x39


class Clip(Wrapper):
    """What comes back of single-byte answers once `spoil` is set."""

    spoil: Callable[[int, Beat], int] | None = None

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        answer = self.inner.transfer(mosi, beat)
        if self.spoil is None or len(answer) != 1:
            return answer
        return bytes((self.spoil(answer[0], beat),))


def test_registers_are_lifted_at_a_slow_clock_whatever_was_set() -> None:
    chip = chip_with("W25Q64FV", 0x1C, 0x02)
    before = chip.snapshot().registers
    clip = Clip(chip)
    with Rig(chip, clip=lambda _: clip).connect("W25Q64FV") as connection:
        connection.bus.set_clock(15e6)
        connection.bus.set_sampling(Sampling.EDGE)
        slow = []
        with unprotected(connection.flash, [whole(chip)]):
            clip.spoil = lambda value, beat: slow.append(beat) or value
            assert not chip.protected_ranges
        clip.spoil = None
    assert {beat.hertz for beat in slow} == {1e6}
    assert any(beat.late for beat in slow)
    assert chip.snapshot().registers == before


def test_registers_that_never_read_the_same_twice_are_not_believed() -> None:
    chip = chip_with("W25Q64JV", 0x1C, 0x02)
    with Rig(chip).connect("W25Q64JV") as connection:
        real = connection.bus.run
        turn = iter(range(1000))

        def noisy(transactions: Sequence[Transaction]) -> list[bytes]:
            return [bytes((next(turn),)) for _ in real(transactions)]

        connection.bus.run = noisy  # type: ignore[method-assign]
        with pytest.raises(UnstableReadError, match="registers"):
            connection.flash.registers()
        connection.bus.run = real  # type: ignore[method-assign]


def test_a_chip_that_does_not_answer_has_nothing_written_to_its_registers() -> None:
    chip = chip_with("W25Q64FV", 0x1C, 0x02)
    clip = Clip(chip)
    with Rig(chip, clip=lambda _: clip).connect("W25Q64FV") as connection:
        chip.opcode_counts.clear()
        clip.spoil = lambda value, beat: 0xBB  # a floating line, mostly ones
        with (
            pytest.raises(ChipAbsentError, match="status register"),
            unprotected(connection.flash, [whole(chip)]),
        ):
            pytest.fail("the block must not run")
        clip.spoil = None
    assert chip.opcode_counts[0x01] == 0
    assert chip.registers["SR2"] == 0x02
