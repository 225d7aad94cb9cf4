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
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import usb.backend.libusb1
import usb.core
import usb.util
from pyftdi.ftdi import Ftdi, FtdiError
from pyftdi.usbtools import UsbTools
from usb.backend import IBackend
from usb.core import USBError

from spiflash.bus import mpsse
from spiflash.bus.link import RELEASING
from spiflash.bus.trace import Device
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
"""FTDI's own product numbers of devices with an MPSSE engine. Makers of adapters may have another
one; then the device's release number tells what it is."""

LOST = (errno.ENODEV, errno.EIO, errno.ENOENT, errno.EPIPE, errno.ESHUTDOWN)
"""What libusb reports once a device is unplugged."""

RULE_FILE = "/etc/udev/rules.d/70-spiflash.rules"
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


@dataclass(frozen=True, slots=True)
class Found:
    """One device with an engine. `serial` is its serial number: "" if it has none, None if the
    device could not be opened, which is needed to read it; `closed` says why."""

    device: Device
    serial: str | None
    closed: Exception | None = None

    @property
    def place(self) -> tuple[int, int]:
        """USB bus and address."""
        return self.device.bus, self.device.address


_PLAIN_SERIAL = re.compile(r"[A-Za-z0-9._-]+")


def url_of(found: Found, channel: int, *, by_serial: bool) -> str:
    """The URL of one channel (from 1): by bus and address, or with `by_serial` by a serial number
    that nothing in a URL or a shell takes for something else."""
    name = f"{found.device.idVendor:#06x}:{found.device.idProduct:#06x}"
    serial = found.serial or ""
    if by_serial and _PLAIN_SERIAL.fullmatch(serial):
        url = f"ftdi://{name}:{serial}/{channel}"
        wanted = parse(url)
        if wanted.serial == serial and wanted.index is None:
            return url
    return f"ftdi://{name}:{found.place[0]:x}:{found.place[1]:x}/{channel}"


def present() -> list[Found]:
    """The devices on USB that could be adapters, by bus and address.

    Raises `AdapterNotFoundError` when USB itself cannot be searched.
    """
    found = [_opened(device) for device in _devices() if _has_engine(device)]
    return [each for each in found if _errno(each.closed) != errno.ENODEV]  # unplugged since


def without_engine() -> str:
    """A sentence about the FTDI devices on USB that have no engine; "" if there is none."""
    names = sorted(
        f"{Ftdi.DEVICE_NAMES.get(each.bcdDevice, 'device').upper()} "
        f"({each.idVendor:04x}:{each.idProduct:04x})"
        for each in _devices()
        if not _has_engine(each)
    )
    return f"What is plugged in has no SPI engine: {', '.join(names)}." if names else ""


def _has_engine(device: Device) -> bool:
    return device.bcdDevice in mpsse.ENGINES or (
        device.idVendor == VENDOR and device.idProduct in PRODUCTS
    )


def _devices(vendor: int = VENDOR) -> list[Device]:
    if __name__ not in UsbTools.BACKENDS:
        UsbTools.BACKENDS = (__name__, *UsbTools.BACKENDS)
    try:
        backend = UsbTools.find_backend()
        everything = [Device(each, backend) for each in backend.enumerate_devices()]
        ours = [each for each in everything if each.idVendor == vendor]
        # Windows also lists a device once for each of its interfaces, with one interface each.
        ours.sort(key=lambda each: (each.bus, each.address, -_interfaces(each)))
    except (usb.core.NoBackendError, OSError, ValueError, NotImplementedError) as exc:
        raise AdapterNotFoundError(
            f"USB cannot be searched ({exc}).",
            state=UNCHANGED,
            remedy="Check that libusb 1.0 is installed (Debian: libusb-1.0-0) and that your user "
            "may use USB devices.",
        ) from exc
    return list({(each.bus, each.address): each for each in reversed(ours)}.values())[::-1]


def _interfaces(device: Device) -> int:
    with contextlib.suppress(USBError, ValueError):  # such a device must not hide the others
        return max((int(each.bNumInterfaces) for each in device), default=0)
    return 0


def _opened(device: Device) -> Found:
    """The device with its serial number, or with the reason why it cannot be read."""
    try:
        # The table of languages is the cheapest request that shows whether the device opens.
        device.ctrl_transfer(0x80, usb.REQ_GET_DESCRIPTOR, usb.DT_STRING << 8, 0, 255)
        if not device.iSerialNumber:
            return Found(device, "")
        return Found(device, usb.util.get_string(device, device.iSerialNumber) or "")
    except (UnicodeDecodeError, ValueError):  # an EEPROM with bad contents
        return Found(device, "")
    except (USBError, NotImplementedError) as exc:
        # A device that opens, but refuses this request (a stall): its EEPROM has no strings.
        if _errno(exc) == errno.EPIPE:
            return Found(device, "")
        return Found(device, None, exc)
    finally:
        # If this process uses the device, pyftdi's table holds it as another object.
        usb.util.dispose_resources(device)


# -- opening -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wanted:
    """What an adapter URL asks for; None where it does not say. `place` is bus and address, `index`
    counts matching devices from 0, `channel` counts from 1. With an index there is a serial number
    too, of the same digits: a device that has it comes first."""

    product: int | None
    serial: str | None
    place: tuple[int, int] | None
    index: int | None
    channel: int
    vendor: int = VENDOR


def parse(url: str) -> Wanted:
    """What `url` asks for, in pyftdi's URL syntax (its documentation, "URL scheme"):
    ftdi://VENDOR:PRODUCT[:SERIAL|:INDEX|:BUS:ADDRESS]/CHANNEL. Numbers that are not FTDI's are for
    adapters whose maker gave them others.

    Raises `UsageError`.
    """
    try:
        parts = urlsplit(url)
        vendor, product, *where = [*parts.netloc.split(":"), ""]
        where = [each for each in where if each]
        channel = int(parts.path.strip("/"))
        maker = Ftdi.VENDOR_IDS.get(vendor or "ftdi") or int(vendor, 0)
        number = Ftdi.PRODUCT_IDS[VENDOR].get(product)
        if number is None and product:
            number = int(product, 0)
        if not 0 <= channel < 256 or parts.query or len(where) > 2:
            raise ValueError("it does not end in a channel number")
        if len(where) == 2:
            place = int(where[0], 16), int(where[1], 16)
            return Wanted(number, None, place, None, channel, maker)
        serial = where[0] if where else None
        index = None
        if serial and serial.isdecimal() and int(serial) < 256:
            index = max(0, int(serial) - 1)
        return Wanted(number, serial, None, index, channel, maker)
    except ValueError as exc:
        raise UsageError(
            f"'{url}' is not an adapter URL ({exc}).",
            remedy="Write ftdi://ftdi:MODEL:SERIAL/CHANNEL, as 'spiflash adapters' lists it.",
        ) from exc


def choose(url: str, wanted: Wanted) -> Found:
    """The one device that matches; only devices that match otherwise are asked for their serial
    number.

    Raises `AdapterNotFoundError`, `AdapterChoiceError`, and `BusError` when the device that matches
    cannot be opened.
    """
    fitting = [
        _opened(each)
        for each in _devices(wanted.vendor)
        if _has_engine(each)
        and wanted.product in (None, each.idProduct)
        and wanted.place in (None, (each.bus, each.address))
    ]
    # One that cannot be opened could be it: its serial number is not known.
    closed = [each for each in fitting if each.serial is None]
    if wanted.serial is not None:
        listed = fitting
        fitting = [each for each in fitting if each.serial == wanted.serial]
        if not fitting and wanted.index is not None:
            fitting = listed[wanted.index : wanted.index + 1]
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
        raise usb_error(url, (fitting or closed)[0].closed)
    raise AdapterNotFoundError(
        f"No adapter matches {url}. {without_engine()}".rstrip(),
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


_WINUSB = (
    "In Device Manager, give each of its channels the WinUSB driver: Update driver, Browse my "
    "computer, Let me pick, Universal Serial Bus devices, WinUsb Device."
)
_SERIAL_DRIVER = (
    "Close every program that has its serial port open. If it still cannot be opened, run the "
    "command with 'sudo'."
)


def no_access(url: str) -> BusError:
    """The error for an adapter that this user may not open."""
    vendor = parse(url).vendor
    # man 7 udev. What is said of the other systems is common practice, from memory.
    rule = f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vendor:04x}", MODE="0666"'
    remedy = (
        f"On Linux, put this line into {RULE_FILE}:\n  {rule}\n"
        "then run 'sudo udevadm control --reload' and plug the adapter in again."
    )
    return BusError(
        f"This user may not open the adapter {url}.",
        state="Nothing has been sent to the chip.",
        remedy={"darwin": _SERIAL_DRIVER, "win32": _WINUSB}.get(sys.platform, remedy),
    )


def _errno(exc: BaseException | None) -> int | None:
    """The number of the USB error behind `exc`; pyftdi raises its own "from None", so that it is
    only the context."""
    while exc is not None and not isinstance(exc, USBError):
        exc = exc.__cause__ or exc.__context__
    number: int | None = getattr(exc, "errno", None)
    return number


def usb_error(url: str, exc: Exception | None) -> SpiflashError:
    """Our error for what pyusb or pyftdi raised when the adapter `url` was opened."""
    number = _errno(exc)
    if number in (errno.EACCES, errno.EPERM):
        return no_access(url)
    if isinstance(exc, NotImplementedError) or number == errno.ENOSYS:
        # libusb opens a device only through a driver that lets programs use it (WinUSB).
        return BusError(
            f"The driver of the adapter {url} does not let programs use it directly.",
            state="Nothing has been sent to the chip.",
            remedy=_SERIAL_DRIVER if sys.platform == "darwin" else f"On Windows: {_WINUSB}",
        )
    if number == errno.ENODEV:
        return AdapterLostError(
            f"The adapter {url} was unplugged, or its USB port was reset, while it was opened.",
            state="Nothing has been sent to the chip.",
            remedy="Plug it in again and repeat the command.",
        )
    if number in (errno.ETIMEDOUT, errno.EIO, errno.EPIPE):
        return BusError(
            f"The adapter {url} does not answer ({exc}).",
            state="Nothing has been sent to the chip.",
            remedy="Unplug it, plug it in again, without a hub if you can, and repeat.",
        )
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
    number = _errno(exc)
    if number == errno.EBUSY:
        return BusError(
            f"Another program is using the adapter ({exc}).",
            state="Commands that were sent before are carried out.",
            remedy="Close the other program and repeat.",
        )
    if number in LOST:
        return AdapterLostError(
            "The adapter was unplugged, or its USB port was reset.",
            state="Its pins are not driven, so the chip is deselected.",
            remedy="Plug it in again and repeat the command.",
        )
    late = number in (None, errno.ETIMEDOUT)
    what = "The adapter did not accept or send data in time" if late else "A USB transfer failed"
    return BusError(
        f"{what} ({exc}).",
        state=RELEASING,
        remedy="Check the USB cable and the hub, then repeat.",
    )
