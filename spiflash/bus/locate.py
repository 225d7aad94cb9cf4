"""Adapters and simulated benches: from a URL to an open `Bus`.

There are two URL schemes: `ftdi://…` in pyftdi's own syntax (vendor:product:serial/interface) for
adapters on USB, and `sim:…` for the simulated bench (see `hwmocks.bench`). Only this module knows
both.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pyftdi.ftdi import FtdiError
from usb.core import USBError

from spiflash.bus import WallClock, mpsse, usb
from spiflash.bus.ftdi import FtdiBus, open_channel
from spiflash.bus.link import Port
from spiflash.bus.trace import Device
from spiflash.errors import (
    AdapterChoiceError,
    AdapterNotFoundError,
    BusError,
    SpiflashError,
    UsageError,
)
from spiflash.files import UNCHANGED

if TYPE_CHECKING:
    from hwmocks.bench import Bench


@dataclass(frozen=True, slots=True)
class Adapter:
    """One MPSSE channel of one adapter on USB. `access`: it can be opened; if not, `refusal` is
    why."""

    url: str
    model: str
    channel: str
    serial: str
    top_hz: float
    access: bool = True
    refusal: SpiflashError | None = field(default=None, compare=False)


def practice_files() -> dict[str, bytes]:
    """Files to practise with on the simulated board, by name: the open image for its whole flash,
    and the files for an SD-card update, in a folder of their own."""
    from hwmocks.boards.heron import card_files, heron_open

    return {
        "open.bin": heron_open(),
        **{f"card/{name}": contents for name, contents in card_files().items()},
    }


def list_adapters() -> tuple[Adapter, ...]:
    """Every MPSSE channel on this computer's USB, in a stable order.

    Raises `AdapterNotFoundError` when USB itself cannot be searched.
    """
    found = usb.present()
    # Cheap adapters share one serial number or have none.
    serials = Counter((each.device.idProduct, each.serial) for each in found)
    adapters: list[Adapter] = []
    for each in found:
        engine = mpsse.ENGINES.get(each.device.bcdDevice)
        if engine is None:
            continue
        unique = serials[each.device.idProduct, each.serial] == 1
        for port, letter in enumerate(engine.channels, start=1):
            url = usb.url_of(each, port, by_serial=unique)
            refusal = None if each.closed is None else usb.usb_error(url, each.closed)
            adapters.append(
                Adapter(
                    url,
                    engine.name,
                    letter,
                    each.serial or "",
                    engine.top_hz,
                    each.closed is None,
                    refusal,
                )
            )
    return tuple(sorted(adapters, key=lambda adapter: adapter.url))


def open_bus(url: str | None, pins: mpsse.Pins | None = None) -> FtdiBus:
    """Open the adapter that `url` names; with None, the only one that is plugged in.

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
        remedy="Write ftdi://… ('spiflash adapters' lists them), or sim:heron for the simulated "
        "board.",
    )


_ONCE = ("new", "card", "brick")
"""Settings of a simulated board that is kept in a folder which are for one command only: given
again, `card` and `brick` would damage the board again."""


def url_from_now_on(url: str) -> str:
    """The URL by which the commands after this one reach the same board."""
    name, mark, query = url.partition("?")
    if not name.startswith("sim:") or name == "sim:heron" or not mark:
        return url
    kept = [each for each in query.split("&") if each.partition("=")[0] not in _ONCE]
    return f"{name}?{'&'.join(kept)}" if kept else name


def _only_adapter() -> Adapter:
    adapters = list_adapters()
    if not adapters:
        raise AdapterNotFoundError(
            f"No FTDI adapter with an SPI engine is plugged in. {usb.without_engine()}".rstrip(),
            state=UNCHANGED,
            remedy="Plug in an FT232H, FT2232H or FT4232H and check with 'spiflash adapters'. "
            "Without an adapter, use the simulated board: --adapter sim:heron.",
        )
    # Both channels of one device are one adapter; channel A is the usual choice.
    first = [adapter for adapter in adapters if adapter.channel == "A"]
    # One that this user may not open is probably something else, such as a serial cable.
    first = [adapter for adapter in first if adapter.access] or first
    if first[0].refusal is not None:
        raise first[0].refusal
    if len(first) > 1:
        urls = "\n  ".join(adapter.url for adapter in adapters if adapter.access)
        raise AdapterChoiceError(
            f"{len(first)} adapters are plugged in, and none was named.",
            state=UNCHANGED,
            remedy=f"Name one with --adapter:\n  {urls}",
        )
    return first[0]


def _open_usb(url: str, pins: mpsse.Pins | None) -> FtdiBus:
    wanted = usb.parse(url)
    found = usb.choose(url, wanted)
    ftdi = Port()
    try:
        with usb.claimed(found, wanted.channel) as device:
            ftdi.open_from_device(device, wanted.channel)
    except (FtdiError, OSError, ValueError, NotImplementedError) as exc:
        raise usb.usb_error(url, exc) from exc
    serial = found.serial or ""
    return open_channel(ftdi, WallClock(), description=url, serial=serial, pins=pins)


def _open_simulated(spec: str, pins: mpsse.Pins | None) -> FtdiBus:
    from hwmocks.bench import BenchBusyError, BenchError, open_bench

    try:
        bench = open_bench(spec)
    except BenchBusyError as exc:
        raise BusError(
            f"The simulated board 'sim:{spec}' is in use: {exc}.",
            state=UNCHANGED,
            remedy="Wait until that program has ended, or end it, then repeat.",
        ) from exc
    except BenchError as exc:
        raise UsageError(
            f"The simulated board 'sim:{spec}' cannot be set up: {exc}.",
            remedy="sim:heron is the built-in board; 'sim:FOLDER?new=heron' makes one that lasts.",
        ) from exc
    return open_bench_bus(bench, f"sim:{spec}", pins)


def open_bench_bus(bench: Bench, name: str, pins: mpsse.Pins | None = None) -> FtdiBus:
    """The bus of a simulated bench; closing it puts the bench away."""
    ftdi = Port()
    plugged = next(iter(bench.backend.enumerate_devices()), None)
    if plugged is None:
        raise AdapterNotFoundError("The simulated adapter is unplugged.")
    device = Device(plugged, bench.backend, bench.clock)
    try:
        device.introduce()
        ftdi.open_from_device(device, bench.interface)
    except (USBError, OSError, ValueError) as exc:
        raise BusError(f"The simulated adapter cannot be opened ({exc}).") from exc
    bus = open_channel(
        ftdi,
        bench.clock,
        description=f"{name} ({bench.adapter_name}, simulated)",
        # No results are kept of a simulated adapter: they prove nothing about a real one.
        serial="",
        pins=pins,
    )
    bus.on_close = lambda: _put_away(bench)
    return bus


def _put_away(bench: Bench) -> None:
    try:
        try:
            bench.put_away()
        except KeyboardInterrupt:
            # A real board keeps what was written to it, whenever Ctrl-C is pressed.
            bench.put_away()
            raise
    except OSError as exc:
        raise BusError(
            f"The simulated board cannot be saved in {bench.folder} ({exc.strerror or exc}).",
            state="The folder holds the board as it was before this command, even if the command "
            "reported success.",
            remedy="Free some space there or correct the permissions, then repeat.",
        ) from exc
