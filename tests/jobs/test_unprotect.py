"""Lifting the block protection for the time of the work, on simulated chips.

The register behaviour of the chips is that of the data sheets named in hwmocks (from memory):
W25Q64FV clears SR2 on a one-byte 01h, W25Q64JV does not, GD25Q64C has 31h for SR2, MX25L and
N25Q have no volatile status write.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.faults import Wrapper
from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat
from spiflash.archive.shelf import Shelf
from spiflash.bus.transaction import Sampling, Transaction
from spiflash.errors import (
    ChipAbsentError,
    ChipProtectedError,
    InterruptedWorkError,
    SpiflashError,
    UnstableReadError,
)
from spiflash.nor.protection import RegisterLock
from spiflash.nor.unprotect import put_back, unprotected
from spiflash.work.backup import back_up
from spiflash.work.image import Image, load_image
from spiflash.work.restore import Leave, restore
from tests.job_rig import WATCHER, Rig
from tests.nor_rig import NorRig

TOP = b"\x5a" * 4096


def chip_with(name: str, sr1: int, *second: int) -> NorChip:
    """A chip whose status registers somebody has written, non-volatile."""
    chip = NorChip(name, seed=3)
    chip.contents[:4] = b"\x01\x02\x03\x04"
    rig = NorRig(chip)
    for value, opcode in zip(second, (0x31, 0x11), strict=False):
        rig.write(bytes((opcode, value)))
    if name in ("W25Q64FV", "W25Q64DW"):
        rig.write(bytes((0x01, sr1, *second[:1])))
    else:
        rig.write(bytes((0x01, sr1)))
    return chip


def whole(chip: NorChip) -> tuple[int, int]:
    return (0, chip.description.size)


CASES = [
    # name, SR1, SR2 …, part to insist on. BP bits set; QE and other bits must survive.
    ("W25Q64JV", 0x1C, (0x02,), "W25Q64JV"),
    ("W25Q64JV", 0x1C, (0x02,), None),
    ("W25Q64JV", 0x00, (0x42,), "W25Q64JV"),  # CMP with BP 000: everything
    ("W25Q64JV", 0x24, (0x42,), "W25Q64JV"),
    ("W25Q64FV", 0x1C, (0x02,), "W25Q64FV"),
    ("W25Q64DW", 0x44, (0x02,), "W25Q64DW"),
    ("GD25Q64C", 0x1C, (0x02,), "GD25Q64C"),
    ("W25Q256JV", 0x3C, (0x02,), "W25Q256JV"),
    ("MX25L6406E", 0x1C, (), "MX25L6406E"),
    ("MX25L12835F", 0x7C, (), "MX25L12835F"),
    ("IS25LP128", 0x7C, (), None),
    ("N25Q128A", 0x5C, (), "N25Q128A13"),
    ("S25FL128S", 0x1C, (), None),
]


@pytest.mark.parametrize(("name", "sr1", "second", "part"), CASES)
def test_lifted_and_put_back(
    name: str, sr1: int, second: tuple[int, ...], part: str | None
) -> None:
    chip = chip_with(name, sr1, *second)
    before = dict(chip.snapshot().registers)
    assert chip.protected_ranges
    with Rig(chip).connect(part) as connection:
        live = dict(chip.registers)
        with unprotected(connection.flash, [whole(chip)]):
            assert not chip.protected_ranges
            connection.flash.erase(0, connection.flash.geometry.erase_types[-1])
            assert chip.contents[:4] == b"\xff" * 4
            volatile = connection.chip.status_write_volatile
            if volatile:
                assert dict(chip.snapshot().registers) == before, "only volatile bits may change"
        assert dict(chip.registers) == live
    assert dict(chip.snapshot().registers) == before


def test_parts_with_a_volatile_write_use_it() -> None:
    for name in ("W25Q64JV", "W25Q64FV", "GD25Q64C"):
        chip = chip_with(name, 0x1C, 0x02)
        with Rig(chip).connect(name) as connection:
            assert connection.chip.status_write_volatile
            chip.opcode_counts.clear()
            with unprotected(connection.flash, [whole(chip)]):
                pass
        assert chip.opcode_counts[0x50] >= 2
        assert chip.opcode_counts[0x06] == 0


def cut_off(chip: NorChip, open_before: list[bool]) -> None:
    """The supply goes; what was protected before is written down."""
    open_before.append(not chip.protected_ranges)
    chip.power(False, 0.0)


def test_the_supply_lost_in_between_brings_the_protection_back() -> None:
    chip = chip_with("W25Q64JV", 0x1C, 0x02)
    open_before: list[bool] = []
    with (
        pytest.raises(SpiflashError),
        Rig(chip).connect("W25Q64JV") as connection,
        unprotected(connection.flash, [whole(chip)]),
    ):
        cut_off(chip, open_before)
    assert open_before == [True]
    chip.power(True, 1.0)
    assert chip.protected_ranges == (whole(chip),)


def test_nothing_is_written_where_nothing_is_protected() -> None:
    chip = chip_with("W25Q64JV", 0x04, 0x02)  # the top 1/64
    with Rig(chip).connect("W25Q64JV") as connection:
        chip.opcode_counts.clear()
        with unprotected(connection.flash, [(0, 4096)]):
            assert chip.protected_ranges
    assert not {0x01, 0x31, 0x11, 0x50, 0x06} & set(chip.opcode_counts)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), ValueError("x"), RuntimeError("y")])
@pytest.mark.parametrize("name", ["W25Q64JV", "MX25L6406E"])
def test_put_back_after_errors_and_ctrl_c(name: str, error: BaseException) -> None:
    chip = chip_with(name, 0x1C, *((0x02,) if name.startswith("W") else ()))
    before = chip.snapshot().registers
    with (
        pytest.raises(type(error)),
        Rig(chip).connect(name) as connection,
        unprotected(connection.flash, [whole(chip)]),
    ):
        raise error
    assert chip.snapshot().registers == before
    assert chip.protected_ranges


def test_a_register_locked_by_the_pin_names_the_pin() -> None:
    """SRP with WP# low; on a W25Q the pin counts only while QE is clear."""
    chip = chip_with("W25Q64JV", 0x9C, 0x00)
    chip.level("WP#", False, 0.0)
    with Rig(chip).connect("W25Q64JV") as connection:
        assert connection.protection.lock is RegisterLock.PIN
        with (
            pytest.raises(ChipProtectedError, match="WP#") as caught,
            unprotected(connection.flash, [whole(chip)]),
        ):
            pytest.fail("the block must not run")
        assert "Nothing has been erased" in caught.value.state
        assert "--hold-high" in caught.value.remedy
    chip.level("WP#", None, 0.0)
    with (
        Rig(chip).connect("W25Q64JV") as connection,
        unprotected(connection.flash, [whole(chip)]),
    ):
        assert not chip.protected_ranges


def test_locked_until_power_down() -> None:
    """SRL (SR2.0) with SRP clear: W25Q64JV status register protection table (from memory)."""
    chip = chip_with("W25Q64JV", 0x1C, 0x02)
    with Rig(chip).connect("W25Q64JV") as connection:
        # As a boot loader does.
        connection.bus.run([Transaction(b"\x06"), Transaction(b"\x31\x03", rest=0.1)])
        assert connection.flash.protection().lock is RegisterLock.POWER
        with (
            pytest.raises(ChipProtectedError, match="supply"),
            unprotected(connection.flash, [whole(chip)]),
        ):
            pytest.fail("the block must not run")


def test_block_locks_of_winbond() -> None:
    """WPS (SR3.2): every block locked at power-up; only what is needed is opened."""
    chip = chip_with("W25Q64JV", 0x00, 0x02, 0x64)
    with Rig(chip).connect("W25Q64JV") as connection:
        guard = connection.protection
        assert guard.individual
        assert guard.ranges == (whole(chip),)
        assert guard.extent_known
        kind = min(connection.flash.geometry.erase_types, key=lambda k: k.size)
        with unprotected(connection.flash, [(0, 4096)]):
            assert connection.flash.protection().ranges == ((4096, 8 << 20),)
            connection.flash.erase(0, kind)
            assert chip.contents[:4] == b"\xff" * 4
        assert connection.flash.protection().ranges == (whole(chip),)


# -- whole jobs --------------------------------------------------------------------------------


def saved(chip: NorChip, shelf: Shelf, part: str) -> Path:
    with Rig(chip).connect(part) as connection:
        return back_up(connection, shelf, WATCHER).set.path


@pytest.mark.parametrize(("name", "second"), [("W25Q64FV", (0x02,)), ("MX25L6406E", ())])
def test_restore_is_refused_without_the_word_and_works_with_it(
    name: str, second: tuple[int, ...], tmp_path: Path
) -> None:
    chip = chip_with(name, 0x1C, *second)
    shelf = Shelf(tmp_path)
    saved(chip, shelf, name)
    before = chip.snapshot()
    image = Image("top", TOP)
    at = chip.description.size - len(TOP)
    with Rig(chip).connect(name) as connection:
        with pytest.raises(ChipProtectedError, match="protection") as caught:
            restore(connection, shelf, image, WATCHER, agree=lambda work: True, at=at)
        assert "--unprotect" in caught.value.remedy
    assert chip.snapshot() == before
    with Rig(chip).connect(name) as connection:
        restore(
            connection,
            shelf,
            image,
            WATCHER,
            agree=lambda work: True,
            at=at,
            leave=Leave(unprotect=True),
        )
    assert bytes(chip.contents[at:]) == TOP
    assert chip.snapshot().registers == before.registers
    assert chip.protected_ranges


def test_ctrl_c_in_mid_restore_puts_the_protection_back(tmp_path: Path) -> None:
    chip = chip_with("W25Q64JV", 0x1C, 0x02)
    shelf = Shelf(tmp_path)
    saved(chip, shelf, "W25Q64JV")

    class Impatient:
        @contextmanager
        def step(self, title: str, total: int):  # type: ignore[no-untyped-def]
            def advance(count: int) -> None:
                if "erasing" in title:
                    assert not chip.protected_ranges
                    raise KeyboardInterrupt

            yield advance

        def say(self, text: str) -> None:
            pass

    with pytest.raises(InterruptedWorkError), Rig(chip).connect("W25Q64JV") as connection:
        restore(
            connection,
            shelf,
            Image("bottom", TOP * 4),
            Impatient(),
            agree=lambda work: True,
            leave=Leave(unprotect=True),
        )
    assert chip.protected_ranges == (whole(chip),)


# -- readings that are wrong -------------------------------------------------------------------


@pytest.mark.parametrize(("name", "second"), [("W25Q64FV", (0x02,)), ("MX25L6406E", ())])
@pytest.mark.parametrize("noted", [0xFF, 0xFE])
def test_a_register_that_was_read_wrongly_is_not_written_back(
    name: str, second: tuple[int, ...], noted: int, tmp_path: Path
) -> None:
    """A clip that is loose for a moment reads as FFh. In SR2 of a W25Q64FV that would be the
    lock bits LB1 to LB3, one-time, and SRP1, which with SRP0 is for good (data sheet, from
    memory)."""
    chip = chip_with(name, 0x00, *second)
    before = chip.snapshot().registers
    shelf = Shelf(tmp_path)
    with Rig(chip).connect(name) as connection:
        wrong = {key: bytes((noted,)) * len(value) for key, value in connection.registers.items()}
        restore(
            replace(connection, registers=wrong),
            shelf,
            Image("bottom", TOP),
            WATCHER,
            agree=lambda work: True,
            leave=Leave(without_backup=True),
        )
    assert chip.contents[: len(TOP)] == TOP
    assert chip.snapshot().registers == before


@pytest.mark.parametrize("noted", [0xFF, 0xFE])
def test_putting_back_writes_no_bit_that_was_never_changed(noted: int) -> None:
    """Of what an earlier session noted, only block protection, QE and CMP are taken."""
    chip = chip_with("W25Q64FV", 0x00, 0x02)
    with Rig(chip).connect("W25Q64FV") as connection:
        put_back(connection.flash, {"SR1": noted, "SR2": noted, "SR3": noted})
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


def test_a_set_with_other_registers_is_said_and_not_applied(tmp_path: Path) -> None:
    chip = chip_with("W25Q64JV", 0x00, 0x02)
    shelf = Shelf(tmp_path)
    path = saved(chip, shelf, "W25Q64JV")
    with Rig(chip).connect("W25Q64JV") as connection:  # somebody clears QE
        connection.bus.run([Transaction(b"\x06"), Transaction(b"\x31\x00", rest=0.1)])
    heard: list[str] = []

    class Listening(type(WATCHER)):  # type: ignore[misc]
        def say(self, text: str) -> None:
            heard.append(text)

    with Rig(chip).connect("W25Q64JV") as connection:
        restore(connection, shelf, load_image(path), Listening(), agree=lambda work: True)
    (line,) = [text for text in heard if "SR2" in text]
    assert "00h" in line
    assert "02h" in line
    assert "quad enable is clear" in line
    assert chip.registers["SR2"] == 0
