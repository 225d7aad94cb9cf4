"""The simulated MPSSE engine, commanded through real pyftdi.

Sources, from memory: FTDI AN_108 (command processor for MPSSE: opcodes, clock formula, bit
order of bit-wise answers) and AN_135 (bad command check with 0xAA/0xAB).
"""

from __future__ import annotations

import pytest
from pyftdi.spi import SpiController

from hwmocks.ftdi import FT232H, FT2232C, FT2232H, FT4232H, AdapterProfile
from tests.ftdi_rig import CS, DESELECT, MASTER, MOSI, SCK, SELECT, answer, exchange, rig


@pytest.mark.parametrize("bad", [0xAA, 0xAB, 0x00, 0x4B, 0x88])
def test_an_unknown_opcode_is_answered_fa_and_itself(bad: int) -> None:
    with rig(FT232H).opened() as ftdi:
        assert exchange(ftdi, bytes((bad,)), 2) == bytes((0xFA, bad))


@pytest.mark.parametrize("opcode", [0x8A, 0x8B, 0x8C, 0x8D, 0x8F, 0x96, 0x97, 0x9E])
def test_the_full_speed_types_know_none_of_the_later_opcodes(opcode: int) -> None:
    with rig(FT2232C).opened() as ftdi:
        # AN_135: after a bad command the engine goes on with the next byte.
        assert exchange(ftdi, bytes((opcode, 0xAB)), 4) == bytes((0xFA, opcode, 0xFA, 0xAB))


def test_drive_zero_exists_on_the_ft232h_alone() -> None:
    with rig(FT2232H).opened() as ftdi:
        assert exchange(ftdi, b"\x9e\xaa\xab", 6) == b"\xfa\x9e\xfa\xaa\xfa\xab"
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.enable_drivezero_mode(1 << 4)
        for level in (0x10, 0x00):
            ftdi.write_data(bytes((0x80, CS | level, MASTER | 0x10)))
        bench.device.settle()
        # High is left to the pull-up: the pin never drives high, only low.
        assert bench.chip.levels("WP#") == [False]


def test_bytes_out_then_in_within_one_select_period() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=30e6) as ftdi:
        out = b"\x11\x03\x00" + b"\x9f\x00\x01\x02"
        got = exchange(ftdi, SELECT + out + b"\x20\x05\x00" + DESELECT + b"\x87", 6)
        assert got == answer(6, 4)
        kinds = [kind for kind, _ in bench.chip.events]
        assert kinds == ["select", "transfer", "transfer", "deselect"]
        assert bench.chip.mosi[:4] == b"\x9f\x00\x01\x02"
        assert [beat.late for beat in bench.chip.beats] == [False, False]
        assert all(beat.hertz == 30e6 for beat in bench.chip.beats)


@pytest.mark.parametrize(
    ("opcode", "late"), [(0x20, False), (0x24, True), (0x31, False), (0x34, True)]
)
def test_sampling_edge(opcode: int, late: bool) -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        payload = b"\x55\x55" if opcode & 0x10 else b""
        got = exchange(ftdi, SELECT + bytes((opcode, 1, 0)) + payload + b"\x87", 2)
        assert got == answer(2)
        assert {beat.late for beat in bench.chip.beats} == {late}


def test_both_ways_at_once() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        got = exchange(ftdi, SELECT + b"\x31\x03\x00abcd" + DESELECT + b"\x87", 4)
        assert got == answer(4)
        assert bench.chip.mosi == b"abcd"


def test_data_changing_on_the_sampling_edge_arrives_one_bit_late() -> None:
    # AN_108: 0x10 changes data on the rising edge. A mode 0 slave samples on that very edge and
    # still sees the bit before.
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.write_data(SELECT + b"\x10\x01\x00\x80\x01" + DESELECT)
        bench.device.settle()
        assert bench.chip.mosi == b"\x40\x00"


@pytest.mark.parametrize(("opcode", "wire"), [(0x11, b"\x01\xc0"), (0x19, b"\x80\x03")])
def test_bit_order_of_bytes(opcode: int, wire: bytes) -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.write_data(SELECT + bytes((opcode, 1, 0)) + b"\x01\xc0" + DESELECT)
        bench.device.settle()
        assert bench.chip.mosi == wire


def test_bytes_in_bit_reversed() -> None:
    with rig(FT232H).opened() as ftdi:
        got = exchange(ftdi, SELECT + b"\x28\x01\x00\x87", 2)
        assert got == bytes(int(f"{byte:08b}"[::-1], 2) for byte in answer(2))


def test_a_byte_sent_in_two_bitwise_commands() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        # 0x13: n-1 bits from the top of the byte, falling edge.
        ftdi.write_data(SELECT + b"\x13\x02\xa0" + b"\x13\x04\x98" + DESELECT)
        bench.device.settle()
        assert bench.chip.mosi == bytes((0b101_10011,))


def test_bits_cut_off_by_chip_select_never_form_a_byte() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.write_data(SELECT + b"\x13\x02\xa0" + DESELECT + SELECT + b"\x13\x07\x5a" + DESELECT)
        bench.device.settle()
        assert bench.chip.mosi == b"\x5a"


@pytest.mark.parametrize(("opcode", "shift"), [(0x22, 0), (0x26, 0), (0x2A, 5), (0x2E, 5)])
def test_bits_read_end_at_bit_0_or_bit_7(opcode: int, shift: int) -> None:
    # AN_108: MSB-first bits are shifted in from bit 0 up, LSB-first bits from bit 7 down.
    with rig(FT232H).opened() as ftdi:
        got = exchange(ftdi, SELECT + bytes((opcode, 2)) + b"\x87", 1)
        first = f"{answer(1)[0]:08b}"[:3]
        bits = first if not shift else first[::-1]
        assert got[0] == int(bits, 2) << shift


def test_whole_bytes_after_single_bits_keep_their_place() -> None:
    with rig(FT232H).opened() as ftdi:
        got = exchange(ftdi, SELECT + b"\x22\x03" + b"\x20\x00\x00" + b"\x22\x03\x87", 3)
        bits = "".join(f"{byte:08b}" for byte in answer(2))
        assert got == bytes((int(bits[:4], 2), int(bits[4:12], 2), int(bits[12:], 2)))


def test_loop_back_returns_what_is_sent() -> None:
    with rig(FT232H).opened() as ftdi:
        ftdi.enable_loopback_mode(True)
        assert exchange(ftdi, SELECT + b"\x31\x03\x00wxyz\x87", 4) == b"wxyz"
        assert exchange(ftdi, b"\x33\x03\xb0\x87", 1) == b"\x0b"
        ftdi.enable_loopback_mode(False)
        assert exchange(ftdi, DESELECT + SELECT + b"\x31\x00\x00w\x87", 1) == answer(1)


def test_pins_read_back_and_pull_up() -> None:
    with rig(FT232H).opened() as ftdi:
        # Outputs read as driven, inputs by their pull-up.
        got = exchange(
            ftdi, bytes((0x80, CS, MASTER | 0x10, 0x82, 0x05, 0x0F, 0x81, 0x83, 0x87)), 2
        )
        assert got == bytes((0xE4 | CS, 0xF5))


def test_side_wires_follow_their_pins() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        for value, direction in ((0x70, 0x70), (0x30, 0x70), (0x30, 0x20)):
            ftdi.write_data(bytes((0x80, CS | value, MASTER | direction)))
        bench.device.settle()
        assert bench.chip.levels("WP#") == [True, None]
        assert bench.chip.levels("HOLD#") == [True]
        assert bench.chip.levels("RESET#") == [True, False, None]
        times = bench.chip.times
        assert times == sorted(times)
    assert bench.chip.levels("HOLD#") == [True, None]


def test_side_wires_on_the_high_port() -> None:
    bench = rig(FT232H, wiring={9: "RESET#"})
    with bench.opened() as ftdi:
        ftdi.write_data(bytes((0x82, 0x00, 0x02, 0x82, 0x02, 0x02)))
        bench.device.settle()
        assert bench.chip.levels("RESET#") == [False, True]


@pytest.mark.parametrize("missing", [SCK, MOSI, CS])
def test_nothing_reaches_the_chip_unless_its_wires_are_driven(missing: int) -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.write_data(SELECT + bytes((0x80, 0, MASTER & ~missing)))
        assert exchange(ftdi, b"\x31\x01\x00ab\x87", 2) == b"\xff\xff"
        assert not bench.chip.beats
        assert bench.chip.selected == (missing != CS)


@pytest.mark.parametrize("count", [1, 300, 65536])
def test_idle_clocks_reach_a_deselected_chip(count: int) -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=30e6) as ftdi:
        got = exchange(ftdi, b"\x8f" + (count - 1).to_bytes(2, "little") + b"\x81\x87", 1)
        assert len(got) == 1
        assert bench.device.channels[1].counters.clocked == count
        assert not bench.chip.mosi


def test_a_pulse_made_by_hand_is_a_clock_edge() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        low, high = bytes((0x80, MOSI, MASTER)), bytes((0x80, MOSI | SCK, MASTER))
        ftdi.write_data(SELECT + (low + high) * 8 + DESELECT)
        bench.device.settle()
        assert bench.chip.mosi == b"\xff"


def test_adaptive_clocking_without_rtck_stands_still() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.enable_adaptive_clock(True)
        assert exchange(ftdi, SELECT + b"\x20\x00\x00\x87", 1) == b""
        assert not bench.chip.beats


# pyftdi refuses mode 2 on the FT2232C.
@pytest.mark.parametrize(
    ("profile", "mode"),
    [(FT232H, 0), (FT2232H, 0), (FT4232H, 0), (FT2232C, 0), (FT232H, 2), (FT4232H, 2)],
)
def test_pyftdi_spi_controller(profile: AdapterProfile, mode: int) -> None:
    bench = rig(profile)
    controller = SpiController()
    controller.configure(bench.usb(), interface=1, frequency=3e6)
    port = controller.get_port(0, freq=3e6, mode=mode)
    bench.chip.mosi.clear()
    bench.chip.events.clear()
    assert port.exchange(b"\x9f", 300) == answer(300, 1)
    assert port.exchange(b"abcdef", duplex=True) == answer(6)
    bench.device.settle()
    assert bench.chip.mosi[:1] == b"\x9f"
    assert bench.chip.mosi[-6:] == b"abcdef"
    edges = [kind for kind, _ in bench.chip.events if kind in ("select", "deselect")]
    assert edges == ["select", "deselect"] * 2
    controller.close()
