"""A whole simulated bench: one adapter, one clip, one board, one clock.

What `sim:` URLs name:

    heron                       the built-in demo board, fresh from the factory at every start
    FOLDER                      a board that is kept in a folder, with contents, registers and wear
    FOLDER?new=heron            the same; it is created on first use

followed by settings after "?" and between "&":

    adapter=ft232h|ft2232h|ft4232h|ft4232ha|ft2232c|ft2232d    kind of adapter (ft232h)
    channel=A|B                                       its channel (A)
    chip=NAME                                         the chip on a new board (W25Q64JV)
    board=N                                           number of the demo board (its MAC, serial)
    seed=N                                            for everything that is random
    through=1           save to the folder after every USB transfer, so that it is correct even if
                        the program is killed
    card=ADDRESS        before the clip goes on, an SD-card update runs and stops at ADDRESS
    brick=KIND          before the clip goes on, the demo board's factory contents are damaged, in
                        one of the ways in `bricks` (half-erased, bit-rot, wrong-offset, ...)
    clip=KIND           a bad contact, one of `contacts` (loose-miso, noise, ...)

`card` and `brick` happen each time they are named: leave them out from the second command on.
"""

from __future__ import annotations

import re
import urllib.parse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import usb.core

from hwmocks import store
from hwmocks.boards.heron import (
    FACTORY_NUMBER,
    FLASH_SIZE,
    failed_card_flash,
    heron_open,
    heron_variant,
)
from hwmocks.claim import BoardBusyError, Claim
from hwmocks.clock import VirtualClock
from hwmocks.ftdi import PROFILES, FtdiDevice, UsbBackend, UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice

T = TypeVar("T")

DEFAULT_ADAPTER = "ft232h"
DEFAULT_CHIP = "W25Q64JV"
CHANNELS = "ABCD"
SETTINGS = frozenset(
    {
        *("adapter", "board", "brick", "card", "channel", "chip", "clip", "new", "seed"),
        "through",
    }
)


def contacts() -> dict[str, Callable[[SpiDevice, int], SpiDevice]]:
    """Bad contacts that a URL can ask for: the faults between adapter and chip, from a seed."""
    from hwmocks import faults as fault  # with numpy, which a good contact does not need

    return {
        "loose-miso": lambda chip, seed: fault.LooseMiso(chip, None, seed=seed),
        "loose-mosi": lambda chip, _: fault.LooseMosi(chip, level=True),
        "loose-select": lambda chip, _: fault.LooseChipSelect(chip),
        "dead-clock": lambda chip, _: fault.DeadClock(chip),
        "no-power": lambda chip, _: fault.NoPower(chip),
        "intermittent": lambda chip, seed: fault.IntermittentContact(chip, quiet=0.1, seed=seed),
        "noise": lambda chip, seed: fault.BitErrors(chip, 1e-6, seed=seed),
        "long-wires": lambda chip, seed: fault.SlowWire(chip, delay=60e-9, jitter=1e-9, seed=seed),
        "other-master": lambda chip, seed: fault.OtherMaster(chip, quiet=0.1, seed=seed),
    }


class BenchError(ValueError):
    """The bench cannot be set up; the message says why."""


class BenchBusyError(BenchError):
    """Another program is using the board."""


@dataclass(slots=True)
class Bench:
    """A chip behind an adapter. `put_away` must be called when the work is done."""

    chip: NorChip
    device: FtdiDevice
    clock: VirtualClock
    interface: int = 1
    folder: Path | None = None
    claim: Claim | None = None
    wired: SpiDevice | None = None
    """The chip with the faults of its contact, as the adapter sees it."""
    backend: UsbBackend = field(init=False)
    """The simulated USB, for pyusb."""

    def __post_init__(self) -> None:
        self.backend = UsbBackend([self.device])

    @property
    def adapter_name(self) -> str:
        """Kind and channel of the adapter."""
        return f"{self.device.profile.name} {CHANNELS[self.interface - 1]}"

    def usb_device(self) -> usb.core.Device:
        """The adapter as pyusb finds it on the simulated USB."""
        found = usb.core.find(backend=self.backend)
        if found is None:
            raise BenchError("the adapter is unplugged")
        return found

    def put_away(self) -> None:
        """Take the clip off (the board loses power) and save the board, if it has a folder.

        After Ctrl-C in the middle it may be called again.
        """
        self.chip.power(False, self.clock.now())
        try:
            if self.folder is not None:
                store.save(self.chip, self.folder)
        except OSError:
            self._let_go()
            raise
        self._let_go()

    def _let_go(self) -> None:
        if self.claim is not None:
            self.claim.release()


def make_bench(
    chip: NorChip,
    *,
    adapter: str = DEFAULT_ADAPTER,
    channel: str = "A",
    folder: Path | None = None,
    faults: UsbFaults | None = None,
    clip: Callable[[SpiDevice], SpiDevice] | None = None,
    serial: str = "SIM1",
    clock: VirtualClock | None = None,
) -> Bench:
    """Build a bench; `clip` wraps the chip in the faults of a bad contact, `clock` is one that
    other or earlier benches use as well.

    Raises `BenchError` for an adapter or channel that does not exist.
    """
    profiles = {name.lower(): profile for name, profile in PROFILES.items()}
    profile = profiles.get(adapter.lower())
    if profile is None:
        raise BenchError(f"unknown adapter '{adapter}'; known: {', '.join(profiles)}")
    interface = CHANNELS.find(channel.upper()) + 1
    if len(channel) != 1 or not 1 <= interface <= profile.interfaces:
        raise BenchError(f"the {profile.name} has no channel '{channel}'")
    clock = clock or VirtualClock()
    wired: SpiDevice = chip if clip is None else clip(chip)
    device = FtdiDevice(profile, clock, {interface: wired}, serial=serial, faults=faults)
    return Bench(chip, device, clock, interface, folder, wired=wired)


def open_bench(spec: str, clock: VirtualClock | None = None) -> Bench:
    """The bench for a `sim:` URL (`spec` is the part after the colon), with `clock` or a virtual
    one of its own.

    Raises `BenchError` with the reason if it cannot be set up.
    """
    name, _, query = spec.partition("?")
    settings = _settings(query)
    seed = _number(settings, "seed", 0)
    if not name:
        raise BenchError("the URL names no board")
    if name == "heron":
        if "new" in settings:
            raise BenchError("'new' needs a folder, as in FOLDER?new=heron")
        return _bench(_new_heron(settings, seed), settings, None, clock)
    folder = _folder(name)
    claim = _claimed(folder, settings, seed)
    try:
        bench = _bench(_kept(folder), settings, folder, clock)
    except BaseException:
        claim.release()
        raise
    bench.claim = claim
    return bench


def _bench(
    chip: NorChip, settings: dict[str, str], folder: Path | None, clock: VirtualClock | None
) -> Bench:
    if "card" in settings:
        _run_card_update(chip, _number(settings, "card", 0))
    seed = _number(settings, "seed", 0)
    if "brick" in settings:
        _damage(chip, settings["brick"], seed)
    contact = None
    if "clip" in settings:
        contact = _one_of(contacts(), "clip", settings["clip"])
    bench = make_bench(
        chip,
        adapter=settings.get("adapter", DEFAULT_ADAPTER),
        channel=settings.get("channel", "A"),
        folder=folder,
        clip=None if contact is None else lambda device: contact(device, seed),
        clock=clock,
    )
    if _number(settings, "through", 0):
        if folder is None:
            raise BenchError("'through' needs a folder")
        faults = bench.device.faults
        from hwmocks.through import WriteThrough

        faults.on_transfer = WriteThrough(chip, folder).hook(faults.on_transfer)
    return bench


def _folder(name: str) -> Path:
    try:
        return Path(name).expanduser()
    except RuntimeError as exc:
        raise BenchError(f"there is no home folder for '{name.partition('/')[0]}'") from exc


def _settings(query: str) -> dict[str, str]:
    try:
        pairs = (
            urllib.parse.parse_qsl(query, strict_parsing=True, keep_blank_values=True)
            if query
            else []
        )
    except ValueError as exc:
        raise BenchError(f"'{query}' is not a list of name=value settings") from exc
    for name, _ in pairs:
        if name not in SETTINGS:
            raise BenchError(f"unknown setting '{name}'; known: {', '.join(sorted(SETTINGS))}")
    if len(dict(pairs)) != len(pairs):
        raise BenchError(f"'{query}' names a setting twice")
    return dict(pairs)


def _number(settings: dict[str, str], name: str, default: int) -> int:
    text = settings.get(name)
    if text is None:
        return default
    try:
        return int(text, 0)
    except ValueError as exc:
        raise BenchError(f"{name}={text} is not a number") from exc


def _new_heron(settings: dict[str, str], seed: int) -> NorChip:
    try:
        number = _number(settings, "board", FACTORY_NUMBER)
        contents = heron_variant(number)
        # Each board has its own chip with its own unique ID and its own speed.
        return NorChip(
            settings.get("chip", DEFAULT_CHIP),
            _fitted(contents, settings),
            seed=seed * 256 + number,
        )
    except (KeyError, ValueError) as exc:
        raise BenchError(str(exc.args[0]) if exc.args else str(exc)) from exc


def _fitted(contents: bytes, settings: dict[str, str]) -> bytes:
    """The board's contents on a chip of another size: the rest is blank, nothing is cut off."""
    from hwmocks.nor.catalog import describe

    size = describe(settings.get("chip", DEFAULT_CHIP)).size
    if size < len(contents):
        raise BenchError(f"the board's {len(contents)} bytes do not fit on a chip of {size} bytes")
    return contents + b"\xff" * (size - len(contents))


def _run_card_update(chip: NorChip, stop: int) -> None:
    """The board's own boot loader writes the open firmware from the card and stops half-way."""
    before = bytes(chip.contents)
    try:
        chip.contents[:] = failed_card_flash(before, heron_open(), stop)
    except ValueError as exc:
        raise BenchError(str(exc)) from exc


def _damage(chip: NorChip, name: str, seed: int) -> None:
    """Damage the demo board; its number is taken from the serial number in its contents."""
    from hwmocks.bricks import NAMES, make_brick

    kind = _one_of(NAMES, "brick", name)
    found = re.search(rb"HG-2019-(\d{4})", chip.contents)
    if found is None or len(chip.contents) < FLASH_SIZE:
        raise BenchError(
            "brick needs a demo board that still has its serial number; restore its backup first"
        )
    contents = make_brick(kind, seed, int(found[1])).contents
    chip.contents[:FLASH_SIZE] = contents


def _one_of(known: Mapping[str, T], setting: str, name: str) -> T:
    if name not in known:
        raise BenchError(f"there is no {setting} '{name}'; known: {', '.join(known)}")
    return known[name]


def _claimed(folder: Path, settings: dict[str, str], seed: int) -> Claim:
    """Claim the folder before anything is read from it; a new board is created in it first."""
    try:
        new = None
        if "new" in settings and _bare(folder):
            if settings["new"] != "heron":
                raise BenchError(f"there is no demo board '{settings['new']}', only heron")
            new = _new_heron(settings, seed)
            folder.mkdir(parents=True, exist_ok=True)
        if not folder.exists():
            raise BenchError(f"there is no folder {folder}; ?new=heron would make it")
        claim = Claim(folder)
        if new is not None and _bare(folder):
            store.save(new, folder)
        return claim
    except BoardBusyError as exc:
        raise BenchBusyError(str(exc)) from exc
    except OSError as exc:
        raise BenchError(f"{folder}: {exc.strerror or exc}") from exc


def _bare(folder: Path) -> bool:
    """Whether there is no folder, or an empty one."""
    return not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))


def _kept(folder: Path) -> NorChip:
    try:
        return store.load(folder)
    except store.BoardFolderError as exc:
        raise BenchError(str(exc)) from exc
    except (RecursionError, ValueError) as exc:
        # JSON may nest deeper, or hold longer numbers, than Python takes.
        raise BenchError(f"{folder / store.STATE}: {exc}") from exc
