"""The simulated bridge on the USB bus: finding, claiming, control requests, faults.

Sources, from memory: USB 2.0 chapter 9 (descriptors), AN_135 and the D2XX guide (bit modes),
Linux errno values as libusb reports them. What a type calls itself is checked against
pyftdi's own tables.
"""

from __future__ import annotations

import errno
import logging
import re

import pytest
import usb.core
import usb.util
from pyftdi.ftdi import Ftdi, FtdiError

from hwmocks.clock import VirtualClock
from hwmocks.ftdi import (
    FT232H,
    FT2232C,
    FT2232D,
    FT2232H,
    FT4232H,
    AdapterProfile,
    FtdiDevice,
    LongReadFlaw,
    UsbBackend,
    UsbFaults,
)
from tests.ftdi_rig import CS, DESELECT, MASTER, SELECT, Recorder, answer, exchange, rig

IN, OUT = 0x81, 0x02
ALL = (FT232H, FT2232H, FT4232H, FT2232C, FT2232D)


# -- what it is ----------------------------------------------------------------------------


@pytest.mark.parametrize("profile", ALL, ids=lambda p: p.name)
def test_pyftdi_takes_it_for_what_it_is(profile: AdapterProfile) -> None:
    with rig(profile).opened() as ftdi:
        # The FT2232D answers to the FT2232C's release number.
        assert ftdi.ic_name == profile.name.lower().replace("2232d", "2232c")
        assert (0x0403, profile.product) == (ftdi.usb_dev.idVendor, ftdi.usb_dev.idProduct)
        assert ftdi.usb_dev.idProduct == Ftdi.PRODUCT_IDS[0x0403][ftdi.ic_name]
        assert ftdi.fifo_sizes == (profile.tx_fifo, profile.rx_fifo)
        assert ftdi.is_H_series == profile.high_speed
        assert ftdi.has_drivezero == profile.drive_zero
        assert ftdi.port_width == profile.port_bits
        assert ftdi.device_port_count == profile.interfaces
        for interface in range(1, profile.interfaces + 1):
            if profile.high_speed:  # pyftdi lets channel B of the FT2232C pass as well
                assert ftdi.is_mpsse_interface(interface) == (interface in profile.mpsse)


@pytest.mark.parametrize(("profile", "channel"), [(FT4232H, 3), (FT4232H, 4), (FT2232C, 2)])
def test_channels_without_an_mpsse_refuse_the_mode(profile: AdapterProfile, channel: int) -> None:
    ftdi = Ftdi()
    with pytest.raises(FtdiError):
        ftdi.open_mpsse_from_device(rig(profile).usb(), channel)


def test_several_bridges_on_one_bus() -> None:
    clock = VirtualClock()
    names = [("HERON01", FT232H), ("HERON02", FT232H), ("", FT2232H)]
    backend = UsbBackend([FtdiDevice(profile, clock, serial=name) for name, profile in names])
    found = list(usb.core.find(find_all=True, backend=backend))
    assert [(dev.serial_number or "", dev.product) for dev in found] == [
        (name, profile.name) for name, profile in names
    ]
    assert len({(dev.bus, dev.address) for dev in found}) == 3
    assert [dev.speed for dev in found] == [usb.util.SPEED_HIGH] * 3
    assert usb.core.find(backend=backend, idProduct=0x6010).manufacturer == "FTDI"


def test_an_interface_belongs_to_whoever_claimed_it_first() -> None:
    bench = rig(FT2232H)
    with bench.opened(1):
        with pytest.raises(FtdiError, match="busy"), bench.opened(1):
            pass
        with bench.opened(2) as second:
            assert exchange(second, b"\xaa\x87", 2) == b"\xfa\xaa"
    with bench.opened(1) as again:
        assert exchange(again, b"\xab\x87", 2) == b"\xfa\xab"


def test_two_channels_at_once() -> None:
    clock = VirtualClock()
    chips = {1: Recorder(), 2: Recorder()}
    backend = UsbBackend([FtdiDevice(FT2232H, clock, chips)])
    handle = usb.core.find(backend=backend)
    pair = [Ftdi(), Ftdi()]
    for number, ftdi in enumerate(pair, start=1):
        ftdi.open_mpsse_from_device(handle, number, MASTER, CS, frequency=30e6)
        chips[number].mosi.clear()
    for ftdi, name in zip(pair, (b"one", b"two"), strict=True):
        ftdi.write_data(SELECT + b"\x11\x02\x00" + name + b"\x20\xff\x3f")
    got = [bytearray(), bytearray()]
    while any(len(part) < 0x4000 for part in got):
        for part, ftdi in zip(got, pair, strict=True):
            part += ftdi.read_data_bytes(min(1000, 0x4000 - len(part)), 4)
    assert got == [answer(0x4000, 3)] * 2
    pair[0].close()
    # Closing one channel leaves the other as it was.
    assert (chips[1].selected, chips[2].selected) == (False, True)
    assert exchange(pair[1], DESELECT + b"\xaa\x87", 2) == b"\xfa\xaa"
    assert [bytes(chip.mosi[:3]) for chip in chips.values()] == [b"one", b"two"]
    pair[1].close()


# -- control requests ------------------------------------------------------------------------


def test_latency_pins_status_and_eeprom() -> None:
    with rig(FT232H).opened(latency=42) as ftdi:
        assert ftdi.get_latency_timer() == 42
        ftdi.write_data(bytes((0x80, CS | 0x10, MASTER | 0x30)))
        assert ftdi.read_pins() == 0xDC  # D4 and CS driven high, D2, D6 and D7 pulled up
        assert "txe" in ftdi.modem_status()
        assert ftdi.read_eeprom() == b"\xff" * 256


def test_bit_mode_reset_deselects_and_starts_the_engine_afresh() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=30e6) as ftdi:
        ftdi.write_data(bytes((0x80, 0x70, MASTER | 0x70)) + b"\x20\xff\xff")
        bench.clock.sleep(0.01)
        ftdi.set_bitmode(0, Ftdi.BitMode.RESET)
        assert not bench.chip.selected
        assert bench.chip.levels("WP#") == [True, None, True]  # the serial port's DTR#
        position = bench.chip.position
        ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)
        ftdi.purge_buffers()
        assert exchange(ftdi, b"\xaa\x87", 2) == b"\xfa\xaa"
        assert bench.chip.position == position
        # AN_108: the division by 5 is on after a reset.
        bench.chip.beats.clear()
        exchange(ftdi, b"\x86\x00\x00" + SELECT + b"\x20\x00\x00\x87", 1)
        assert bench.chip.beats[0].hertz == 6e6


def test_outside_mpsse_mode_nothing_answers() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.set_bitmode(0, Ftdi.BitMode.RESET)
        assert exchange(ftdi, b"\xaa\x87", 2) == b""
        # A serial port sends what it gets, cable or not: nothing piles up.
        start = bench.clock.now()
        assert ftdi.usb_dev.write(OUT, b"U" * 5000) == 5000
        assert bench.clock.now() - start < 2e-3


def test_an_unknown_request_stalls() -> None:
    handle = rig(FT232H).usb()
    for kind in (0xC0, 0x40):
        with pytest.raises(usb.core.USBError) as caught:
            handle.ctrl_transfer(kind, 0x77, 0, 1, 2 if kind & 0x80 else None)
        assert caught.value.errno == errno.EPIPE


def test_the_tracer_of_pyftdi_reads_the_same_commands(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "pyftdi.mpsse.tracer")
    bench = rig(FT232H)
    ftdi = Ftdi()
    ftdi.open_mpsse_from_device(bench.usb(), 1, MASTER, CS, frequency=10e6, tracer=True)
    got = exchange(ftdi, SELECT + b"\x11\x00\x00\x9f" + b"\x20\x02\x00\x87", 3)
    text = caplog.text
    (megahertz,) = re.findall(r"Set frequency ([\d.]+)MHZ", text)
    assert {beat.hertz for beat in bench.chip.beats} == {float(megahertz) * 1e6}
    assert re.search(r"WriteBytesNveMsb> \(1\) 9f", text)
    assert re.search(rf"ReadBytesPveMsb< \(3\) {got.hex()}", text)
    ftdi.close()


# -- faults ----------------------------------------------------------------------------------


def test_transfers_are_counted() -> None:
    bench = rig(FT232H)
    handle = bench.usb()
    handle.detach_kernel_driver(0)
    counters = bench.device.channels[1].counters
    for count in (1, 2, 3):
        handle.write(OUT, b"\x00")
        assert bench.device.transfers == 2 * count - 1
        handle.read(IN, 512)
        assert bench.device.transfers == 2 * count
    assert (counters.bulk_writes, counters.bulk_reads, counters.bytes_out) == (3, 3, 3)
    assert counters.usb_calls == 6


@pytest.mark.parametrize("after", range(1, 6))
def test_unplugged_at_a_transfer(after: int) -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=30e6) as ftdi:
        handle = ftdi.usb_dev
        steps = [lambda: handle.write(OUT, SELECT + b"\x80\x10\x1b" + b"\x20\xff\xff")]
        steps += [lambda: handle.read(IN, 16384)] * 6
        bench.device.faults.unplug_at = bench.device.transfers + after
        for step in steps[: after - 1]:
            step()
        for step in (steps[after - 1], lambda: handle.write(OUT, b"\x81"), ftdi.poll_modem_status):
            with pytest.raises((usb.core.USBError, FtdiError), match="No such device"):
                step()
        with pytest.raises(usb.core.USBError) as caught:
            handle.read(IN, 512)
        assert caught.value.errno == errno.ENODEV
        assert not bench.chip.selected
        assert bench.chip.levels("WP#") == ([] if after == 1 else [True, None])
        assert not list(usb.core.find(find_all=True, backend=bench.backend))
    bench.device.replug()
    with bench.opened() as ftdi:
        assert exchange(ftdi, b"\xaa\x87", 2) == b"\xfa\xaa"
        # What was opened before stays dead.
        with pytest.raises(usb.core.USBError, match="No such device"):
            handle.read(IN, 512)


def test_a_hook_runs_before_each_transfer_moves_anything() -> None:
    calls: list[tuple[int, int]] = []
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        first = bench.device.transfers + 1
        bench.device.faults.on_transfer = lambda n: calls.append((n, len(bench.chip.mosi)))
        for _ in range(3):
            ftdi.write_data(SELECT + b"\x11\x03\x00abcd" + DESELECT)
            bench.clock.sleep(1e-3)
        assert calls == [(first, 0), (first + 1, 4), (first + 2, 8)]


def test_a_write_times_out_at_a_given_transfer() -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.timeouts = (5000, 700)
        bench.device.faults.write_timeouts = frozenset({bench.device.transfers + 1})
        start = bench.clock.now()
        with pytest.raises(FtdiError, match="timed out"):
            ftdi.write_data(b"\xaa")
        assert bench.clock.now() - start == pytest.approx(0.7)
        assert exchange(ftdi, b"\xab\x87", 2) == b"\xfa\xab"


@pytest.mark.parametrize("attached", [True, False])
def test_one_byte_of_each_64_kib_read_is_wrong_at_the_same_place(attached: bool) -> None:
    clock, chip = VirtualClock(), Recorder()
    faults = UsbFaults(long_read=LongReadFlaw(from_end=5, flip=0x40))
    device = FtdiDevice(FT232H, clock, {1: chip} if attached else None, faults=faults)
    ftdi = Ftdi()
    handle = usb.core.find(backend=UsbBackend([device]))
    ftdi.open_mpsse_from_device(handle, 1, MASTER, CS, frequency=30e6)
    ftdi.read_data_set_chunksize(16384)

    def wrong(length: int, count: int) -> list[int]:
        command = b"\x24" + (length - 1).to_bytes(2, "little")
        ftdi.write_data(DESELECT + SELECT + command * count + b"\x87")
        got = bytearray()
        while len(got) < length * count:
            got += ftdi.read_data_bytes(length * count - len(got), 4)
        true = answer(length * count) if attached else b"\xff" * length * count
        places = [
            place for place, pair in enumerate(zip(got, true, strict=True)) if len({*pair}) > 1
        ]
        assert all(got[place] ^ true[place] == 0x40 for place in places)
        return places

    assert wrong(65536, 3) == [65536 * n - 5 for n in (1, 2, 3)]
    assert wrong(65535, 2) == []
    assert wrong(4096, 3) == []
    ftdi.close()


# -- the other modes of a channel --------------------------------------------------------------


@pytest.mark.parametrize("profile", [FT232H, FT2232C], ids=lambda profile: profile.name)
def test_a_bridge_fresh_from_the_plug_is_a_serial_port(profile: AdapterProfile) -> None:
    # Data sheets, pin tables: ADBUS0 TXD, ADBUS2 RTS# and ADBUS4 DTR# are outputs.
    bench = rig(profile)
    pins = bench.device.channels[1].pins
    assert pins.driven == 0x15
    assert [pins.level(pin) for pin in range(5)] == [True, None, True, None, True]
    bench.device.unplug()
    assert pins.driven == 0
    bench.device.replug()
    assert pins.driven == 0x15
    assert pins.serial_spells == 0, "nobody gave them back"
    with bench.opened() as ftdi:
        assert pins.driven == MASTER
        before = pins.serial_spells
        ftdi.set_bitmode(0, Ftdi.BitMode.RESET)
        assert (pins.driven, pins.serial_spells) == (0x15, before + 1)


def test_bit_bang_mode_without_outputs_floats_the_pins_and_samples_them() -> None:
    # D2XX guide, FT_SetBitMode: mode 1, the mask says which pins are outputs.
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.write_data(SELECT)
        ftdi.set_bitmode(0, Ftdi.BitMode.BITBANG)
        assert bench.device.channels[1].pins.driven == 0
        assert not bench.chip.selected
        bench.clock.sleep(0.01)
        assert set(ftdi.read_data_bytes(100, attempt=2)) == {0xFF}
        ftdi.set_bitmode(0x08, Ftdi.BitMode.BITBANG)
        assert bench.device.channels[1].pins.driven == 0x08


@pytest.mark.parametrize("purge", [False, True])
def test_what_a_change_of_mode_leaves_in_the_fifo_is_carried_out(purge: bool) -> None:
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.set_bitmode(0, Ftdi.BitMode.BITBANG)
        bench.chip.beats.clear()
        ftdi.write_data(b"\x85" * 600 + SELECT + b"\x20\x01\x00")
        if purge:
            ftdi.purge_buffers()
        ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)
        bench.clock.sleep(0.01)
        bench.device.settle()
        assert bool(bench.chip.beats) == (not purge)


@pytest.mark.parametrize("stubborn", [False, True])
def test_an_engine_that_only_the_serial_port_stops(stubborn: bool) -> None:
    bench = rig(FT232H, faults=UsbFaults(stubborn_engine=stubborn))
    with bench.opened() as ftdi:
        ftdi.write_data(SELECT + b"\x11\x40\x00" + bytes(10))  # 55 bytes are missing
        ftdi.set_bitmode(0, Ftdi.BitMode.BITBANG)
        ftdi.purge_buffers()
        ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)
        ftdi.purge_buffers()
        assert exchange(ftdi, b"\xaa\x87", 2) == (b"" if stubborn else b"\xfa\xaa")
        assert bench.device.channels[1].pins.driven == 0
        ftdi.set_bitmode(0, Ftdi.BitMode.RESET)
        ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)
        assert exchange(ftdi, b"\xaa\x87", 2) == b"\xfa\xaa"


def test_the_kernels_driver_has_what_is_plugged_in() -> None:
    """Error numbers as libusb gives them on Linux (linux_usbfs.c)."""
    bench = rig(FT2232H)
    handle = bench.usb()
    assert [handle.is_kernel_driver_active(number) for number in (0, 1)] == [True, True]
    with pytest.raises(usb.core.USBError) as caught:
        usb.util.claim_interface(handle, 0)
    assert caught.value.errno == errno.EBUSY
    with pytest.raises(usb.core.USBError) as caught:
        handle.set_configuration()
    assert (caught.value.errno, bench.backend.kernel_warnings) == (errno.EBUSY, 1)
    handle.detach_kernel_driver(0)
    with pytest.raises(usb.core.USBError) as caught:
        handle.detach_kernel_driver(0)
    assert caught.value.errno == errno.ENOENT
    usb.util.claim_interface(handle, 0)
    with pytest.raises(usb.core.USBError) as caught:
        handle.attach_kernel_driver(0)
    assert caught.value.errno == errno.EBUSY
    bench.device.unplug()
    for call in (handle.is_kernel_driver_active, handle.detach_kernel_driver):
        with pytest.raises(usb.core.USBError) as caught:
            call(1)
        assert caught.value.errno == errno.ENODEV


def test_a_device_without_rights() -> None:
    bench = rig(FT232H)
    bench.device.accessible = False
    with pytest.raises(usb.core.USBError) as caught:
        bench.usb().ctrl_transfer(0x80, 6, 0x300, 0, 255)
    assert caught.value.errno == errno.EACCES
    # pyusb hides it where a string is asked for.
    with pytest.raises(ValueError, match="langid"):
        usb.util.get_string(bench.usb(), 3)
