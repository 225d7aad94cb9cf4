"""Lifting the block protection for the time of the work, on simulated chips.

The register behaviour of the chips is that of the data sheets named in hwmocks (from memory):
W25Q64FV clears SR2 on a one-byte 01h, W25Q64JV does not, GD25Q64C has 31h for SR2, MX25L and
N25Q have no volatile status write.
"""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.bus.transaction import Transaction
from spiflash.errors import ChipProtectedError, InterruptedWorkError, SpiflashError
from spiflash.nor.protection import RegisterLock
from spiflash.nor.unprotect import unprotected
from spiflash.work.backup import back_up
from spiflash.work.image import Image, load_image
from spiflash.work.restore import Leave, restore
from tests.job_rig import WATCHER, Rig
from tests.protection_rig import chip_with, whole

TOP = b"\x5a" * 4096


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
