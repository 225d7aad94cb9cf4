"""The adapters on this computer's USB: which there are, who may open them, who is using them.

Of devices that were not asked for, only descriptors that every user may see are read. A device that
this user may not open is listed as such and does not get in the way of another.

pyftdi loads its pyusb backend by module name, and this is that module (`get_backend`): the system's
own libusb, or else the one that pip installed.
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import usb.backend.libusb1
import usb.core
import usb.util
from pyftdi.ftdi import Ftdi, FtdiError
from pyftdi.usbtools import UsbTools
from usb.backend import IBackend
from usb.core import USBError

from spiflash.bus import trace
from spiflash.bus.transaction import Clock, WallClock
from spiflash.errors import (
    AdapterChoiceError,
    AdapterLostError,
    AdapterNotFoundError,
    BusError,
    SpiflashError,
    UsageError,
)
from spiflash.files import UNCHANGED

VENDOR = 0x0403
PRODUCTS = (0x6010, 0x6011, 0x6014, 0x6048)
"""USB product numbers of FTDI devices with an MPSSE engine."""

LOST = (errno.ENODEV, errno.EIO, errno.ENOENT, errno.EPIPE, errno.ESHUTDOWN)
"""What libusb reports once a device is unplugged."""

RULE_FILE = "/etc/udev/rules.d/70-spiflash.rules"
RULE = f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{VENDOR:04x}", MODE="0666"'
"""The udev rule (man 7 udev) that lets every user of this computer open FTDI adapters."""

SYS_USB = Path("/sys/bus/usb/devices")
PROC = Path("/proc")
LOCKS = Path("/run/lock")
"""Lock files of serial ports: Filesystem Hierarchy Standard 3.0, section 5.9."""


def get_backend() -> IBackend | None:
    """The first libusb that loads, or None."""
    backend: IBackend | None = usb.backend.libusb1.get_backend()
    if backend is None:
        import libusb_package

        backend = usb.backend.libusb1.get_backend(find_library=libusb_package.find_library)
    return backend


class Device(usb.core.Device):  # type: ignore[misc]  # pyusb has no types
    """pyusb's device, with two differences.

    It is not configured a second time. The kernel configures a device when it is plugged in; pyftdi
    requests the same configuration again at every opening, which Linux refuses while a driver is
    bound, with a line in its log. And its transfers go into the trace, if one is being made.
    """

    def __init__(self, device: object, backend: IBackend, clock: Clock | None = None) -> None:
        """`clock` is the one that the device uses: real or simulated."""
        super().__init__(device, backend)
        self._now = (clock or WallClock()).now
        self._zero = time.time() - self._now()

    def set_configuration(self, configuration: object = None) -> None:
        """Set the first configuration, unless it is set."""
        with contextlib.suppress(USBError):
            if self.get_active_configuration().bConfigurationValue == 1:
                return
        super().set_configuration(configuration)

    def introduce(self) -> None:
        """Begin a trace with the device descriptor: a replay needs to know the type."""
        if trace.active() is not None:
            self.ctrl_transfer(0x80, usb.REQ_GET_DESCRIPTOR, usb.DT_DEVICE << 8, 0, 18)

    def write(self, endpoint: int, data: bytes, timeout: int | None = None) -> int:
        """A bulk transfer to the device."""
        with self._traced(endpoint, len(data), out=bytes(data)) as result:
            result.append(super().write(endpoint, data, timeout))
        return int(result[0])

    def read(self, endpoint: int, size_or_buffer: int, timeout: int | None = None) -> Any:
        """A bulk transfer from the device; an array of bytes."""
        with self._traced(endpoint, size_or_buffer) as result:
            result.append(super().read(endpoint, size_or_buffer, timeout))
        return result[0]

    def ctrl_transfer(
        self,
        bmRequestType: int,  # noqa: N803 (pyusb's own names)
        bRequest: int,  # noqa: N803
        wValue: int = 0,  # noqa: N803
        wIndex: int = 0,  # noqa: N803
        data_or_wLength: Any = None,  # noqa: N803
        timeout: int | None = None,
    ) -> Any:
        """A control transfer; bytes sent, or an array of those received."""
        given = data_or_wLength
        out = b"" if given is None or isinstance(given, int) else bytes(given)
        length = given if isinstance(given, int) else len(out)
        setup = struct.pack("<BBHHH", bmRequestType, bRequest, wValue, wIndex, length)
        with self._traced(bmRequestType & trace.IN, length, setup=setup, out=out) as result:
            result.append(
                super().ctrl_transfer(bmRequestType, bRequest, wValue, wIndex, given, timeout)
            )
        return result[0]

    def _traced(
        self, endpoint: int, length: int, *, setup: bytes | None = None, out: bytes = b""
    ) -> contextlib.AbstractContextManager[list[Any]]:
        capture = trace.active()
        if capture is None:
            return contextlib.nullcontext([])
        place = self.bus, self.address
        return capture.transfer(self._time, place, endpoint, length, setup=setup, out=out)

    def _time(self) -> float:
        return self._zero + self._now()


@dataclass(frozen=True, slots=True)
class Found:
    """One FTDI device with an engine. `serial` is its serial number: "" if it has none, None if
    this user may not open the device, which is needed to read it."""

    device: Device
    serial: str | None

    @property
    def place(self) -> tuple[int, int]:
        """USB bus and address."""
        return self.device.bus, self.device.address


def present() -> list[Found]:
    """The devices on USB that could be adapters, by bus and address.

    Raises `AdapterNotFoundError` when USB itself cannot be searched.
    """
    return [Found(device, _serial(device)) for device in _devices()]


def _devices() -> list[Device]:
    if __name__ not in UsbTools.BACKENDS:
        UsbTools.BACKENDS = (__name__, *UsbTools.BACKENDS)
    try:
        backend = UsbTools.find_backend()
        everything = [Device(each, backend) for each in backend.enumerate_devices()]
        ours = [
            each for each in everything if each.idVendor == VENDOR and each.idProduct in PRODUCTS
        ]
        # Windows also lists a device once for each of its interfaces, with one interface each.
        ours.sort(key=lambda each: (each.bus, each.address, -_interfaces(each)))
    except (usb.core.NoBackendError, OSError, ValueError) as exc:
        raise AdapterNotFoundError(
            f"USB cannot be searched ({exc}).",
            state=UNCHANGED,
            remedy="Check that your user may use USB devices.",
        ) from exc
    return list({(each.bus, each.address): each for each in reversed(ours)}.values())[::-1]


def _interfaces(device: Device) -> int:
    return max(int(each.bNumInterfaces) for each in device)


def _serial(device: Device) -> str | None:
    try:
        # The table of languages is the cheapest request that shows whether the device opens.
        device.ctrl_transfer(0x80, usb.REQ_GET_DESCRIPTOR, usb.DT_STRING << 8, 0, 255)
        if not device.iSerialNumber:
            return ""
        return usb.util.get_string(device, device.iSerialNumber) or ""
    except (UnicodeDecodeError, ValueError):  # an EEPROM with bad contents
        return ""
    except (USBError, NotImplementedError):
        return None
    finally:
        # If this process uses the device, pyftdi's table holds it as another object.
        usb.util.dispose_resources(device)


# -- opening -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wanted:
    """What an adapter URL asks for; None where it does not say. `place` is bus and address, `index`
    counts matching devices from 0, `channel` counts from 1."""

    product: int | None
    serial: str | None
    place: tuple[int, int] | None
    index: int | None
    channel: int


def parse(url: str) -> Wanted:
    """What `url` asks for, in pyftdi's URL syntax (its documentation, "URL scheme"):
    ftdi://VENDOR:PRODUCT[:SERIAL|:INDEX|:BUS:ADDRESS]/CHANNEL.

    Raises `UsageError`.
    """
    try:
        parts = urlsplit(url)
        vendor, product, *where = [*parts.netloc.split(":"), ""]
        where = [each for each in where if each]
        channel = int(parts.path.strip("/"))
        if Ftdi.VENDOR_IDS.get(vendor, vendor) not in ("", VENDOR) and int(vendor, 0) != VENDOR:
            raise ValueError("FTDI's vendor number is 0403")
        number = Ftdi.PRODUCT_IDS[VENDOR].get(product)
        if number is None and product:
            number = int(product, 0)
        if not 0 <= channel < 256 or parts.query or len(where) > 2:
            raise ValueError("it does not end in a channel number")
        if len(where) == 2:
            return Wanted(number, None, (int(where[0], 16), int(where[1], 16)), None, channel)
        if where and where[0].isdecimal() and int(where[0]) < 256:
            return Wanted(number, None, None, max(0, int(where[0]) - 1), channel)
        return Wanted(number, where[0] if where else None, None, None, channel)
    except ValueError as exc:
        raise UsageError(
            f"'{url}' is not an adapter URL ({exc}).",
            state=UNCHANGED,
            remedy="Write ftdi://ftdi:MODEL:SERIAL/CHANNEL, as 'spiflash adapters' lists it.",
        ) from exc


def choose(url: str, wanted: Wanted) -> Found:
    """The one device that matches; only devices that match otherwise are asked for their serial
    number.

    Raises `AdapterNotFoundError`, `AdapterChoiceError`, and `BusError` when this user may not open
    the device that matches.
    """
    fitting = [
        Found(each, _serial(each))
        for each in _devices()
        if wanted.product in (None, each.idProduct)
        and wanted.place in (None, (each.bus, each.address))
    ]
    # One that may not be opened could be it: its serial number is not known.
    closed = [each for each in fitting if each.serial is None]
    if wanted.serial is not None:
        fitting = [each for each in fitting if each.serial == wanted.serial]
    if wanted.index is not None:
        fitting = fitting[wanted.index : wanted.index + 1]
    if len(fitting) > 1 and closed and wanted.index is None:
        fitting = [each for each in fitting if each.serial is not None] or fitting
    if len(fitting) > 1:
        raise AdapterChoiceError(
            f"More than one adapter matches {url}.",
            state=UNCHANGED,
            remedy="Name one by serial number, or by bus and address, as 'spiflash adapters' lists "
            "them.",
        )
    if fitting and fitting[0].serial is not None:
        return fitting[0]
    if fitting or (closed and wanted.index is None):
        raise no_access(url)
    raise AdapterNotFoundError(
        f"No adapter matches {url}.",
        state=UNCHANGED,
        remedy="'spiflash adapters' lists what is plugged in.",
    )


@contextlib.contextmanager
def claimed(found: Found, channel: int) -> Iterator[Device]:
    """The device with the interface of `channel` claimed, so that a port can be opened on it.

    It is claimed before anything is sent: opening resets the port, which must not happen to a port
    that another program is using. An error inside the block releases everything. Raises `BusError`
    for a port in use, and pyusb's errors.
    """
    device = _shared(found.device)
    interface = max(channel, 1) - 1
    detached = False
    try:
        with contextlib.suppress(NotImplementedError):  # only Linux can answer this
            if device.is_kernel_driver_active(interface):
                _refuse_used(device, interface)
                device.detach_kernel_driver(interface)
                detached = True
        usb.util.claim_interface(device, interface)
        device.introduce()
        yield device
    except BaseException:
        with contextlib.suppress(USBError, NotImplementedError):
            usb.util.release_interface(device, interface)
            if detached:
                device.attach_kernel_driver(interface)
        UsbTools.release_device(device)
        raise


def _shared(device: Device) -> Device:
    """The one object for this device in this process. pyftdi counts its ports, since both channels
    of an adapter are one device, and releases it when the last one closes."""
    key = (device.bus, device.address, device.idVendor, device.idProduct)
    with UsbTools.Lock:
        entry = UsbTools.Devices.setdefault(key, [device, 0])
        entry[1] += 1
        shared: Device = entry[0]
        return shared


def _refuse_used(device: Device, interface: int) -> None:
    """Raise `BusError` when a program has opened the serial port that Linux made of the
    interface."""
    port = serial_port(device.bus, device.address, interface)
    user = port and serial_port_user(port)
    if user:
        raise BusError(
            f"The adapter is in use as serial port {port}, by {user}.",
            state="Nothing has been sent to the chip.",
            remedy="Close that program, then repeat.",
        )


def serial_port(bus: int, address: int, interface: int) -> str | None:
    """The device file ("/dev/ttyUSB0") that Linux made of an interface (from 0); None without."""
    for folder in SYS_USB.glob("*-*"):
        with contextlib.suppress(OSError, ValueError):
            place = int((folder / "busnum").read_text()), int((folder / "devnum").read_text())
            if place == (bus, address):
                ports = folder.parent.glob(f"{folder.name}:*.{interface}/ttyUSB*")
                return next((f"/dev/{each.name}" for each in sorted(ports)), None)
    return None


def serial_port_user(port: str) -> str | None:
    """Which program has the device file `port` open, in words; None when none is known to.

    Only root can see the files that other users' programs have open. For those there is the lock
    file that programs for serial ports leave by convention.
    """
    for entry in PROC.glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            process = entry.parent.parent
            if os.readlink(entry) == port and process.name != str(os.getpid()):
                return f"{(process / 'comm').read_text().strip()} (process {process.name})"
    with contextlib.suppress(OSError, ValueError):
        number = int((LOCKS / f"LCK..{Path(port).name}").read_text().split()[0])
        if (PROC / str(number)).is_dir():
            return f"process {number}, which holds its lock file"
    return None


# -- errors ------------------------------------------------------------------------------------


def no_access(url: str) -> BusError:
    """The error for an adapter that this user may not open."""
    return BusError(
        f"This user may not open the adapter {url}.",
        state="Nothing has been sent to the chip.",
        remedy=f"On Linux, put this line into {RULE_FILE}:\n  {RULE}\n"
        "then run 'sudo udevadm control --reload' and plug the adapter in again.",
    )


def usb_error(url: str, exc: Exception) -> SpiflashError:
    """Our error for what pyusb or pyftdi raised when the adapter `url` was opened."""
    number = getattr(exc, "errno", None)
    if number in (errno.EACCES, errno.EPERM):
        return no_access(url)
    if number == errno.EBUSY:
        return BusError(
            f"Another program is using the adapter {url} ({exc}).",
            state="Nothing has been sent to the chip.",
            remedy="Close the other program, then repeat.",
        )
    return AdapterNotFoundError(
        f"The adapter {url} cannot be opened ({exc}).",
        state=UNCHANGED,
        remedy="'spiflash adapters' lists what is plugged in.",
    )


@contextlib.contextmanager
def translated() -> Iterator[None]:
    """Turn errors of pyftdi and pyusb on an open adapter into ours."""
    try:
        yield
    except (FtdiError, USBError) as exc:
        raise _as_bus_error(exc) from exc


def _as_bus_error(exc: Exception) -> BusError:
    """The error: in use, unplugged, or hanging."""
    origin: BaseException | None = exc
    while origin is not None and not isinstance(origin, USBError):
        # pyftdi raises its own error "from None": the USB error is still its context.
        origin = origin.__cause__ or origin.__context__
    if isinstance(origin, USBError) and origin.errno == errno.EBUSY:
        return BusError(
            f"Another program is using the adapter ({exc}).",
            state="Nothing has been sent to the chip.",
            remedy="Close the other program and repeat.",
        )
    if isinstance(origin, USBError) and origin.errno in LOST:
        return AdapterLostError(
            "The adapter was unplugged, or its USB port was reset.",
            state="Its pins are not driven, so the chip is deselected.",
            remedy="Plug it in again and repeat the command.",
        )
    return BusError(
        f"The adapter did not accept or send data in time ({exc}).",
        state="The bus is released.",
        remedy="Check the USB cable and the hub, then repeat.",
    )
