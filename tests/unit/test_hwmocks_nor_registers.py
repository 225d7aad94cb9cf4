"""Status and configuration registers, against statements of the data sheets (from memory)."""

from __future__ import annotations

import pytest

from hwmocks.nor import NorChip
from tests.nor_rig import NorRig


def test_factory_state_of_w25q64jv_iq(rig: NorRig) -> None:
    # QE is set at the factory on order code IQ; output drive 25 % (DRV 1,1).
    assert [rig.run(opcode, 1)[0] for opcode in ("05", "35", "15")] == [0x00, 0x02, 0x60]


@pytest.mark.parametrize(
    ("name", "second"),
    [
        # "only the Status Register-1 is programmed, Status Register-2 will not be affected
        # (previous generations clear CMP and QE)": W25Q64JV.
        ("W25Q64JV", 0x02),
        ("W25Q64FV", 0x00),
        ("BY25Q64AS", 0x00),
        ("XT25F64B", 0x00),
    ],
)
def test_one_byte_write(name: str, second: int) -> None:
    rig = NorRig(NorChip(name))
    rig.write("010002")
    assert rig.run("35", 1) == b"\x02"
    rig.write("0104")
    assert rig.run("05", 1) == b"\x04"
    assert rig.run("35", 1)[0] == second


def test_write_enable_latch(rig: NorRig) -> None:
    rig.run("0104")
    assert rig.status() == 0x00, "a write without 06h is ignored"
    rig.run("06")
    assert rig.status() == 0x02
    rig.run("04")
    assert rig.status() == 0x00
    rig.run("0600")
    assert rig.status() == 0x00, "chip select must rise right behind the opcode"
    rig.write("0104")
    assert rig.status() == 0x04, "WEL falls when the write cycle ends"


def test_volatile_write(chip: NorChip, rig: NorRig) -> None:
    # 50h then 01h: no busy time, gone with the supply.
    rig.run("50")
    rig.run("011C")
    assert rig.status() == 0x1C
    assert "register" not in chip.busy_drawn
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    assert rig.status() == 0x00


def test_lock_bits_never_come_back(rig: NorRig) -> None:
    rig.write("310A")  # LB1, QE
    rig.write("3102")
    assert rig.run("35", 1) == b"\x0a"
    rig.write(b"\x42\x00\x10\x00\x00")
    rig.write(b"\x42\x00\x20\x00\x00")
    assert rig.run("4800100000", 1) == b"\xff"
    assert rig.run("4800200000", 1) == b"\x00"


def test_volatile_write_leaves_lock_bits_alone(rig: NorRig) -> None:
    rig.run("50")
    rig.run("313A")
    assert rig.run("35", 1) == b"\x02"


def test_security_registers_of_gd25q64c_hold_1024_bytes() -> None:
    rig = NorRig(NorChip("GD25Q64C"))
    rig.write(b"\x42\x00\x13\xff\x3c")
    assert rig.run("480013FF00", 2) == b"\x3c\xff"
    rig.write("44001000")
    assert rig.run("480013FF00", 1) == b"\xff"


def test_wp_pin_locks_the_registers_only_with_srp_and_without_qe(
    chip: NorChip, rig: NorRig
) -> None:
    chip.level("WP#", False, rig.now)
    rig.write("0180")  # SRP: not set yet when this is written
    rig.write("0184")
    assert rig.status() == 0x84, "QE makes WP# a data line"
    chip.level("WP#", True, rig.now)
    rig.write("3100")
    chip.level("WP#", False, rig.now)
    rig.write("0180")
    rig.run("04")
    assert rig.status() == 0x84
    chip.level("WP#", None, rig.now)
    rig.write("0180")
    assert rig.status() == 0x80


def test_power_supply_lock_down_ends_with_a_power_cycle(chip: NorChip, rig: NorRig) -> None:
    # W25Q64JV, SRL: "cannot be written again until the next power-down, power-up cycle".
    rig.write("3103")
    rig.write("0104")
    assert rig.status() & 0xFC == 0
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    rig.wait(0.01)
    assert rig.run("35", 1) == b"\x02"
    rig.write("0104")
    assert rig.status() == 0x04


def test_srp1_and_srp0_lock_gd25q64c_for_good() -> None:
    chip = NorChip("GD25Q64C")
    rig = NorRig(chip)
    rig.write("0180")
    rig.write("3101")
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    rig.wait(0.01)
    rig.write("0100")
    rig.run("04")
    assert rig.status() == 0x80


def test_macronix_top_bottom_bit_is_one_time() -> None:
    rig = NorRig(NorChip("MX25L12835F"))
    rig.write("01000F")
    rig.write("010007")
    assert rig.run("15", 1) == b"\x0f"


def test_macronix_secured_area() -> None:
    # MX25L6406E: B1h enters the 64-byte secured area, C1h leaves it, 2Fh locks it for good.
    chip = NorChip("MX25L6406E")
    rig = NorRig(chip)
    rig.run("B1")
    rig.write("0200000011")
    assert rig.run("03000000", 2) == b"\x11\xff"
    rig.run("C1")
    assert rig.run("03000000", 1) == b"\xff"
    rig.write("2F")
    assert rig.run("2B", 1) == b"\x02"
    rig.run("B1")
    rig.write("0200000100")
    assert rig.run("03000000", 2) == b"\x11\xff"


def test_issi_function_register_sits_on_48h_and_42h() -> None:
    rig = NorRig(NorChip("IS25LP128"))
    rig.write("4202")
    assert rig.run("48", 1) == b"\x02"
    rig.write("0104")
    assert NorRig(NorChip("IS25LP128")).run("48", 1) == b"\x00"


def test_micron_flags() -> None:
    # N25Q128A, flag status register: bit 7 ready, bit 5 erase and bit 4 program failure, which
    # stay until 50h clears them.
    rig = NorRig(NorChip("N25Q128A"))
    assert rig.run("70", 1) == b"\x80"
    rig.run("06")
    rig.run("0104")
    assert rig.run("70", 1) == b"\x00"
    rig.wait(0.1)
    rig.write("D8FF0000")
    rig.write("02FF000000")
    assert rig.run("70", 1) == b"\xb0"
    rig.run("50")
    assert rig.run("70", 1) == b"\x80"


def test_spansion_stays_busy_after_a_failure_until_flags_are_cleared() -> None:
    # S25FL128S: P_ERR is SR1 bit 6; "the device remains busy until CLSR".
    rig = NorRig(NorChip("S25FL128S"))
    rig.write("011C")
    rig.run("06")
    rig.run("0200000000")
    rig.wait(1.0)
    assert rig.status() & 0x41 == 0x41
    assert rig.run("9F", 1) == b"\xff"
    rig.run("30")
    assert rig.status() & 0x41 == 0
    assert rig.run("9F", 1) == b"\x01"


def test_extended_address_register_and_four_byte_mode() -> None:
    chip = NorChip("W25Q256JV")
    chip.contents[0x0001234] = 0x11
    chip.contents[0x1001234] = 0x22
    rig = NorRig(chip)
    assert rig.run("03001234", 1) == b"\x11"
    rig.run("C501")
    assert rig.run("03001234", 1) == b"\x11", "C5h needs 06h first"
    rig.run("06")
    rig.run("C501")
    assert rig.run("C8", 1) == b"\x01"
    assert rig.run("03001234", 1) == b"\x22"
    assert rig.run("1300001234", 1) == b"\x11"
    rig.run("B7")
    assert rig.run("15", 1)[0] & 1 == 1, "ADS"
    assert rig.run("0301001234", 1) == b"\x22"
    rig.run("E9")
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    assert rig.run("03001234", 1) == b"\x11"


def test_power_up_address_mode_bit() -> None:
    # W25Q256JV, ADP (S17): 4-byte mode after power-up.
    chip = NorChip("W25Q256JV")
    rig = NorRig(chip)
    rig.write("1162")
    assert not chip.four_byte_mode
    chip.power(False, rig.now)
    chip.power(True, rig.now)
    assert chip.four_byte_mode
    assert rig.run("15", 1) == b"\x63"


def test_spansion_bank_register() -> None:
    # S25FL128S: EXTADD, bit 7 of the bank register, makes all addresses 4 bytes long; 17h
    # needs no write enable.
    chip = NorChip("S25FL128S")
    chip.contents[0x20] = 0x77
    rig = NorRig(chip)
    rig.run("1780")
    assert rig.run("16", 1) == b"\x80"
    assert rig.run("0300000020", 1) == b"\x77"


def test_mx25l25635e_has_no_four_byte_opcodes() -> None:
    chip = NorChip("MX25L25635E")
    chip.contents[0x1000000] = 0x42
    rig = NorRig(chip)
    assert rig.run("1301000000", 1) == b"\xff"
    rig.run("B7")
    assert rig.run("0301000000", 1) == b"\x42"
    assert rig.run("2B", 1) == b"\x04"
