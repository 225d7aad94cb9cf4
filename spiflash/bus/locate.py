"""An adapter URL -> an open `Bus`.

Two schemes: `ftdi://…` in pyftdi's own syntax (vendor:product:serial/interface) for what is on
USB, and `sim:…` for the simulated bench (see `hwmocks.bench`). This is the only module that
knows that both exist.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pyftdi.ftdi import Ftdi
from pyftdi.usbtools import UsbTools, UsbToolsError
from usb.core import NoBackendError, USBError
from usb.util import claim_interface

from spiflash.bus import libusb, mpsse
from spiflash.bus.clock import WallClock
from spiflash.bus.ftdi import FtdiBus, open_channel
from spiflash.bus.link import Port
from spiflash.errors import (
    AdapterChoiceError,
    AdapterNotFoundError,
    BusError,
    UsageError,
)

if TYPE_CHECKING:
    from hwmocks.bench import Bench

MODELS = {0x6010: (0x0500, 0x0700), 0x6011: (0x0800,), 0x6014: (0x0900,)}
"""USB product numbers of FTDI devices with an MPSSE engine, and their release numbers."""


@dataclass(frozen=True, slots=True)
class Adapter:
    """One MPSSE channel of one adapter on USB."""

    url: str
    model: str
    channel: str
    serial: str
    top_hz: float


def list_adapters() -> tuple[Adapter, ...]:
    """Every MPSSE channel on this computer's USB, in a stable order.

    Raises `AdapterNotFoundError` when USB itself cannot be reached.
    """
    libusb.install()
    try:
        found = Ftdi.find_all([(0x0403, pid) for pid in MODELS], nocache=True)
        devices = [(descriptor, UsbTools.get_device(descriptor)) for descriptor, _ in found]
    except (NoBackendError, UsbToolsError, OSError, ValueError) as exc:
        raise AdapterNotFoundError(
            f"USB cannot be searched ({exc}).",
            state="Nothing has been touched.",
            remedy="Check that this user may use USB devices; on Linux a udev rule for vendor "
            "0403 is the usual way.",
        ) from exc
    adapters: list[Adapter] = []
    # Cheap adapters share one serial number, or have none.
    serials = Counter((descriptor.vid, descriptor.pid, descriptor.sn) for descriptor, _ in devices)
    for descriptor, device in devices:
        engine = mpsse.ENGINES.get(device.bcdDevice)
        if engine is not None:
            name = f"{descriptor.vid:#06x}:{descriptor.pid:#06x}"
            if descriptor.sn and serials[descriptor.vid, descriptor.pid, descriptor.sn] == 1:
                name += f":{descriptor.sn}"
            else:
                name += f":{descriptor.bus:x}:{descriptor.address:x}"
            serial = descriptor.sn or ""
            adapters.extend(
                Adapter(f"ftdi://{name}/{port}", engine.name, letter, serial, engine.top_hz)
                for port, letter in enumerate(engine.channels, start=1)
            )
        UsbTools.release_device(device)
    return tuple(sorted(adapters, key=lambda adapter: adapter.url))


def open_bus(url: str | None, pins: mpsse.Pins | None = None) -> FtdiBus:
    """Open the adapter that `url` names; with None, the only one there is.

    Raises `AdapterNotFoundError`, `AdapterChoiceError`, `UsageError` or `BusError`.
    """
    if url is None:
        url = _only_adapter().url
    scheme = url.partition(":")[0].lower()
    if scheme == "sim":
        return _open_simulated(url[len("sim:") :], pins)
    if scheme == "ftdi":
        return _open_usb(url, pins)
    raise UsageError(
        f"'{url}' is not an adapter URL.",
        state="Nothing has been touched.",
        remedy="Write ftdi://… (the list: spiflash adapters) or sim:heron for the simulated board.",
    )


def _only_adapter() -> Adapter:
    adapters = list_adapters()
    if not adapters:
        raise AdapterNotFoundError(
            "No FTDI adapter with an SPI engine is plugged in.",
            state="Nothing has been touched.",
            remedy="Plug in an FT232H, FT2232H or FT4232H and look with 'spiflash adapters'; "
            "without one, --adapter sim:heron works on a simulated board.",
        )
    # Both channels of one device are one adapter: its channel A is the ordinary choice.
    first = [adapter for adapter in adapters if adapter.channel == "A"]
    if len(first) > 1:
        urls = "\n  ".join(adapter.url for adapter in adapters)
        raise AdapterChoiceError(
            f"{len(first)} adapters are plugged in, and none was named.",
            state="Nothing has been touched.",
            remedy=f"Name one with --adapter:\n  {urls}",
        )
    return first[0]


def _open_usb(url: str, pins: mpsse.Pins | None) -> FtdiBus:
    libusb.install()
    # An adapter that was plugged in again has another address.
    UsbTools.flush_cache()
    try:
        ftdi = _claimed(url)
    except (NoBackendError, UsbToolsError, OSError, ValueError) as exc:
        cause = f"The adapter {url} cannot be opened ({exc})."
        if "devices match" in str(exc):
            raise AdapterChoiceError(
                f"More than one adapter fits {url}.",
                state="Nothing has been touched.",
                remedy="Name one by serial number, or by bus and address; the list: spiflash "
                "adapters",
            ) from exc
        if any(word in str(exc).lower() for word in ("busy", "access", "permission")):
            raise BusError(
                cause,
                state="Nothing has been touched.",
                remedy="Close the other program that uses it, or give this user access to it.",
            ) from exc
        raise AdapterNotFoundError(
            cause,
            state="Nothing has been touched.",
            remedy="The list of what is plugged in: spiflash adapters",
        ) from exc
    return open_channel(ftdi, WallClock(), description=url, pins=pins)


def _claimed(url: str) -> Port:
    """The port that `url` names, opened.

    The interface is claimed first: opening resets the port, which must not happen to one that
    another program is using.
    """
    if url.endswith("?"):
        raise UsbToolsError("the URL does not end in a channel number")
    descriptor, channel = Ftdi.get_identifiers(url)
    device = UsbTools.get_device(descriptor)
    ftdi = Port()
    try:
        interface = max(channel, 1) - 1
        with contextlib.suppress(NotImplementedError, USBError):
            if device.is_kernel_driver_active(interface):
                device.detach_kernel_driver(interface)
        claim_interface(device, interface)
        ftdi.open_from_device(device, channel)
    except BaseException:
        UsbTools.release_device(device)
        raise
    return ftdi


def _open_simulated(spec: str, pins: mpsse.Pins | None) -> FtdiBus:
    from hwmocks.bench import BenchBusyError, BenchError, open_bench

    try:
        bench = open_bench(spec)
    except BenchBusyError as exc:
        raise BusError(
            f"The simulated board 'sim:{spec}' is in use: {exc}.",
            state="Nothing has been touched.",
            remedy="Wait until that program has ended, or end it, then repeat.",
        ) from exc
    except BenchError as exc:
        raise UsageError(
            f"The simulated board 'sim:{spec}' cannot be set up: {exc}.",
            state="Nothing has been touched.",
            remedy="sim:heron is the built-in board; sim:FOLDER?new=heron makes a lasting one.",
        ) from exc
    return open_bench_bus(bench, f"sim:{spec}", pins)


def open_bench_bus(bench: Bench, name: str, pins: mpsse.Pins | None = None) -> FtdiBus:
    """The bus of a simulated bench; closing it puts the bench away."""
    ftdi = Port()
    try:
        ftdi.open_from_device(bench.usb_device(), bench.interface)
    except (USBError, OSError, ValueError) as exc:
        raise BusError(f"The simulated adapter cannot be opened ({exc}).") from exc
    bus = open_channel(
        ftdi, bench.clock, description=f"{name} ({bench.adapter_name}, simulated)", pins=pins
    )
    bus.on_close = lambda: _put_away(bench)
    return bus


def _put_away(bench: Bench) -> None:
    try:
        try:
            bench.put_away()
        except KeyboardInterrupt:
            # A real board keeps what was written to it, however impatient the person is.
            bench.put_away()
            raise
    except OSError as exc:
        raise BusError(
            f"The simulated board cannot be kept in {bench.folder} ({exc.strerror or exc}).",
            state="The folder holds the board as it was before this command, whatever the "
            "command reported.",
            remedy="Make room there or correct the permissions, then repeat.",
        ) from exc
