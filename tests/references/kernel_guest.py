"""A real Linux kernel with a real libusb in front of the simulated adapter: QEMU runs Debian's
kernel, which has this computer's files read-only (9P) and the adapter by USB/IP.

Needed: qemu-system-x86_64, a static busybox, kmod, and a kernel image with its modules. Debian's
package linux-image-amd64 is looked for where it is installed; SPIFLASH_GUEST_KERNEL names a folder
in which it was only unpacked (dpkg-deb -x).
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
MODULES = ("virtio_pci", "virtio_net", "9pnet_virtio", "9p", "overlay")
MODULES_USB = ("ftdi_sio", "vhci-hcd", "usbmon")
PATIENCE = 3600.0
"""Seconds after which a guest that hangs is given up; no test depends on it."""

MARK = "RESULT "

_INIT = """#!/bin/busybox sh
/bin/busybox --install -s /bin
export PATH=/bin
mount -t proc proc /proc
while read m; do insmod /mods/$m || echo "module $m does not load"; done < /order
ifconfig lo 127.0.0.1 up
ifconfig eth0 10.0.2.15 netmask 255.255.255.0 up
route add default gw 10.0.2.2
mkdir -p /low /top /root
mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=512000,cache=loose host /low
mount -t tmpfs tmp /top
mkdir /top/up /top/work
mount -t overlay -o lowerdir=/low,upperdir=/top/up,workdir=/top/work over /root
mount -t proc proc /root/proc
mount -t sysfs sys /root/sys
mount -t devtmpfs dev /root/dev
mount -t tmpfs run /root/run
mount -t tmpfs tmp /root/tmp
mount -t debugfs none /root/sys/kernel/debug
cp -a /session /root/run/session
chroot /root /bin/sh /run/session/start
poweroff -f
"""


@dataclass(frozen=True, slots=True)
class Kernel:
    """A kernel image, and the root below which lib/modules has its modules."""

    image: Path
    root: Path
    release: str


def find_kernel() -> Kernel | None:
    """A Debian kernel with the USB/IP client, the newest there is; None without one."""
    root = Path(os.environ.get("SPIFLASH_GUEST_KERNEL", "/"))
    for image in sorted((root / "boot").glob("vmlinuz-*-amd64"), reverse=True):
        release = image.name.removeprefix("vmlinuz-")
        modules = root / "lib/modules" / release
        if any(modules.glob("kernel/drivers/usb/usbip/vhci-hcd.ko*")):
            return Kernel(image, root, release)
    return None


def missing() -> list[str]:
    """What is not on this computer, by the names of Debian's packages; empty when all is."""
    programs = {
        "qemu-system-x86_64": "qemu-system-x86",
        "busybox": "busybox-static",
        "modprobe": "kmod",
        "usbip": "usbip",
        "dumpcap": "tshark",
    }
    found = [package for program, package in programs.items() if shutil.which(program) is None]
    return found + ([] if find_kernel() else ["linux-image-amd64"])


def _archive(files: Sequence[tuple[str, int, bytes]]) -> bytes:
    """An initial RAM file system: the kernel's Documentation/driver-api/early-userspace/
    buffer-format.rst ("newc"). Names, modes and contents."""

    def entry(number: int, name: str, mode: int, data: bytes) -> bytes:
        fields = [number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name) + 1, 0]
        head = b"070701" + b"".join(b"%08X" % each for each in fields) + name.encode() + b"\0"
        return head + bytes(-len(head) % 4) + data + bytes(-len(data) % 4)

    made = b"".join(entry(number, *each) for number, each in enumerate(files, 1))
    return made + entry(0, "TRAILER!!!", 0, b"")


def _initial_files(kernel: Kernel, session: dict[str, bytes]) -> bytes:
    folder = kernel.root / "lib/modules" / kernel.release
    if not (folder / "modules.dep.bin").exists():
        subprocess.run(["depmod", "-b", kernel.root, kernel.release], check=True)
    order: dict[Path, None] = {}
    for module in (*MODULES, *MODULES_USB):
        words = ["modprobe", "-d", str(kernel.root), "-S", kernel.release, "--show-depends", module]
        listed = subprocess.run(words, capture_output=True, text=True, check=True).stdout
        for line in listed.splitlines():
            if line.startswith("insmod "):
                order[Path(line.split()[1])] = None
    busybox = shutil.which("busybox")
    assert busybox is not None
    files: list[tuple[str, int, bytes]] = [
        (name, 0o040755, b"") for name in ("bin", "mods", "proc", "sys", "dev", "session")
    ]
    files += [("bin/busybox", 0o100755, Path(busybox).read_bytes())]
    files += [(f"mods/{each.name}", 0o100644, each.read_bytes()) for each in order]
    files += [("order", 0o100644, "".join(f"{each.name}\n" for each in order).encode())]
    files += [("init", 0o100755, _INIT.encode())]
    files += [(f"session/{name}", 0o100755, data) for name, data in session.items()]
    return _archive(files)


@contextmanager
def usbip_server(board: str) -> Iterator[int]:
    """`hwmocks.usbip` with this board; yields its port on 127.0.0.1."""
    words = [sys.executable, "-m", "hwmocks.usbip", board, "--listen", "127.0.0.1:0"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=ROOT) as server:
        try:
            assert server.stdout is not None
            yield int(server.stdout.readline().rpartition(":")[2])
        finally:
            server.terminate()


def run(board: str, session: Path, arguments: Sequence[str] = ()) -> tuple[list[Any], str]:
    """Boot, plug in the adapter, and run the Python program `session` there with `arguments`; the
    JSON documents that it printed behind `MARK`, and everything that came over the console.
    """
    kernel = find_kernel()
    assert kernel is not None
    with usbip_server(board) as port, tempfile.TemporaryDirectory() as temporary:
        words = " ".join([sys.executable, "/run/session/program", str(port), *arguments])
        start = f"cd {ROOT} && PYTHONPATH={ROOT} HOME=/root PATH={os.environ['PATH']} {words}\n"
        made = _initial_files(kernel, {"start": start.encode(), "program": session.read_bytes()})
        initial = Path(temporary, "initial.gz")
        initial.write_bytes(gzip.compress(made, 1))
        machine = [
            *("qemu-system-x86_64", "-accel", "tcg", "-cpu", "max", "-m", "2048", "-smp", "1"),
            *("-display", "none", "-vga", "none", "-serial", "stdio", "-monitor", "none"),
            *("-no-reboot", "-kernel", str(kernel.image), "-initrd", str(initial)),
            # no_timer_check: on a busy computer the timer does not tick in time for the check.
            *("-append", "console=ttyS0 quiet panic=1 no_timer_check"),
            *("-netdev", "user,id=net", "-device", "virtio-net-pci,netdev=net,romfile="),
            "-fsdev",
            "local,id=files,path=/,security_model=none,readonly=on,multidevs=remap",
            *("-device", "virtio-9p-pci,fsdev=files,mount_tag=host"),
        ]
        done = subprocess.run(
            machine,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=PATIENCE,
            check=False,
        )
    console = done.stdout.decode("utf-8", "replace").replace("\r", "")
    lines = [line for line in console.split("\n") if line.startswith(MARK)]
    return [json.loads(line.removeprefix(MARK)) for line in lines], console
