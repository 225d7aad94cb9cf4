"""A simulated FTDI bridge with a recording slave, opened by real pyftdi."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

import usb.core
from pyftdi.ftdi import Ftdi

from hwmocks.clock import VirtualClock
from hwmocks.ftdi import AdapterProfile, FtdiDevice, UsbBackend, UsbFaults
from hwmocks.wire import Beat

SCK, MOSI, CS = 0x01, 0x02, 0x08
MASTER = SCK | MOSI | CS
SELECT, DESELECT = bytes((0x80, 0x00, MASTER)), bytes((0x80, CS, MASTER))


def answer(length: int, start: int = 0) -> bytes:
    """What a `Recorder` sends as bytes start … start+length-1 of a select period."""
    return bytes((place * 7 + place // 256 + 3) & 0xFF for place in range(start, start + length))


@dataclass
class Recorder:
    """A slave that writes down what it sees and answers with a known sequence."""

    events: list[tuple[str, object]] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    beats: list[Beat] = field(default_factory=list)
    mosi: bytearray = field(default_factory=bytearray)
    selected: bool = False
    position: int = 0

    def _note(self, kind: str, what: object, now: float) -> None:
        self.events.append((kind, what))
        self.times.append(now)

    def select(self, now: float) -> None:
        self.selected, self.position = True, 0
        self._note("select", None, now)

    def deselect(self, now: float) -> None:
        self.selected = False
        self._note("deselect", None, now)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        self._note(pin, high, now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        self.beats.append(beat)
        self._note("transfer", mosi if len(mosi) <= 64 else len(mosi), beat.start)
        if not self.selected:
            return b"\xff" * len(mosi)
        self.mosi += mosi
        self.position += len(mosi)
        return answer(len(mosi), self.position - len(mosi))

    def levels(self, pin: str) -> list[object]:
        return [what for kind, what in self.events if kind == pin]


class Zeros:
    """A slave that costs nothing, for measuring the bridge alone."""

    def select(self, now: float) -> None: ...

    def deselect(self, now: float) -> None: ...

    def level(self, pin: str, high: bool | None, now: float) -> None: ...

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        return bytes(len(mosi))


@dataclass
class Rig:
    """One bridge on one USB bus."""

    clock: VirtualClock
    device: FtdiDevice
    backend: UsbBackend
    chip: Recorder

    def usb(self) -> usb.core.Device:
        """A fresh pyusb handle on the bridge, as another program would have."""
        return usb.core.find(backend=self.backend)

    @contextmanager
    def opened(
        self, interface: int = 1, frequency: float = 6e6, latency: int = 16
    ) -> Iterator[Ftdi]:
        """pyftdi on one interface, chip deselected."""
        ftdi = Ftdi()
        ftdi.open_mpsse_from_device(
            self.usb(), interface, MASTER, CS, frequency=frequency, latency=latency
        )
        self.device.settle()
        self.chip.events.clear()
        self.chip.times.clear()
        self.chip.beats.clear()
        try:
            yield ftdi
        finally:
            ftdi.close()


def rig(
    profile: AdapterProfile,
    faults: UsbFaults | None = None,
    wiring: Mapping[int, str] | None = None,
) -> Rig:
    """A bridge with a `Recorder` on interface 1."""
    clock, chip = VirtualClock(), Recorder()
    device = FtdiDevice(
        profile,
        clock,
        {1: chip},
        serial="HERON01",
        faults=faults,
        **({} if wiring is None else {"wiring": wiring}),
    )
    return Rig(clock, device, UsbBackend([device]), chip)


def exchange(ftdi: Ftdi, command: bytes, count: int) -> bytes:
    """Send MPSSE bytes and collect `count` answer bytes."""
    ftdi.write_data(command)
    return bytes(ftdi.read_data_bytes(count, 4))
