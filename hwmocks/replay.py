"""Play the host's side of a USB capture to the simulated adapter, and list where the two differ.

    python -m hwmocks.replay FILE [--adapter MODEL] [--json]

FILE is a pcap capture with usbmon headers (link type 220 or 189; the kernel's
Documentation/usb/usbmon.rst), of a real adapter or of a simulated one. Every transfer is handed to
a fresh simulated adapter, after the same pause as in the capture. What is compared:

* lengths: the bytes that a write was taken of, and all that was read, without the two status bytes
  of each packet. How they are spread over single reads, before and after the next write, is a
  matter of time; what counts is whether the two sides come to the same number again;
* the status bytes that occur;
* answers to control requests, byte for byte;
* times: the median of each class of transfer. They count as alike within a factor of
  `TIME_FACTOR`, since real hosts differ by so much.

The clip is empty: what the capture read from a chip is not compared. So a capture of the first
real adapter becomes a test of the mock.
"""

from __future__ import annotations

import argparse
import json
import statistics
import struct
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import usb.core

from hwmocks.clock import VirtualClock
from hwmocks.ftdi import PROFILES, AdapterProfile, FtdiDevice

TIME_FACTOR = 4.0
MOST_LISTED = 20
"""Differences of one kind that are listed; the rest is counted."""

_HEADER_LENGTHS = {189: 48, 220: 64}
_CONTROL, _BULK, _IN = 2, 3, 0x80
_STATUS = 2
_EXTRA_READS = 8


class CaptureError(ValueError):
    """The file is not a capture that can be replayed; the message says why."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """One transfer: times in seconds, `length` the bytes that really moved, `data` those of them
    that are in the file, `status` 0 or a negative error number of Linux."""

    device: tuple[int, int]
    kind: int
    endpoint: int
    asked: int
    setup: bytes
    out: bytes
    begin: float
    end: float
    status: int
    length: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Difference:
    """Where the two adapters differ: `number` counts the transfers of the capture."""

    kind: str
    number: int
    captured: str
    simulated: str


@dataclass(slots=True)
class Replay:
    """What a replay found; times are medians in seconds by class, captured and simulated."""

    adapter: str
    transfers: int = 0
    differences: list[Difference] = field(default_factory=list)
    more: dict[str, int] = field(default_factory=dict)
    times: dict[str, tuple[float, float]] = field(default_factory=dict)

    def note(self, kind: str, number: int, captured: object, simulated: object) -> None:
        """Add a difference."""
        if sum(each.kind == kind for each in self.differences) < MOST_LISTED:
            self.differences.append(Difference(kind, number, str(captured), str(simulated)))
        else:
            self.more[kind] = self.more.get(kind, 0) + 1


def packets(capture: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Header and data of every packet of a pcap file. Raises `CaptureError`."""
    if capture[:4] != bytes.fromhex("d4c3b2a1"):
        raise CaptureError("it is not a pcap file in this byte order with times in microseconds")
    (link,) = struct.unpack_from("<I", capture, 20)
    length = _HEADER_LENGTHS.get(link)
    if length is None:
        raise CaptureError(f"its link type is {link}; usbmon's are 189 and 220")
    at = 24
    while at + 16 <= len(capture):
        kept = struct.unpack_from("<I", capture, at + 8)[0]
        packet = capture[at + 16 : at + 16 + kept]
        if len(packet) < max(kept, 48):
            return  # the recording program was killed in the middle of this one
        yield packet[:48], packet[length:]
        at += 16 + kept


def transfers(capture: bytes) -> list[Transfer]:
    """Submissions and completions of a capture, paired by their number, in order of submission;
    what was never completed is left out. Raises `CaptureError`."""
    waiting: dict[int, tuple[bytes, bytes]] = {}
    found: list[Transfer] = []
    for header, data in packets(capture):
        (identity,) = struct.unpack_from("<Q", header)
        if header[8] == ord("S"):
            waiting[identity] = header, data
        elif header[8] == ord("C") and identity in waiting:
            begun, out = waiting.pop(identity)
            if begun[9] not in (_CONTROL, _BULK):
                continue
            found.append(
                Transfer(
                    (struct.unpack_from("<H", begun, 12)[0], begun[11]),
                    begun[9],
                    begun[10],
                    struct.unpack_from("<I", begun, 32)[0],
                    begun[40:48],
                    out,
                    _time(begun),
                    _time(header),
                    struct.unpack_from("<i", header, 28)[0],
                    struct.unpack_from("<I", header, 32)[0],
                    data,
                )
            )
    return sorted(found, key=lambda each: each.begin)


def _time(header: bytes) -> float:
    seconds, microseconds = struct.unpack_from("<qi", header, 16)
    return float(seconds + microseconds * 1e-6)


def of_adapter(everything: Sequence[Transfer]) -> tuple[list[Transfer], AdapterProfile | None]:
    """The transfers of the one FTDI device in a capture, and its type where the capture holds its
    device descriptor (with vendor number, USB 2.0 table 9-8)."""
    types = {profile.release: profile for profile in PROFILES.values()}
    for each in everything:
        if each.setup[:4] == bytes.fromhex("80060001") and each.data[8:10] == b"\x03\x04":
            release = int.from_bytes(each.data[12:14], "little")
            return [one for one in everything if one.device == each.device], types.get(release)
    return list(everything), None


def replay(
    capture: bytes,
    profile: AdapterProfile | None = None,
    make: Callable[[AdapterProfile, VirtualClock], FtdiDevice] = FtdiDevice,
) -> Replay:
    """Play a capture to a device that `make` makes. Raises `CaptureError`."""
    recorded, known = of_adapter(transfers(capture))
    profile = profile or known
    if profile is None:
        raise CaptureError("it does not say which type of adapter it is: name one with --adapter")
    clock = VirtualClock()
    device = make(profile, clock)
    device.serial = device.serial or "REPLAY"
    result = Replay(profile.name, len(recorded))
    player = _Player(device, clock, result)
    for number, each in enumerate(recorded, 1):
        player.play(number, each, recorded[number - 2].end if number > 1 else each.begin)
    player.end(len(recorded))
    player.weigh()
    return result


class _Player:
    def __init__(self, device: FtdiDevice, clock: VirtualClock, result: Replay) -> None:
        self._device = device
        self._clock = clock
        self._result = result
        # By interface: payload captured and simulated, and the last write at which they were equal.
        self._read: dict[int, list[int]] = {}
        self._times: dict[str, tuple[list[float], list[float]]] = {}
        self._status: tuple[set[str], set[str]] = (set(), set())

    def play(self, number: int, each: Transfer, previous: float) -> None:
        self._clock.advance(max(0.0, each.begin - previous))
        if each.kind == _CONTROL:
            self._timed(number, "control", each, lambda: self._control(number, each))
        elif each.endpoint & _IN:
            self._timed(
                number,
                "read" if self._payload(each.length) else "read of nothing",
                each,
                lambda: self._bulk_in(each),
            )
        else:
            self._catch_up(number, (each.endpoint - 2) // 2 + 1)
            self._timed(number, "write", each, lambda: self._bulk_out(number, each))

    def _timed(self, number: int, kind: str, each: Transfer, run: Callable[[], None]) -> None:
        before = self._clock.now()
        try:
            run()
        except usb.core.USBError as exc:
            if not each.status:
                self._result.note("error", number, "done", exc)
            return
        if not each.status:
            captured, simulated = self._times.setdefault(kind, ([], []))
            captured.append(each.end - each.begin)
            simulated.append(self._clock.now() - before)

    def _control(self, number: int, each: Transfer) -> None:
        kind, request, value, index, length = struct.unpack("<BBHHH", each.setup)
        answer = self._device.control(kind, request, value, index, length)
        # Serial numbers and texts are each device's own.
        if kind & _IN and (kind, value >> 8) != (0x80, 3) and answer != each.data:
            self._result.note("control answer", number, each.data.hex(" "), answer.hex(" "))

    def _bulk_out(self, number: int, each: Transfer) -> None:
        interface = (each.endpoint - 2) // 2 + 1
        taken = self._device.bulk_write(interface, each.out[: each.asked], 5000)
        if not each.status and taken != each.length:
            self._result.note("bytes written", number, each.length, taken)

    def _bulk_in(self, each: Transfer) -> None:
        interface = ((each.endpoint & ~_IN) - 1) // 2 + 1
        counts = self._read.setdefault(interface, [0, 0, 0])
        counts[0] += self._payload(each.length)
        if each.data[:_STATUS]:
            self._status[0].add(each.data[:_STATUS].hex(" "))
        data = self._device.bulk_read(interface, max(each.asked, self._packet), 5000)
        counts[1] += self._payload(len(data))
        self._status[1].add(data[:_STATUS].hex(" "))

    @property
    def _packet(self) -> int:
        return self._device.profile.packet

    def _payload(self, length: int) -> int:
        return max(0, length - _STATUS * -(-length // self._packet))

    def _catch_up(self, number: int, interface: int) -> None:
        """Fetch what the capture has read by now, for which the simulation may need more reads."""
        counts = self._read.setdefault(interface, [0, 0, 0])
        for _ in range(_EXTRA_READS):
            if counts[1] >= counts[0]:
                break
            counts[1] += self._payload(len(self._device.bulk_read(interface, 16384, 5000)))
        if counts[0] == counts[1]:
            counts[2] = number

    def end(self, number: int) -> None:
        """Compare the numbers of bytes read."""
        for interface, counts in self._read.items():
            self._catch_up(number, interface)
            if counts[0] != counts[1]:
                self._result.note("bytes read", counts[2] + 1, counts[0], counts[1])

    def weigh(self) -> None:
        """Compare status bytes and times."""
        captured, simulated = self._status
        # How full a FIFO is at the moment of a packet is a matter of time; bits 5 and 6 say so.
        kinds = [{_steady(each) for each in side} for side in (captured, simulated)]
        if captured and kinds[0] != kinds[1]:
            self._result.note("status bytes", 0, sorted(captured), sorted(simulated))
        for kind, (ours, theirs) in self._times.items():
            medians = statistics.median(ours), statistics.median(theirs)
            self._result.times[kind] = medians
            low, high = sorted(medians)
            if high > TIME_FACTOR * max(low, 1e-9):
                self._result.note(f"time of a {kind}", 0, _ms(medians[0]), _ms(medians[1]))


def _steady(status: str) -> str:
    first, second = bytes.fromhex(status)
    return bytes((first, second & ~0x60)).hex(" ")


def _ms(seconds: float) -> str:
    return f"{1000 * seconds:.3f} ms"


def main(arguments: Sequence[str] | None = None) -> int:
    """The command; 0 when nothing differs, 1 when something does, 2 for a file of another kind."""
    parser = argparse.ArgumentParser(
        prog="python -m hwmocks.replay",
        description="Play the host's side of a USB capture to the simulated adapter, and list "
        "where the two adapters differ.",
    )
    parser.add_argument("file", type=Path, help="a pcap capture with usbmon headers")
    parser.add_argument("--adapter", choices=sorted(PROFILES), help="the type, if not in the file")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    given = parser.parse_args(arguments)
    try:
        profile = PROFILES[given.adapter] if given.adapter else None
        result = replay(given.file.read_bytes(), profile)
    except (OSError, CaptureError) as exc:
        print(f"{given.file}: {exc}", file=sys.stderr)
        return 2
    if given.json:
        print(json.dumps(asdict(result), indent=1))
    else:
        count = len(result.differences) + sum(result.more.values())
        print("ALIKE" if not count else f"{count} DIFFERENCES")
        print(f"{result.transfers} transfers of an {result.adapter}")
        for each in result.differences:
            where = f"transfer {each.number}: " if each.number else ""
            print(f"  {where}{each.kind}: {each.captured} captured, {each.simulated} simulated")
        for kind, more in result.more.items():
            print(f"  {kind}: {more} more")
        for kind, (captured, simulated) in sorted(result.times.items()):
            print(f"  {kind:16} {_ms(captured):>12} captured {_ms(simulated):>12} simulated")
    return 1 if result.differences else 0


if __name__ == "__main__":
    sys.exit(main())
