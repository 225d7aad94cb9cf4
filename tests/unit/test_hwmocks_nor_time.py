"""What takes time on the simulated chips: busy, suspend, reset, power; times from the data
sheets, from memory."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hwmocks.nor import NorChip
from hwmocks.nor.description import Time
from hwmocks.wire import Beat
from tests.nor_rig import NorRig


def test_erase_takes_what_was_drawn() -> None:
    chip = NorChip("W25Q64JV", seed=4)
    took = NorRig(chip).write("20000000")
    assert chip.busy_drawn["erase-4096"] == pytest.approx(took, rel=0.06)
    # tSE: 45 ms typical; this chip's factor and a few per cent of jitter around it.
    assert chip.busy_drawn["erase-4096"] == pytest.approx(45e-3 * chip.speed_factor, rel=0.1)


def test_speeds_of_many_chips_and_operations() -> None:
    factors = [NorChip("SST25VF032B", seed=seed).speed_factor for seed in range(200)]
    assert 0.7 <= min(factors) < 0.75
    assert 1.25 < max(factors) <= 1.3
    times = NorChip("SST25VF032B", seed=1).busy_times
    kind = NorChip("W25Q64JV").description.program  # 0.4 ms typical, 3 ms maximum
    drawn = [times.draw("program", kind) for _ in range(20000)]
    assert max(drawn) <= 3e-3
    assert statistics.median(drawn) == pytest.approx(0.4e-3 * times.factor, rel=0.01)
    slow = sum(seconds > 0.4e-3 * times.factor * 1.1 for seconds in drawn)
    assert 5 <= slow <= 45  # one in a thousand: 20 expected, standard deviation 4.5
    assert times.drawn["program"] == pytest.approx(sum(drawn))


def test_no_draw_exceeds_the_maximum() -> None:
    slow = next(
        times
        for times in (NorChip("SST25VF032B", seed=seed).busy_times for seed in range(200))
        if times.factor > 1.25
    )
    close = Time(20e-3, 22e-3)
    assert {slow.draw("erase-4096", close) for _ in range(500)} == {22e-3}


def test_same_seed_same_chip() -> None:
    one, two = NorChip("W25Q64JV", seed=8), NorChip("W25Q64JV", seed=8)
    assert (one.unique_id, one.speed_factor) == (two.unique_id, two.speed_factor)
    assert NorRig(one).write("D8000000") == NorRig(two).write("D8000000")
    assert NorChip("W25Q64JV", seed=9).unique_id != one.unique_id


def test_status_changes_in_the_middle_of_one_long_status_read() -> None:
    chip = NorChip("W25Q64JV", seed=2)
    rig = NorRig(chip, hertz=1e6)
    rig.run("06")
    rig.run("020000000000")
    answer = rig.run("05", 200)
    drawn = chip.busy_drawn["program"]
    # Byte i is clocked out 100 ns + 8 µs × (1 + i) after chip select rose.
    busy = [i for i in range(200) if 100e-9 + 8e-6 * (1 + i) < drawn]
    assert answer == b"\x03" * len(busy) + b"\x00" * (200 - len(busy))
    assert 0 < len(busy) < 200


COMMANDS = ["20001000", "52000000", "D8000000", "C7", "0200100000", "0104", "4200100000"]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from([*COMMANDS, "9F", "0300000000", "06", "04", "B9"]), max_size=8))
def test_commands_while_busy_change_nothing(commands: list[str]) -> None:
    chip = BUSY
    rig = BUSY_RIG
    rig.write("20000000")
    rig.run("06")
    rig.run("D8100000")
    before = chip.snapshot()
    for command in commands:
        assert set(rig.run(command, 2)) == {0xFF}
    assert chip.snapshot() == before
    assert rig.status() == 0x03
    rig.wait(2.0)
    assert rig.status() == 0x00


BUSY = NorChip("W25Q64JV", bytes(8 << 20), seed=11)
BUSY_RIG = NorRig(BUSY)


def test_suspended_erase() -> None:
    # W25Q64JV: 75h ends BUSY within tSUS = 20 µs and sets SUS; reading and programming
    # elsewhere work, erasing does not; 7Ah goes on.
    chip = NorChip("W25Q64JV", bytes(8 << 20), seed=6)
    rig = NorRig(chip)
    rig.run("06")
    rig.run("D8010000")
    rig.wait(20e-3)
    rig.run("75")
    assert rig.status() & 1 == 1
    rig.wait(20e-6)
    assert rig.status() & 1 == 0
    assert rig.run("35", 1)[0] & 0x80
    assert rig.run("03000000", 1) == b"\x00"
    chip.contents[0x300000] = 0xFF
    rig.write("0230000055")
    assert chip.contents[0x300000] == 0x55
    rig.write("0201000000")
    rig.write("20000000")
    assert chip.erased == [(0x10000, 0x10000)]
    assert chip.contents[0x10000] == 0xFF, "not in the suspended block"
    rig.wait(10.0)
    rig.run("04")
    rig.run("7A")
    assert rig.status() == 0x03, "the write cycle goes on, latch and all"
    rig.wait(chip.busy_drawn["erase-65536"] - 21e-3)
    assert rig.status() & 1 == 1
    rig.wait(2e-3)
    assert rig.status() & 1 == 0
    assert rig.run("35", 1)[0] & 0x80 == 0


def test_chip_erase_cannot_be_suspended(rig: NorRig) -> None:
    rig.run("06")
    rig.run("C7")
    rig.run("75")
    rig.wait(1.0)
    assert rig.status() & 1 == 1


def test_macronix_suspends_with_b0h() -> None:
    rig = NorRig(NorChip("MX25L12835F"))
    rig.run("06")
    rig.run("20000000")
    rig.run("75")
    assert rig.status() & 1 == 1
    rig.run("B0")
    rig.wait(1e-3)
    assert rig.status() & 1 == 0
    assert rig.run("2B", 1) == b"\x08"


def test_deep_power_down(rig: NorRig) -> None:
    # W25Q64JV: after B9h everything but ABh is ignored; ABh works after tRES1 = 3 µs.
    rig.run("B9")
    assert rig.run("9F", 3) == b"\xff" * 3
    assert rig.run("05", 1) == b"\xff"
    rig.run("AB")
    assert rig.run("9F", 3) == b"\xff" * 3
    rig.wait(3e-6)
    assert rig.run("9F", 3) == bytes.fromhex("EF4017")


def test_software_reset(rig: NorRig) -> None:
    # W25Q64JV: 66h then 99h, nothing in between; 30 µs; volatile state is gone.
    rig.run("50")
    rig.run("011C")
    rig.run("06")
    rig.run("66")
    rig.run("05", 1)
    rig.run("99")
    assert rig.status() == 0x1E
    rig.run("66")
    rig.run("99")
    assert rig.run("05", 1) == b"\xff"
    rig.wait(30e-6)
    assert rig.status() == 0x00


def test_reset_breaks_an_erase_off() -> None:
    chip = NorChip("W25Q64JV", bytes(8 << 20))
    rig = NorRig(chip)
    rig.run("06")
    rig.run("20000000")
    rig.run("66")
    rig.run("99")
    ones = int.from_bytes(chip.contents[:4096], "big").bit_count()
    assert 0.8 < ones / 32768 < 0.95
    assert chip.contents[4096:].count(0) == (8 << 20) - 4096


def test_power_cut_in_an_erase_leaves_mostly_ones() -> None:
    chip = NorChip("W25Q64JV", b"\x0f" * (8 << 20), seed=5)
    rig = NorRig(chip)
    rig.run("06")
    rig.run("20001000")
    chip.power(False, rig.now + 20e-3)
    sector = chip.contents[0x1000:0x2000]
    assert all(byte & 0x0F == 0x0F for byte in sector), "no bit falls"
    assert 0 < sector.count(0xFF) < 4096
    assert chip.contents.count(0x0F) >= (8 << 20) - 4096
    assert rig.run("9F", 3) == b"\xff" * 3


def test_power_cut_in_a_program_leaves_part_of_it() -> None:
    chip = NorChip("W25Q64JV", seed=5)
    rig = NorRig(chip)
    rig.run("06")
    rig.run(b"\x02\x00\x10\x00" + bytes(256))
    chip.power(False, rig.now + 0.4 * 0.4e-3 * chip.speed_factor)
    cleared = 2048 - int.from_bytes(chip.contents[0x1000:0x1100], "big").bit_count()
    assert 0.3 < cleared / 2048 < 0.5  # 0.4 of the time; jitter 3 %, 2048 draws


def test_power_cut_while_a_program_is_suspended() -> None:
    chip = NorChip("W25Q64JV", seed=5)
    rig = NorRig(chip)
    rig.run("06")
    rig.run(b"\x02\x00\x10\x00" + bytes(256))
    rig.wait(0.4 * 0.4e-3 * chip.speed_factor)
    rig.run("75")
    rig.wait(1.0)
    assert rig.run("35", 1)[0] & 0x80
    chip.power(False, rig.now)
    cleared = 2048 - int.from_bytes(chip.contents[0x1000:0x1100], "big").bit_count()
    assert 0.3 < cleared / 2048 < 0.5


def test_power_cut_behind_the_end_harms_nothing() -> None:
    chip = NorChip("W25Q64JV", seed=5)
    rig = NorRig(chip)
    rig.run("06")
    rig.run(b"\x02\x00\x10\x00" + bytes(256))
    chip.power(False, rig.now + 5e-3)
    assert chip.contents[0x1000:0x1100] == bytes(256)


def test_writes_wait_for_the_power_up_delay(chip: NorChip, rig: NorRig) -> None:
    # W25Q64JV, tPUW 5 ms: reads work before, 06h does not.
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    rig.wait(1e-3)
    assert rig.run("9F", 3) == bytes.fromhex("EF4017")
    rig.run("06")
    rig.run("50")
    rig.run("011C")
    assert rig.status() == 0x00
    rig.wait(5e-3)
    rig.run("06")
    assert rig.status() == 0x02
    assert chip.power_cycles == 1


def test_hold_freezes_unless_it_is_a_data_line() -> None:
    chip = NorChip("W25Q64FV")  # QE clear from the factory
    chip.select(0.0)
    beat = Beat(0.0, 1e6)
    assert chip.transfer(b"\x9f\x00", beat) == b"\xff\xef"
    chip.level("HOLD#", False, 0.0)
    assert chip.transfer(b"\x00\x00", beat) == b"\xff\xff"
    chip.level("HOLD#", True, 0.0)
    assert chip.transfer(b"\x00\x00", beat) == bytes.fromhex("4017")
    chip.deselect(0.0)
    quad = NorChip("W25Q64JV")  # QE set
    quad.level("HOLD#", False, 0.0)
    assert NorRig(quad).run("9F", 3) == bytes.fromhex("EF4017")


def test_reset_pin() -> None:
    chip = NorChip("MX25L12835F")
    rig = NorRig(chip)
    rig.run("06")
    chip.level("RESET#", False, rig.now)
    assert rig.run("9F", 1) == b"\xff"
    chip.level("RESET#", True, rig.now)
    rig.wait(1e-3)
    assert rig.status() == 0x00
    with pytest.raises(ValueError, match="CS#"):
        chip.level("CS#", True, rig.now)


def test_counters(chip: NorChip, rig: NorRig) -> None:
    rig.write("20000000")
    rig.write("20000000")
    rig.write("0200000000")
    assert chip.opcode_counts[0x20] == 2
    assert chip.opcode_counts[0x02] == 1
    assert chip.wear[0] == 2
    assert chip.pages_programmed == 1
    assert set(chip.busy_drawn) == {"erase-4096", "program"}
