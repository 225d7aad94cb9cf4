"""The simulated adapter on a real kernel's USB: a server for the USB/IP protocol.

    python -m hwmocks.usbip BOARD [--listen ADDRESS:PORT]

BOARD is what follows `sim:` in an adapter URL. On any Linux with the module vhci-hcd,

    usbip attach -r ADDRESS -b 1-1

(Debian package usbip) plugs the adapter in: the kernel lists it, binds its serial driver, and
programs reach it through libusb. Ending the connection is pulling the cable.

The protocol is in the kernel's Documentation/usb/usbip_protocol.rst (version 1.1.1). Requests stay
pending until the device has something to answer, and can be unlinked. The device lives by the real
time.
"""

from __future__ import annotations

import argparse
import errno
import selectors
import socket
import struct
import sys
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import usb.core

from hwmocks.bench import BenchError, open_bench
from hwmocks.clock import RealTime
from hwmocks.ftdi import FtdiDevice, descriptors

VERSION = 0x0111
BUS_ID = "1-1"

_LIST, _IMPORT, _REPLY = 0x8005, 0x8003, 0x7FFF  # a reply has the request's code without bit 15
_SUBMIT, _UNLINK, _SUBMITTED, _UNLINKED = 1, 2, 3, 4
_HEADER = struct.Struct(">IIIII")
_HEADER_SIZE = 48
_TICK = 0.0003  # seconds between checks of pending requests: less than a few microframes
_GET_STATUS, _SET_ADDRESS, _GET_CONFIGURATION, _SET_CONFIGURATION, _SET_INTERFACE = 0, 5, 8, 9, 11
_CLEAR_FEATURE = 1


@dataclass(slots=True)
class _Request:
    """One pending URB: `length` bytes are asked for, or `data` is to be sent; `done` has moved."""

    number: int
    endpoint: int
    to_host: bool
    length: int
    data: bytes
    setup: bytes
    done: int = 0
    got: bytearray = field(default_factory=bytearray)
    begun: bool = False


def description(device: FtdiDevice) -> bytes:
    """The device as OP_REP_IMPORT and OP_REP_DEVLIST describe it (struct usbip_usb_device)."""
    path = f"/sys/devices/simulated/usb1/{BUS_ID}".encode()
    about = descriptors.device(device.profile, 1, 1, device.serial)
    return struct.pack(
        ">256s32sIIIHHHBBBBBB",
        path,
        BUS_ID.encode(),
        1,
        1,
        about.speed,
        about.idVendor,
        about.idProduct,
        about.bcdDevice,
        about.bDeviceClass,
        about.bDeviceSubClass,
        about.bDeviceProtocol,
        1,
        about.bNumConfigurations,
        device.profile.interfaces,
    )


class Connection:
    """One client that has the device plugged in: what it sent, and what is pending."""

    def __init__(self, device: FtdiDevice) -> None:
        self._device = device
        self._waiting = bytearray()
        self._pending: dict[tuple[int, bool], deque[_Request]] = {}
        self.out = bytearray()
        """What is to be sent to the client."""

    @property
    def busy(self) -> bool:
        """Whether anything is pending."""
        return any(self._pending.values())

    def receive(self, data: bytes) -> None:
        """Take what the client sent. Raises `ValueError` for what is not in the protocol."""
        self._waiting += data
        while len(self._waiting) >= _HEADER_SIZE:
            command, number, _, direction, endpoint = _HEADER.unpack_from(self._waiting)
            if command == _UNLINK:
                (victim,) = struct.unpack_from(">I", self._waiting, 20)
                del self._waiting[:_HEADER_SIZE]
                self._unlink(number, victim)
                continue
            if command != _SUBMIT:
                raise ValueError(f"command {command} is unknown")
            (length,) = struct.unpack_from(">I", self._waiting, 24)
            end = _HEADER_SIZE + (0 if direction else length)
            if len(self._waiting) < end:
                return
            request = _Request(
                number,
                endpoint,
                bool(direction),
                length,
                bytes(self._waiting[_HEADER_SIZE:end]),
                bytes(self._waiting[40:48]),
            )
            del self._waiting[:end]
            self._pending.setdefault((endpoint, bool(direction)), deque()).append(request)

    def work(self) -> None:
        """Carry out what is due by now. Requests to one endpoint are answered in their order.

        Raises USBError (ENODEV) once the device is unplugged.
        """
        for queue in self._pending.values():
            while queue and self._done(queue[0]):
                queue.popleft()

    def _done(self, request: _Request) -> bool:
        try:
            if not request.endpoint:
                answer = self._control(request)
                self._reply(request, 0, len(answer) if request.to_host else request.length, answer)
                return True
            begin, request.begun = not request.begun, True
            # Interface n has endpoint addresses 81h + 2n and 02h + 2n.
            if request.to_host:
                interface = (request.endpoint - 1) // 2 + 1
                left = request.length - len(request.got)
                data, ended = self._device.poll(interface, left, begin=begin)
                request.got += data
                if ended:
                    self._reply(request, 0, len(request.got), bytes(request.got))
                return ended
            interface = (request.endpoint - 2) // 2 + 1
            left_out = request.data[request.done :]
            request.done += self._device.offer(interface, left_out, begin=begin)
            if request.done < request.length:
                return False
            self._reply(request, 0, request.length)
        except usb.core.USBError as exc:
            if exc.errno == errno.ENODEV:
                raise
            self._reply(request, -(exc.errno or errno.EPROTO), 0)
        return True

    def _control(self, request: _Request) -> bytes:
        kind, code, value, index, length = struct.unpack("<BBHHH", request.setup)
        if kind & 0x60 == 0 and code in (_SET_CONFIGURATION, _SET_INTERFACE, _CLEAR_FEATURE):
            return b""
        if kind == 0x80 and code == _GET_CONFIGURATION:
            return b"\1"
        if kind & 0xE0 == 0x80 and code == _GET_STATUS:
            return bytes(2)
        return self._device.control(kind, code, value, index, length)

    def _unlink(self, number: int, victim: int) -> None:
        status = 0
        for queue in self._pending.values():
            for request in queue:
                if request.number == victim:
                    queue.remove(request)
                    status = -errno.ECONNRESET
                    break
        head = _HEADER.pack(_UNLINKED, number, 0, 0, 0) + struct.pack(">i", status)
        self.out += head.ljust(_HEADER_SIZE, b"\0")

    def _reply(self, request: _Request, status: int, length: int, data: bytes = b"") -> None:
        head = _HEADER.pack(_SUBMITTED, request.number, 0, 0, 0)
        head += struct.pack(">iIIII", status, length, 0, 0xFFFFFFFF, 0)
        self.out += head.ljust(_HEADER_SIZE, b"\0") + (data if request.to_host else b"")


def greet(device: FtdiDevice, client: socket.socket) -> bool:
    """Answer a client's requests before it has the device; returns whether it has it then.

    Raises `OSError`, and `ValueError` for what is not in the protocol.
    """
    head = _exactly(client, 8)
    version, code, _ = struct.unpack(">HHI", head)
    if code == _LIST:
        about = description(device)
        interfaces = b"\xff\xff\xff\0" * device.profile.interfaces
        client.sendall(
            struct.pack(">HHII", VERSION, code & _REPLY, 0, int(device.plugged))
            + (about + interfaces if device.plugged else b"")
        )
        return False
    if code != _IMPORT or version >> 8 != VERSION >> 8:
        raise ValueError(f"request {code:#06x} of version {version:#06x} is unknown")
    wanted = _exactly(client, 32).rstrip(b"\0").decode("ascii", "replace")
    there = wanted == BUS_ID and device.plugged
    client.sendall(struct.pack(">HHI", VERSION, code & _REPLY, int(not there)))
    if there:
        client.sendall(description(device))
    return there


def _exactly(client: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = client.recv(count - len(data))
        if not piece:
            raise ValueError("the client hung up in the middle of a request")
        data += piece
    return data


def serve(device: FtdiDevice, client: socket.socket) -> None:
    """Carry out one client's requests until it hangs up or the device is unplugged."""
    if not greet(device, client):
        return
    if client.family != socket.AF_UNIX:
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.setblocking(False)
    connection = Connection(device)
    with selectors.DefaultSelector() as selector:
        selector.register(client, selectors.EVENT_READ)
        while device.plugged:
            if selector.select(_TICK if connection.busy else 0.05):
                data = client.recv(1 << 20)
                if not data:
                    break
                connection.receive(data)
            connection.work()
            if connection.out:
                client.setblocking(True)
                client.sendall(connection.out)
                client.setblocking(False)
                connection.out.clear()
    # The host has released it: this counts as a pulled cable.
    device.unplug()


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve one board until Ctrl-C; 2 when it cannot be set up."""
    parser = argparse.ArgumentParser(
        prog="python -m hwmocks.usbip",
        description="Export the simulated adapter with its board through the USB/IP protocol.",
    )
    parser.add_argument("board", help="what follows sim: in an adapter URL, such as heron")
    parser.add_argument("--listen", default="127.0.0.1:3240", metavar="ADDRESS:PORT")
    given = parser.parse_args(arguments)
    address, _, port = given.listen.rpartition(":")
    try:
        bench = open_bench(given.board, RealTime())
        server = socket.create_server((address, int(port)))
    except (BenchError, OSError, ValueError) as exc:
        print(f"{given.board}: {exc}", file=sys.stderr)
        return 2
    print(f"listening on {address}:{server.getsockname()[1]}", flush=True)
    try:
        while True:
            client, _ = server.accept()
            with client:
                try:
                    serve(bench.device, client)
                except (OSError, ValueError) as exc:
                    print(f"connection ended: {exc}", file=sys.stderr, flush=True)
                    bench.device.unplug()
            if not bench.device.plugged:
                bench.device.replug()
    except KeyboardInterrupt:
        return 0
    finally:
        server.close()
        bench.put_away()


if __name__ == "__main__":
    sys.exit(main())
