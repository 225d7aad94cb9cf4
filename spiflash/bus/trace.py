"""A record of every USB transfer, as a capture file that general-purpose analysers can open.

The file is a pcap file of link type 220: each packet is a header of 64 bytes as the kernel's own
usbmon writes it (Documentation/usb/usbmon.rst, "struct usbmon_packet"), then the data. A transfer
is two packets with the same number: 'S' when it is submitted, 'C' when it is complete.

A chip's contents may be secret. Data that were read are left out unless they are asked for: only
the two status bytes at the start of each transfer are kept. Data that were written are always kept.
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import usb.core
from usb.backend import IBackend
from usb.core import USBError

from spiflash.bus import Clock, WallClock
from spiflash.errors import OutputError, UsageError
from spiflash.files import UNCHANGED

CONTROL, BULK = 2, 3
"""Transfer types in usbmon's numbering."""

IN = 0x80
"""The direction bit of an endpoint: to the host."""

_FILE_HEADER = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 1 << 18, 220)
_PACKET = struct.Struct("<QBBBBHBBqiiII8sIIII")
_STATUS_BYTES = 2
_active: Trace | None = None


@dataclass(frozen=True, slots=True)
class Transfer:
    """One request to the USB stack. `setup` holds the eight bytes of a control request, None for
    bulk; `out` what goes to the device; `length` the bytes asked for or sent."""

    number: int
    bus: int
    address: int
    endpoint: int
    length: int
    setup: bytes | None
    out: bytes


class Trace:
    """A capture file that is being written; safe to share between threads. Work on a chip goes on
    when the file cannot be written any more: `failed` is the reason then."""

    def __init__(self, file: BinaryIO, *, data_read: bool = False) -> None:
        self.failed: OSError | None = None
        self._file = file
        self._data_read = data_read
        self._lock = threading.Lock()
        self._count = 0
        self._append(_FILE_HEADER)

    def close(self) -> None:
        """Write what is still in memory, and close the file."""
        try:
            self._file.close()
        except OSError as exc:
            self.failed = self.failed or exc

    def _append(self, data: bytes) -> None:
        if self.failed is None:
            try:
                self._file.write(data)
            except OSError as exc:
                self.failed = exc

    @contextlib.contextmanager
    def transfer(
        self,
        now: Callable[[], float],
        place: tuple[int, int],
        endpoint: int,
        length: int,
        *,
        setup: bytes | None = None,
        out: bytes = b"",
    ) -> Iterator[list[bytes | int]]:
        """Around one transfer; the block appends the bytes received, or the number of bytes sent,
        to the list. `now` gives seconds since 1970, `place` is bus and address, `length` what is
        asked for."""
        with self._lock:
            self._count += 1
            request = Transfer(self._count, *place, endpoint, length, setup, out)
            self._write(request, "S", now(), -errno.EINPROGRESS, length, out)
        result: list[bytes | int] = []
        status = 0
        try:
            yield result
        except USBError as exc:
            # As in the kernel: a transfer that libusb gave up on was unlinked.
            status = -(errno.ENOENT if exc.errno == errno.ETIMEDOUT else exc.errno or errno.EPROTO)
            raise
        except BaseException:
            status = -errno.ENOENT
            raise
        finally:
            got = result[0] if result else 0
            count = got if isinstance(got, int) else len(got)
            with self._lock:
                self._write(
                    request, "C", now(), status, count, b"" if isinstance(got, int) else got
                )

    def _write(
        self, of: Transfer, event: str, now: float, status: int, length: int, data: bytes
    ) -> None:
        mark = 0 if data else ord("<" if of.endpoint & IN else ">")
        whole = _PACKET.size + len(data)
        if event == "C" and of.endpoint & IN and of.setup is None and not self._data_read:
            data = data[:_STATUS_BYTES]
        microseconds = round(now * 1e6)
        packet = _PACKET.pack(
            of.number,
            ord(event),
            BULK if of.setup is None else CONTROL,
            of.endpoint,
            of.address,
            of.bus,
            0 if of.setup is not None and event == "S" else ord("-"),
            mark,
            microseconds // 1_000_000,
            microseconds % 1_000_000,
            status,
            length,
            len(data),
            of.setup if of.setup is not None and event == "S" else bytes(8),
            0,
            0,
            0,
            0,
        )
        kept = len(packet) + len(data)
        seconds = divmod(microseconds, 1_000_000)
        self._append(struct.pack("<IIII", *seconds, kept, whole) + packet + data)


def active() -> Trace | None:
    """The capture that is being made, if any."""
    return _active


@contextlib.contextmanager
def recording(path: Path, *, data_read: bool = False) -> Iterator[None]:
    """Record the transfers of all adapters of this process to the new file `path`, readable by its
    owner only.

    Raises `UsageError` when the file cannot be created; no file is replaced. Raises `OutputError`
    at the end when the file could not be written whole.
    """
    global _active
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as exc:
        raise UsageError(
            f"The trace cannot be written to “{path}” ({exc.strerror or exc}).",
            state=UNCHANGED,
            remedy="Name a file that does not exist yet, in a folder that can be written.",
        ) from exc
    _active = capture = Trace(os.fdopen(descriptor, "wb"), data_read=data_read)
    try:
        yield
    finally:
        _active = None
        capture.close()
    if capture.failed is not None:
        raise OutputError(
            f"The trace in “{path}” is not complete ({capture.failed.strerror or capture.failed}).",
            state="The command itself did its work.",
            remedy="Free some space there, or name a file in another folder.",
        )


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
        if active() is not None:
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
        with self._traced(bmRequestType & IN, length, setup=setup, out=out) as result:
            result.append(
                super().ctrl_transfer(bmRequestType, bRequest, wValue, wIndex, given, timeout)
            )
        return result[0]

    def _traced(
        self, endpoint: int, length: int, *, setup: bytes | None = None, out: bytes = b""
    ) -> contextlib.AbstractContextManager[list[Any]]:
        capture = active()
        if capture is None:
            return contextlib.nullcontext([])
        place = self.bus, self.address
        return capture.transfer(self._time, place, endpoint, length, setup=setup, out=out)

    def _time(self) -> float:
        return self._zero + self._now()
