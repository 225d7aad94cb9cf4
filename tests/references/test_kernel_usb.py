"""The program on a real kernel's USB, through the real libusb: see `kernel_guest`.

References: the Linux kernel (vhci-hcd, usbfs, ftdi_sio, usbmon) and its USB/IP tools as Debian has
them. The session in the guest takes about ten minutes of one processor, so that it is part of the
full sweep only (SPIFLASH_SWEEP=full); the usual run holds the server against Debian's client.
"""

from __future__ import annotations

import errno
import json
import os
import socket
import struct
import subprocess
import threading
from pathlib import Path
from typing import Any

import pytest

from hwmocks import usbip
from hwmocks.bench import make_bench
from hwmocks.clock import RealTime
from hwmocks.ftdi import FT232H, FT2232H, FtdiDevice
from hwmocks.nor.chip import NorChip
from tests.references import kernel_guest

FULL = os.environ.get("SPIFLASH_SWEEP") == "full"
SESSION = Path(__file__).with_name("kernel_session.py")


# -- the server, against the client of the kernel's own tools ------------------------------------


@pytest.mark.needs("usbip")
def test_the_kernels_tool_lists_the_adapter() -> None:
    with kernel_guest.usbip_server("heron?adapter=ft2232h") as port:
        words = ["usbip", "--tcp-port", str(port), "list", "-r", "127.0.0.1"]
        done = subprocess.run(words, capture_output=True, text=True)
    assert "0403:6010" in done.stdout, done.stderr
    assert "1-1" in done.stdout


def talk(device: FtdiDevice) -> socket.socket:
    """A connection that has imported the device."""
    ours, theirs = socket.socketpair()

    def serve() -> None:
        with theirs:
            usbip.serve(device, theirs)

    threading.Thread(target=serve, daemon=True).start()
    ours.sendall(struct.pack(">HHI32s", 0x0111, 0x8003, 0, b"1-1"))
    reply = receive(ours, 8 + 312)
    assert struct.unpack(">HHI", reply[:8]) == (0x0111, 0x0003, 0)
    return ours


def receive(client: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = client.recv(count - len(data))
        assert piece, "the server hung up"
        data += piece
    return data


def submit(
    client: socket.socket,
    number: int,
    endpoint: int,
    length: int,
    data: bytes = b"",
    setup: bytes = bytes(8),
) -> None:
    """USBIP_CMD_SUBMIT, usbip_protocol.rst."""
    to_host = not data and not (endpoint == 0 and not setup[0] & 0x80)
    head = struct.pack(">IIIII", 1, number, 0x10001, int(to_host), endpoint)
    body = struct.pack(">IIIII", 0, length, 0, 0xFFFFFFFF, 0) + setup
    client.sendall(head + body + data)


def answered(client: socket.socket, *to_device: int) -> tuple[int, int, int, bytes]:
    """Command, number and status of the next reply, and its data. Replies to the requests with the
    numbers `to_device` bring none: their length says how much was taken."""
    head = receive(client, 48)
    command, number = struct.unpack(">II", head[:8])
    status, length = struct.unpack(">iI", head[20:28])
    data = b"" if command != 3 or number in to_device else receive(client, length)
    return command, number, status, data


def test_requests_wait_are_answered_in_order_and_can_be_unlinked() -> None:
    device = make_bench(NorChip("W25Q64JV"), clock=RealTime()).device
    with talk(device) as client:
        submit(client, 1, 0, 18, setup=bytes.fromhex("8006000100001200"))
        assert answered(client)[3][8:14] == struct.pack("<HHH", 0x0403, FT232H.product, 0x0900)
        # The longest latency time, so that reads stay pending.
        submit(client, 2, 0, 0, setup=struct.pack("<BBHHH", 0x40, 0x09, 255, 1, 0))
        assert answered(client, 2)[:3] == (3, 2, 0)
        submit(client, 3, 0, 0, setup=struct.pack("<BBHHH", 0x40, 0x0B, 0x0200, 1, 0))
        assert answered(client, 3)[:3] == (3, 3, 0)
        for number in (4, 5):
            submit(client, number, 1, 512)
        client.sendall(struct.pack(">IIIIII", 2, 6, 0x10001, 0, 0, 4).ljust(48, b"\0"))
        assert answered(client) == (4, 6, -errno.ECONNRESET, b"")
        client.sendall(struct.pack(">IIIIII", 2, 7, 0x10001, 0, 0, 99).ljust(48, b"\0"))
        assert answered(client) == (4, 7, 0, b"")
        # An invalid opcode is answered FAh and itself (AN_135), and sent at once on 87h.
        submit(client, 8, 2, 2, b"\xaa\x87")
        replies = {reply[1]: reply for reply in (answered(client, 8) for _ in range(2))}
        assert replies[5][3][2:] == b"\xfa\xaa"
        assert replies[8][2] == 0


def test_a_closed_connection_is_a_pulled_cable() -> None:
    device = make_bench(NorChip("W25Q64JV"), adapter="ft2232h", clock=RealTime()).device
    assert device.profile is FT2232H
    before = set(threading.enumerate())
    client = talk(device)
    device.channels[1].pins.drive(0x08, 0x0B, 0.0)
    client.close()
    for server in set(threading.enumerate()) - before:
        server.join()
    assert not device.plugged
    assert device.channels[1].pins.driven == 0


HELLO = b"\x01\x11\x80\x03\0\0\0\0"


@pytest.mark.parametrize("hello", [b"GET / HTTP/1.0\r\n", bytes(8), HELLO * 6])
def test_what_is_no_such_client_is_sent_away(hello: bytes) -> None:
    device = make_bench(NorChip("W25Q64JV"), clock=RealTime()).device
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.sendall(hello)
        if hello.startswith(HELLO):
            assert not usbip.greet(device, theirs), "there is no such device"
        else:
            with pytest.raises(ValueError, match="unknown"):
                usbip.greet(device, theirs)
        assert device.plugged


# -- the whole stack -----------------------------------------------------------------------------


@pytest.mark.skipif(not FULL, reason="ten minutes: SPIFLASH_SWEEP=full")
def test_the_session_on_a_real_kernel() -> None:
    assert kernel_guest.missing() == []
    results, console = kernel_guest.run("heron", SESSION)
    steps: dict[str, list[dict[str, Any]]] = {}
    for each in results:
        print(json.dumps(each)[:300])
        steps.setdefault(each["step"], []).append(each)
    assert "kernel log" in steps, console[-3000:]

    def status(step: str) -> list[int]:
        return [each["status"] for each in steps[step]]

    (listed,) = json.loads(steps["adapters"][0]["text"])["adapters"]
    assert (listed["model"], listed["serial"], listed["access"]) == ("FT232H", "SIM1", True)
    assert status("identify") == [0, 0]
    assert status("backup") == [0]
    # The kernel's usbmon and our own trace hold the same transfers, byte for byte.
    (capture,) = steps["capture"]
    assert capture["ours"] > 100
    assert capture["same_from"] is not None
    # Played to the simulated adapter, only times differ: this guest is slow.
    (played,) = steps["replay"]
    assert [each for each in played["differences"] if not each[0].startswith("time of")] == []
    assert status("killed") == [-9]
    assert status("interrupted") == [130]
    assert status("unplugged") == [14]
    assert status("resume") == [0, 0, 0]
    assert status("verify") == [0, 0], "what the serial driver was told to send moved a pin"
    assert (status("second"), status("first")) == ([13], [0])
    assert status("serial") == [13]
    assert "/dev/ttyUSB0" in steps["serial"][0]["text"]
    assert status("no rights") == [13, 0]
    assert "/etc/udev/rules.d" in steps["no rights"][0]["text"]
    assert '"access": false' in steps["no rights"][1]["text"]
    assert steps["kernel log"][0]["warnings"] == []
