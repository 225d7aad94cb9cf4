"""Lifting the block protection for the time of the work, on simulated chips.

The register behaviour of the chips is that of the data sheets named in hwmocks (from memory):
W25Q64FV clears SR2 on a one-byte 01h, W25Q64JV does not, GD25Q64C has 31h for SR2, MX25L and
N25Q have no volatile status write.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.bus import Transaction
from spiflash.errors import ChipProtectedError, InterruptedWorkError, SpiflashError
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image, load_image
from spiflash.jobs.write import WriteOptions, restore
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import chip_table
from spiflash.nor.protection import RegisterLock
from spiflash.nor.scheme import scheme
from spiflash.nor.unprotect import unprotected
from tests.job_rig import WATCHER, Rig
from tests.nor_rig import NorRig, chip_with, whole

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
    ("N25Q064A11", 0x40, (), "N25Q064A11"),  # BP3 alone: everything
    ("GD25Q256C", 0x5C, (), None),  # QE in bit 6 has to survive
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
    shelf: Shelf, name: str, second: tuple[int, ...]
) -> None:
    chip = chip_with(name, 0x1C, *second)
    saved(chip, shelf, name)
    before = chip.snapshot()
    image = Image("top", TOP)
    at = chip.description.size - len(TOP)
    with Rig(chip).connect(name) as connection:
        with pytest.raises(ChipProtectedError, match="protection") as caught:
            restore(connection, shelf, image, WATCHER, WriteOptions(at=at), agree=lambda work: True)
        assert "--unprotect" in caught.value.remedy
    assert chip.snapshot() == before
    with Rig(chip).connect(name) as connection:
        restore(
            connection,
            shelf,
            image,
            WATCHER,
            WriteOptions(at=at, unprotect=True),
            agree=lambda work: True,
        )
    assert bytes(chip.contents[at:]) == TOP
    assert chip.snapshot().registers == before.registers
    assert chip.protected_ranges


def test_ctrl_c_in_mid_restore_puts_the_protection_back(shelf: Shelf) -> None:
    chip = chip_with("W25Q64JV", 0x1C, 0x02)
    saved(chip, shelf, "W25Q64JV")

    class Impatient:
        @contextmanager
        def step(self, title: str, total: int, counting: str = "bytes"):  # type: ignore[no-untyped-def]
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
            WriteOptions(unprotect=True),
            agree=lambda work: True,
        )
    assert chip.protected_ranges == (whole(chip),)


def test_a_set_with_other_registers_is_said_and_not_applied(shelf: Shelf) -> None:
    chip = chip_with("W25Q64JV", 0x00, 0x02)
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


# -- parts of which only the place of the BP bits is sure ----------------------------------------


def like_by25q256(*, volatile: bool) -> tuple[NorChip, Rig]:
    """A W25Q64FV, which clears SR2 with a one-byte 01h, under the scheme "bp-sr1"."""
    real = describe("W25Q64FV")
    without = () if volatile else (0x50,)
    changed = replace(
        real, opcodes={code: op for code, op in real.opcodes.items() if code not in without}
    )
    chip = NorChip(changed, seed=3)
    chip.contents[:4] = b"\x01\x02\x03\x04"
    rig = NorRig(chip)
    rig.write(bytes((0x01, 0x1C, 0x02)))
    return chip, Rig(chip)


def as_bp_sr1(connection: Connection, quad_enable: str) -> NorFlash:
    chip = replace(
        connection.chip,
        protection_schemes=("bp-sr1",),
        status_write_volatile=False,
        quad_enable=quad_enable,
    )
    return NorFlash(connection.bus, chip)


def test_bp_bits_alone_are_cleared_so_that_nothing_outlasts_the_supply() -> None:
    chip, rig = like_by25q256(volatile=True)
    before = dict(chip.snapshot().registers)
    with rig.connect("W25Q64FV") as connection, as_bp_sr1(connection, "sr2.1") as flash:
        with unprotected(flash, [whole(chip)]):
            assert not chip.protected_ranges
            assert dict(chip.snapshot().registers) == before
        assert chip.protected_ranges
    assert dict(chip.snapshot().registers) == before


def test_a_qe_bit_that_cannot_be_seen_is_not_put_at_risk() -> None:
    """Without 50h only a lasting write would do, and it clears QE in SR2 on some parts."""
    chip, rig = like_by25q256(volatile=False)
    before = dict(chip.snapshot().registers)
    with (
        rig.connect("W25Q64FV") as connection,
        as_bp_sr1(connection, "sr2.1") as flash,
        pytest.raises(ChipProtectedError),
        unprotected(flash, [whole(chip)]),
    ):
        raise AssertionError
    assert dict(chip.snapshot().registers) == before


@pytest.mark.parametrize("name", ["F25L32PA", "QB25F640S33"])
def test_a_part_that_wakes_locked_needs_no_word(name: str, tmp_path: Path) -> None:
    """The kernel opens these at every start (SPI_NOR_SWP_IS_VOLATILE)."""
    chip = NorChip(name, seed=3)
    chip.contents[:4] = b"\x01\x02\x03\x04"
    locked = chip.registers["SR1"]
    assert chip.protected_ranges == ((0, chip.description.size),)
    image = Image("new", b"\xa5" * 4096 + bytes(chip.contents[4096:]))
    with Rig(chip).connect() as connection:
        restore(
            connection,
            Shelf(tmp_path),
            image,
            WATCHER,
            WriteOptions(without_backup=True),
            agree=lambda _work: True,
        )
    assert bytes(chip.contents) == image.contents
    assert chip.registers["SR1"] == locked


def test_what_cannot_be_lifted_is_said_at_once(tmp_path: Path) -> None:
    """Not first "repeat with --unprotect" and then that this does not work."""
    chip = chip_with("W25Q64JV", 0x1C, 0x02)
    with Rig(chip).connect("W25Q64JV") as connection:
        odd = replace(connection.chip, protection_schemes=("unknown",))
        flash = NorFlash(connection.bus, odd)
        with pytest.raises(ChipProtectedError) as caught:
            restore(
                replace(connection, chip=odd, flash=flash),
                Shelf(tmp_path),
                Image("new", bytes(8 << 20)),
                WATCHER,
                WriteOptions(without_backup=True),
                agree=lambda _work: True,
            )
    assert "does not help" in caught.value.remedy
    assert "Repeat with" not in caught.value.remedy


def test_no_part_of_the_table_is_without_a_way_to_unprotect_it() -> None:
    """But those that are not written at all, and those with lock registers of their own."""
    for part in chip_table().parts:
        own = scheme(part.protection)
        if part.protection != "none" and own.clearing is None and own.power_up is None:
            assert part.refused, part.name
