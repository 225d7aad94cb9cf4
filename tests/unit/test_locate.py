"""Listing and opening adapters: real pyftdi on a simulated USB with several devices.

The URL syntax is that of pyftdi's own documentation ("URL scheme").
"""

from __future__ import annotations

import errno
import shlex
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import usb.core
import usb.util
from pyftdi.usbtools import UsbTools
from usb.core import USBError

from hwmocks.clock import VirtualClock
from hwmocks.ftdi import (
    FT232H,
    FT2232C,
    FT2232H,
    FT4232H,
    AdapterProfile,
    FtdiDevice,
    Mode,
    UsbBackend,
)
from hwmocks.nor.chip import NorChip
from spiflash.bus import Transaction, locate
from spiflash.bus import usb as usb_module
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import list_adapters, open_bus, url_from_now_on
from spiflash.bus.mpsse import Pins
from spiflash.errors import (
    AdapterChoiceError,
    AdapterNotFoundError,
    BusError,
    SpiflashError,
    UsageError,
)


class UsbPort:
    """What is plugged in; every channel of every device has a chip of its own."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.devices: list[FtdiDevice] = []
        self.backend = UsbBackend([])
        self.clock = VirtualClock()
        monkeypatch.setattr(UsbTools, "_load_backend", classmethod(lambda cls: self.backend))
        monkeypatch.setattr(locate, "WallClock", lambda: self.clock)

    def plug(self, profile: AdapterProfile, serial: str, chip: str = "W25Q64JV") -> FtdiDevice:
        chips = {number: NorChip(chip) for number in range(1, profile.interfaces + 1)}
        device = FtdiDevice(profile, self.clock, chips, serial=serial)
        self.devices.append(device)
        self.backend = UsbBackend(self.devices)
        return device


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> Iterator[UsbPort]:
    UsbTools.flush_cache()
    yield UsbPort(monkeypatch)
    UsbTools.release_all_devices()
    UsbTools.flush_cache()


def assert_answers(bus: FtdiBus, jedec_id: str = "ef 40 17") -> None:
    assert bus.run([Transaction(b"\x9f", 3)])[0].hex(" ") == jedec_id


def assert_complete(error: SpiflashError) -> None:
    assert error.cause
    # After a mistake in what was typed, nobody wonders about the chip.
    assert error.state or isinstance(error, UsageError)
    assert error.remedy


# -- the list ----------------------------------------------------------------------------------


def test_nothing_is_plugged_in(port: UsbPort) -> None:
    assert list_adapters() == ()
    with pytest.raises(AdapterNotFoundError) as caught:
        open_bus(None)
    assert_complete(caught.value)


def test_the_list_names_every_channel_with_an_engine(port: UsbPort) -> None:
    port.plug(FT2232H, "HERON2")
    port.plug(FT232H, "HERON1")
    port.plug(FT4232H, "HERON4")
    port.plug(FT2232C, "OLD")
    found = {(a.model, a.channel, a.serial): a for a in list_adapters()}
    assert sorted(found) == [
        ("FT2232C/D", "A", "OLD"),
        ("FT2232H", "A", "HERON2"),
        ("FT2232H", "B", "HERON2"),
        ("FT232H", "A", "HERON1"),
        ("FT4232H", "A", "HERON4"),
        ("FT4232H", "B", "HERON4"),
    ]
    assert found["FT2232H", "B", "HERON2"].url == "ftdi://0x0403:0x6010:HERON2/2"
    assert found["FT2232C/D", "A", "OLD"].top_hz == 6e6
    assert found["FT232H", "A", "HERON1"].top_hz == 30e6
    assert list_adapters() == tuple(sorted(found.values(), key=lambda a: a.url))


def test_every_listed_url_opens_what_it_says(port: UsbPort) -> None:
    port.plug(FT2232H, "S1")
    port.plug(FT232H, "S2")
    port.plug(FT232H, "S2")
    port.plug(FT4232H, "")
    adapters = list_adapters()
    assert len(adapters) == 6
    assert len({adapter.url for adapter in adapters}) == 6
    for adapter in adapters:
        bus = open_bus(adapter.url)
        assert_answers(bus)
        driven = [
            (device.profile.name, number)
            for device in port.devices
            for number, channel in device.channels.items()
            if channel.pins.direction
        ]
        assert driven == [(adapter.model, "ABCD".index(adapter.channel) + 1)]
        bus.close()


PUNCTUATION = [
    "7",
    "001",
    "255",
    "٣",
    "1:2",
    "a/b",
    "a?b",
    "a#b",
    "a@b",
    "[x",
    "%20",
    "0x10",
    "℀",
    "ü",
    "..",
]
ODD_SERIALS = [*PUNCTUATION, "A B", " ", "\x00", "\x1b[31mred", "FT\n1", "\uffff", "x" * 126]


@pytest.mark.parametrize("serial", ODD_SERIALS, ids=ascii)
def test_the_listed_url_of_any_serial_number_opens_that_very_adapter(
    port: UsbPort, serial: str
) -> None:
    """An EEPROM holds any text. The URL has to survive a terminal and a shell, too."""
    port.plug(FT232H, "OTHER", "GD25Q64C")
    port.plug(FT232H, serial)
    listed = {each.serial: each.url for each in list_adapters()}
    assert listed.keys() == {serial, "OTHER"}
    for name, answer in ((serial, "ef 40 17"), ("OTHER", "c8 40 17")):
        assert shlex.join([listed[name]]) == listed[name]
        bus = open_bus(listed[name])
        assert_answers(bus, answer)
        bus.close()


def test_a_serial_number_is_not_taken_for_a_place_in_the_list(port: UsbPort) -> None:
    """pyftdi's URLs count adapters from 1; adapters may be numbered by their serial numbers."""
    port.plug(FT232H, "2", "GD25Q64C")
    port.plug(FT232H, "1", "W25Q64JV")
    port.plug(FT232H, "X", "MX25L6406E")
    for word, answer in (("1", "ef 40 17"), ("2", "c8 40 17"), ("3", "c2 20 17")):
        bus = open_bus(f"ftdi://ftdi:232h:{word}/1")
        assert_answers(bus, answer)
        bus.close()


def test_devices_without_an_engine_are_named(port: UsbPort) -> None:
    """FT232R and FT-X: serial ports only (bcdDevice as in the kernel's ftdi_sio.c)."""
    plain = {"interfaces": 1, "mpsse": frozenset(), "release": 0x0600, "product": 0x6001}
    port.plug(replace(FT2232C, name="FT232R", **plain), "CABLE")
    for url in (None, "ftdi://ftdi:232r/1", "ftdi://ftdi:232r:CABLE/1"):
        with pytest.raises(AdapterNotFoundError, match=r"no SPI engine: FT232R \(0403:6001\)"):
            open_bus(url)
    assert list_adapters() == ()
    assert all(device.transfers == 0 for device in port.devices)


def test_adapters_with_numbers_of_their_makers(port: UsbPort) -> None:
    """FTDI gives product numbers to makers of adapters, and its EEPROM takes any vendor number; the
    release number still tells the type."""
    port.plug(replace(FT2232H, product=0xCFF8), "OWN")
    port.plug(replace(FT232H, vendor=0x1234, product=0x0001), "ALIEN")
    assert [each.url for each in list_adapters()] == [
        "ftdi://0x0403:0xcff8:OWN/1",
        "ftdi://0x0403:0xcff8:OWN/2",
    ]
    for url in ("ftdi://0x0403:0xcff8:OWN/2", "ftdi://0x1234:0x0001/1", "ftdi://0x1234:/1"):
        bus = open_bus(url)
        assert_answers(bus)
        bus.close()
    port.devices[1].accessible = False
    with pytest.raises(BusError, match="may not open") as caught:
        open_bus("ftdi://0x1234:0x0001/1")
    assert 'ATTR{idVendor}=="1234"' in caught.value.remedy


def failing(number: int) -> USBError:
    return USBError("as the test wants", -99, number)


@pytest.mark.parametrize(
    ("error", "platform", "words"),
    [
        (failing(errno.EACCES), "linux", "udev"),
        (failing(errno.EACCES), "darwin", "sudo"),
        (failing(errno.EACCES), "win32", "WinUsb"),
        # What pyusb makes of LIBUSB_ERROR_NOT_SUPPORTED: Windows has another driver for it.
        (NotImplementedError("Operation not supported"), "win32", "WinUsb"),
        (failing(errno.ETIMEDOUT), "linux", "does not answer"),
        (failing(errno.EIO), "linux", "does not answer"),
        (failing(errno.ENODEV), "linux", "unplugged"),
        (failing(errno.EBUSY), "linux", "Another program"),
        (failing(errno.ENOMEM), "linux", "as the test wants"),
    ],
    ids=str,
)
@pytest.mark.parametrize("where", ["open_device", "ctrl_transfer", "claim_interface"])
def test_what_cannot_be_opened_is_told_by_its_cause(
    port: UsbPort,
    monkeypatch: pytest.MonkeyPatch,
    where: str,
    error: Exception,
    platform: str,
    words: str,
) -> None:
    """Whichever step of opening fails, the message says why, and what helps there."""
    port.plug(FT232H, "S1")
    monkeypatch.setattr(sys, "platform", platform)

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(port.backend, where, fail)
    for url in ("ftdi://ftdi:232h:S1/1", "ftdi://ftdi:232h/1"):
        with pytest.raises(SpiflashError) as caught:
            open_bus(url)
        assert_complete(caught.value)
        assert words in str(caught.value)
        assert ("udev" in str(caught.value)) == (words == "udev")
    listed = list_adapters()
    unread = where != "claim_interface"
    assert [each.access for each in listed] == (
        [] if words == "unplugged" and unread else [not unread]
    )
    if unread and listed:
        assert listed[0].refusal is not None
        assert words in str(listed[0].refusal)
    assert UsbTools.Devices == {}


def test_an_eeprom_whose_strings_cannot_be_read(
    port: UsbPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The device stalls on string requests, and works."""
    device = port.plug(FT232H, "S1")

    def stall(*_: object) -> bytes:
        raise failing(errno.EPIPE)

    monkeypatch.setattr(device, "_string", stall)
    (listed,) = list_adapters()
    assert (listed.access, listed.serial) == (True, "")
    for url in (None, listed.url):
        bus = open_bus(url)
        assert_answers(bus)
        bus.close()


def test_a_device_with_unreadable_descriptors_hides_no_other(
    port: UsbPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = port.plug(FT2232H, "BROKEN")
    port.plug(FT232H, "GOOD")
    genuine = port.backend.get_configuration_descriptor

    def read(device: FtdiDevice, config: int) -> object:
        if device is broken:
            raise failing(errno.EIO)
        return genuine(device, config)

    monkeypatch.setattr(port.backend, "get_configuration_descriptor", read)
    bus = open_bus("ftdi://ftdi:232h:GOOD/1")
    assert_answers(bus)
    bus.close()
    with pytest.raises(SpiflashError) as caught:
        open_bus("ftdi://ftdi:2232h/1")
    assert_complete(caught.value)


def test_a_device_that_may_not_be_opened_stands_in_nobodys_way(port: UsbPort) -> None:
    """A serial cable of somebody else's, beside the adapter that this user has rights to."""
    other = port.plug(FT2232H, "CABLE")
    other.accessible = False
    port.plug(FT232H, "MINE")
    listed = {(each.model, each.channel): each for each in list_adapters()}
    assert listed["FT232H", "A"].access
    assert not listed["FT2232H", "A"].access
    for url in (None, "ftdi://ftdi:232h:MINE/1", "ftdi:///1", "ftdi://::MINE/1"):
        bus = open_bus(url)
        assert_answers(bus)
        bus.close()
    assert other.transfers == 0
    assert other.driven_by_kernel == {0, 1}, "its serial port was left alone"


@pytest.mark.parametrize(
    "url", [None, "ftdi://ftdi:232h/1", "ftdi://ftdi:232h:S1/1", "ftdi://0x403:0x6014:1:1/1"]
)
def test_a_user_without_rights_is_given_the_rule(port: UsbPort, url: str | None) -> None:
    """pyusb tells it in two ways: EACCES, and a ValueError where a string is asked for."""
    port.plug(FT232H, "S1").accessible = False
    with pytest.raises(BusError, match="may not open") as caught:
        open_bus(url)
    assert_complete(caught.value)
    for needed in ("/etc/udev/rules.d/", 'ATTR{idVendor}=="0403"', "udevadm control --reload"):
        assert needed in caught.value.remedy
    assert UsbTools.Devices == {}


def test_no_libusb_at_all(port: UsbPort, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(cls: object) -> object:
        raise ValueError("No backend available")

    monkeypatch.setattr(UsbTools, "_load_backend", classmethod(nothing))
    for use in (list_adapters, lambda: open_bus(None), lambda: open_bus("ftdi://ftdi:232h/1")):
        with pytest.raises(AdapterNotFoundError, match="No backend available") as caught:
            use()
        assert_complete(caught.value)


# -- choice ------------------------------------------------------------------------------------


@pytest.mark.parametrize("profile", [FT232H, FT2232H, FT4232H, FT2232C], ids=lambda p: p.name)
def test_the_only_adapter_needs_no_name(port: UsbPort, profile: AdapterProfile) -> None:
    """Both channels of one device count as one adapter: channel A is taken."""
    device = port.plug(profile, "ONE")
    bus = open_bus(None)
    assert_answers(bus)
    assert [n for n, c in device.channels.items() if c.pins.direction] == [1]
    bus.close()


def test_two_adapters_need_a_name(port: UsbPort) -> None:
    port.plug(FT232H, "LEFT")
    port.plug(FT2232H, "RIGHT")
    with pytest.raises(AdapterChoiceError) as caught:
        open_bus(None)
    assert_complete(caught.value)
    for name in ("LEFT/1", "RIGHT/1", "RIGHT/2"):
        assert name in caught.value.remedy
    assert all(c.pins.direction == 0 for d in port.devices for c in d.channels.values())


def test_a_url_that_two_adapters_fit(port: UsbPort) -> None:
    port.plug(FT232H, "LEFT")
    port.plug(FT232H, "RIGHT")
    with pytest.raises(AdapterChoiceError) as caught:
        open_bus("ftdi://ftdi:232h/1")
    assert_complete(caught.value)


def test_serial_number_and_interface_decide(port: UsbPort) -> None:
    port.plug(FT2232H, "LEFT", "W25Q64JV")
    right = port.plug(FT2232H, "RIGHT", "GD25Q64C")
    for url, channel in (("ftdi://ftdi:2232h:RIGHT/2", 2), ("ftdi://ftdi:2232:RIGHT/1", 1)):
        bus = open_bus(url)
        assert_answers(bus, "c8 40 17")
        assert [n for n, c in right.channels.items() if c.pins.direction] == [channel]
        assert bus.description == url
        bus.close()


def test_side_pins_are_passed_on(port: UsbPort) -> None:
    device = port.plug(FT232H, "S1")
    bus = open_bus("ftdi://ftdi:232h:S1/1", Pins(high=0x10))
    assert device.channels[1].pins.direction == 0x1B
    bus.close()


def test_an_adapter_that_was_plugged_in_again(port: UsbPort) -> None:
    """It has another address then; what was known of it before must not be believed."""
    device = port.plug(FT232H, "S1")
    bus = open_bus(None)
    device.unplug()
    with pytest.raises(SpiflashError):
        assert_answers(bus)
    bus.close()
    assert UsbTools.Devices == {}
    device.replug()
    device.address = 1  # hosts use the numbers again
    for url in ("ftdi://ftdi:232h:S1/1", None):
        again = open_bus(url)
        assert_answers(again)
        again.close()


# -- what cannot be opened ---------------------------------------------------------------------


def test_an_interface_that_another_program_uses(port: UsbPort) -> None:
    """It is refused, and the other program's work goes on undisturbed."""
    device = port.plug(FT2232H, "S1")
    other = usb.core.find(backend=port.backend)
    other.detach_kernel_driver(0)
    usb.util.claim_interface(other, 0)
    device.channels[1].engine.switch(Mode.MPSSE, port.clock.now())
    device.channels[1].pins.drive(0x08, 0x0B, port.clock.now())
    with pytest.raises(BusError, match=r"busy|uses") as caught:
        open_bus("ftdi://ftdi:2232h:S1/1")
    assert_complete(caught.value)
    assert device.channels[1].engine.enabled
    assert device.channels[1].pins.direction == 0x0B
    bus = open_bus("ftdi://ftdi:2232h:S1/2")
    assert_answers(bus)
    bus.close()
    usb.util.release_interface(other, 0)
    bus = open_bus("ftdi://ftdi:2232h:S1/1")
    assert_answers(bus)
    bus.close()


def linux_tree(
    root: Path, monkeypatch: pytest.MonkeyPatch, *, interface: int = 0
) -> dict[str, Path]:
    """The parts of /sys and /proc that tell of a serial port, in the kernel's own form
    (Documentation/ABI/stable/sysfs-bus-usb; proc(5))."""
    device = root / "sys" / "1-4"
    device.mkdir(parents=True)
    (device / "busnum").write_text("1\n")
    (device / "devnum").write_text("1\n")
    (root / "sys" / f"1-4:1.{interface}" / "ttyUSB3").mkdir(parents=True)
    (root / "sys" / "usb1").mkdir()
    fds = root / "proc" / "4711" / "fd"
    fds.mkdir(parents=True)
    (root / "proc" / "4711" / "comm").write_text("console\n")
    (root / "lock").mkdir()
    for name, path in (("SYS_USB", "sys"), ("PROC", "proc"), ("LOCKS", "lock")):
        monkeypatch.setattr(usb_module, name, root / path)
    return {"fds": fds, "lock": root / "lock"}


@pytest.mark.parametrize("sign", ["open file", "lock file"])
def test_a_serial_port_in_use_is_refused(
    port: UsbPort, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sign: str
) -> None:
    device = port.plug(FT2232H, "S1")
    tree = linux_tree(tmp_path, monkeypatch)
    if sign == "open file":
        (tree["fds"] / "5").symlink_to("/dev/ttyUSB3")
    else:
        (tree["lock"] / "LCK..ttyUSB3").write_text("      4711\n")
    with pytest.raises(BusError, match=r"/dev/ttyUSB3.*4711") as caught:
        open_bus("ftdi://ftdi:2232h:S1/1")
    assert_complete(caught.value)
    assert device.driven_by_kernel == {0, 1}
    assert device.transfers == 0
    other = open_bus("ftdi://ftdi:2232h:S1/2")  # no serial port of that channel is open
    assert_answers(other)
    other.close()


def test_a_serial_port_that_nobody_uses_is_taken_and_given_back(
    port: UsbPort, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    device = port.plug(FT232H, "S1")
    tree = linux_tree(tmp_path, monkeypatch)
    (tree["fds"] / "5").symlink_to("/dev/ttyUSB4")
    (tree["lock"] / "LCK..ttyUSB3").write_text("99999\n")  # left behind by a program that ended
    bus = open_bus(None)
    assert device.driven_by_kernel == set()
    bus.close()
    assert device.driven_by_kernel == {0}
    assert port.backend.kernel_warnings == 0, "the device was configured a second time"


def test_what_the_serial_driver_sends_moves_no_pin(port: UsbPort) -> None:
    """After closing, the kernel has the port back; what a program writes to it (here a 4 KiB erase
    in the engine's own commands) is not carried out on the clip."""
    device = port.plug(FT232H, "S1")
    bus = open_bus(None)
    assert_answers(bus)
    bus.close()
    channel = device.channels[1]
    assert channel.pins.driven == 0
    for command in ("06", "20000000"):
        out = bytes.fromhex(command)
        words = bytes((0x80, 0x00, 0x0B, 0x11, len(out) - 1, 0x00)) + out
        channel.write(words + bytes((0x80, 0x08, 0x0B)), 1000)
        channel.settle()
        assert channel.pins.driven == 0
    again = open_bus(None)
    status, array = again.run([Transaction(b"\x05", 1), Transaction(b"\x03\0\0\0", 4)])
    assert status == b"\0", "the chip took a command"
    assert array == b"\xff" * 4
    again.close()


def test_an_adapter_that_stopped_is_given_back_quickly(port: UsbPort) -> None:
    """Ctrl-C while nothing answers: the person waits for it. Simulated seconds."""
    device = port.plug(FT232H, "S1")
    bus = open_bus(None)
    assert_answers(bus)
    device.faults.write_timeouts = frozenset(range(1, 100_000))
    before = port.clock.now()
    bus.close()
    assert port.clock.now() - before < 1.5


@pytest.mark.parametrize(
    "url",
    [
        "ftdi://",
        "ftdi:",
        "ftdi:///?",
        "ftdi://ftdi:232h/?",
        "ftdi://ftdi:232h",
        "ftdi://ftdi:232h/x",
        "ftdi://ftdi:232h/2",
        "ftdi://ftdi:232h/-1",
        "ftdi://ftdi:232h/99999999999999999999",
        "ftdi://ftdi:9999h/1",
        "ftdi://nobody:232h/1",
        "ftdi://0x1234:0x5678/1",
        "ftdi://ftdi:232h:OTHER/1",
        "ftdi://ftdi:232h:7/1",
        "ftdi://ftdi:232h:zz:1/1",
        "ftdi://ftdi:232h:1:fe/1",
        "ftdi://[/1",
        "ftdi://ftdi:232h:\x00/1",
        "ftdi://ftdi:232h:1:2:3/1",
        "ftdi://ftdi:232h/1?x=1",
        "FTDI://ftdi:2232h:S1/3",
        "sim:",
        "sim:heron?adapter=ft245",
        "sim:heron?adapter=ft232h&channel=B",
        "sim:heron?channel=AB",
        "sim:heron?chip=W25Q9999",
        "sim:heron?chip=SST25VF032B",
        "sim:heron?board=x",
        "sim:heron?seed=x",
        "sim:heron?new=heron",
        "sim:heron?colour=red",
        "sim:heron?card=-5",
        "sim:heron?card=0x7fffffff",
        "sim:/nowhere/at/all",
        "sim:/dev/null",
        "sim:/dev/null?new=heron",
        "http://localhost/",
        "",
        "/dev/ttyUSB0",
    ],
)
def test_urls_that_make_no_sense(port: UsbPort, url: str) -> None:
    port.plug(FT232H, "S1")
    with pytest.raises(SpiflashError) as caught:
        open_bus(url).close()
    assert_complete(caught.value)
    assert all(c.pins.direction == 0 for d in port.devices for c in d.channels.values())
    assert UsbTools.Devices == {}, "a refused device must not stay open"


def test_a_channel_without_an_engine_by_url(port: UsbPort) -> None:
    port.plug(FT4232H, "S4")
    with pytest.raises(UsageError, match="MPSSE") as caught:
        open_bus("ftdi://ftdi:4232h:S4/3")
    assert_complete(caught.value)
    assert UsbTools.Devices == {}


# -- the simulated bench -----------------------------------------------------------------------


def test_the_demo_board_opens_without_usb(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(cls: object) -> object:
        raise AssertionError("USB was searched")

    monkeypatch.setattr(UsbTools, "_load_backend", classmethod(forbidden))
    bus = open_bus("sim:heron")
    assert_answers(bus)
    assert "simulated" in bus.description
    bus.close()


@pytest.mark.parametrize("adapter", ["ft232h", "ft2232h", "ft4232h", "ft2232c", "ft2232d"])
def test_every_kind_of_simulated_adapter(adapter: str) -> None:
    bus = open_bus(f"sim:heron?adapter={adapter}")
    assert_answers(bus)
    assert bus.clock_limits[1] == (
        6e6 if adapter.startswith("ft2232c") or "2d" in adapter else 30e6
    )
    bus.close()


def test_a_board_in_a_folder_lasts(tmp_path: Path) -> None:
    url = f"sim:{tmp_path / 'board'}"
    write = [
        Transaction(b"\x06"),
        Transaction(bytes.fromhex("20 7f f0 00"), rest=1.0),
        Transaction(b"\x06"),
        Transaction(bytes.fromhex("02 7f f0 00 48 65 72 6f 6e"), rest=0.1),
    ]
    bus = open_bus(url + "?new=heron")
    bus.run([Transaction(b"\x05", 1, rest=0.2), *write])
    bus.run([Transaction(b"\x05", 1)])
    bus.close()
    again = open_bus(url)
    assert again.run([Transaction(bytes.fromhex("03 7f f0 00"), 6)]) == [b"Heron\xff"]
    again.close()


@pytest.mark.parametrize(
    ("url", "later"),
    [
        ("sim:b?new=heron", "sim:b"),
        ("sim:b?card=0x212000&adapter=ft2232h&new=heron", "sim:b?adapter=ft2232h"),
        ("sim:b?brick=half-erased&seed=3", "sim:b?seed=3"),
        ("sim:b?clip=noise", "sim:b?clip=noise"),
        ("sim:b", "sim:b"),
        # Fresh at every start: without the setting it would be another board.
        ("sim:heron?brick=half-erased", "sim:heron?brick=half-erased"),
        ("ftdi://ftdi:232h:FT1/1?new=heron", "ftdi://ftdi:232h:FT1/1?new=heron"),
    ],
)
def test_what_is_done_once_is_not_in_the_next_url(url: str, later: str) -> None:
    assert url_from_now_on(url) == later


def test_a_broken_board_folder(tmp_path: Path) -> None:
    board = tmp_path / "board"
    open_bus(f"sim:{board}?new=heron").close()
    for file in sorted(board.iterdir()):
        whole = file.read_bytes()
        file.write_bytes(whole[:40])
        with pytest.raises(UsageError) as caught:
            open_bus(f"sim:{board}")
        assert_complete(caught.value)
        assert file.name in caught.value.cause
        file.write_bytes(whole)
    open_bus(f"sim:{board}").close()
