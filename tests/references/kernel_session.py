"""What is done in the guest of `kernel_guest`: the program as a user has it, on a real kernel.

Runs as root inside the guest only. Each step is one command in a process of its own, forked once
everything is imported; its exit status and output go over the console.
"""

from __future__ import annotations

import contextlib
import json
import os
import pwd
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

WORK = Path("/tmp/work")
SERVER = "10.0.2.2"
NOBODY = pwd.getpwnam("nobody").pw_uid


def tell(step: str, **facts: Any) -> None:
    facts |= {"step": step, "uptime": float(Path("/proc/uptime").read_text().split()[0])}
    print("RESULT " + json.dumps(facts), flush=True)


def plug(port: str) -> None:
    """Plug the adapter in, and wait until the kernel's serial driver has it."""
    words = ["usbip", "--tcp-port", port, "attach", "-r", SERVER, "-b", "1-1"]
    done = subprocess.run(words, capture_output=True, text=True)
    if done.returncode:
        tell("plug", error=done.stderr)
    while not list(Path("/dev").glob("ttyUSB*")):
        time.sleep(0.1)


def unplug() -> None:
    subprocess.run(["usbip", "detach", "-p", "0"], capture_output=True)
    while list(Path("/dev").glob("ttyUSB*")):
        time.sleep(0.1)


def started(*arguments: str, user: int = 0, out: Path | None = None) -> int:
    """Start a command; its process number."""
    number = os.fork()
    if number:
        return number
    try:
        target = os.open(out or WORK / "out", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
        os.dup2(target, 1)
        os.dup2(target, 2)
        if user:
            os.setgroups([])
            os.setuid(user)
        sys.argv = ["spiflash", *arguments]
        from spiflash.cli.main import main

        main()
    except SystemExit as exc:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(exc.code if isinstance(exc.code, int) else 1)
    finally:
        os._exit(99)


def finished(number: int) -> int:
    status = os.waitpid(number, 0)[1]
    return os.waitstatus_to_exitcode(status)


def command(step: str, *arguments: str, user: int = 0) -> None:
    begin = time.monotonic()
    status = finished(started(*arguments, user=user))
    text = (WORK / "out").read_text(errors="replace")
    tell(step, status=status, seconds=time.monotonic() - begin, text=text[-3000:])


def until(path: Path, true: Callable[[], bool], number: int) -> None:
    while not true():
        if os.waitid(os.P_PID, number, os.WEXITED | os.WNOHANG | os.WNOWAIT):
            return
        time.sleep(0.05)


def journals() -> list[Path]:
    return [each for each in (WORK / "shelf").glob("journals/*") if each.name[0] != "."]


def in_mid_write(
    step: str,
    image: Path,
    stop: Callable[[int], None],
    afterwards: Callable[[], None] = lambda: None,
) -> None:
    """Write `image` and stop the write once it has begun. Where it had not begun yet, the program
    dropped its journal again: then the same with a longer pause."""
    for pause in (0.5, 2.0, 8.0, 32.0):
        number = started("restore", str(image), "--yes")
        until(image, lambda: bool(journals()), number)
        time.sleep(pause)
        stop(number)
        status = finished(number)
        afterwards()
        if journals():
            break
    tell(step, status=status, pause=pause, text=(WORK / "out").read_text()[-1500:])


def capture(step: str) -> None:
    """The same session recorded by the program and by the kernel's own usbmon."""
    words = ["dumpcap", "-q", "-i", "usbmon1", "-w", "/tmp/work/kernel.pcap", "-P"]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as recorder:
        time.sleep(3)
        status = finished(
            started("identify", "--json", "--trace", "/tmp/work/ours.pcap", "--trace-reads")
        )
        time.sleep(3)
        recorder.send_signal(signal.SIGINT)
        said = recorder.communicate()[1]
    if not (WORK / "kernel.pcap").exists():
        tell(step, status=status, said=said)
        return
    from hwmocks import replay

    both = [
        [
            [
                each.kind,
                each.endpoint,
                each.setup.hex() if each.kind == 2 else "",
                each.out.hex(),
                each.length,
                each.status,
                each.data.hex(),
            ]
            for each in replay.transfers((WORK / f"{name}.pcap").read_bytes())
        ]
        for name in ("ours", "kernel")
    ]
    ours, kernel = both
    # The kernel's list also has what its own driver does before and after.
    first = next((n for n in range(len(kernel)) if kernel[n : n + len(ours)] == ours), None)
    tell(step, status=status, ours=len(ours), kernel=len(kernel), same_from=first, said=said[-300:])
    played = replay.replay((WORK / "ours.pcap").read_bytes())
    tell(
        "replay",
        differences=[[e.kind, e.number, e.captured, e.simulated] for e in played.differences],
        times=played.times,
    )


def main() -> None:
    port = sys.argv[1]
    short = "short" in sys.argv[2:]
    WORK.mkdir()
    WORK.chmod(0o777)
    os.environ["SPIFLASH_SHELF"] = str(WORK / "shelf")
    plug(port)
    import spiflash.cli.main
    import spiflash.jobs.write  # noqa: F401 (before the forks)

    tell("start")
    command("adapters", "adapters", "--json")
    command("identify", "identify", "--json")
    command("backup", "backup", "--json")
    if short:
        return
    capture("capture")
    image = WORK / "image"
    held = next((WORK / "shelf").glob("*/data/flash.bin")).read_bytes()
    changed = bytearray(held)
    for start in range(0, len(changed), 65536):
        changed[start : start + 64] = bytes(64)
    image.write_bytes(changed)
    # A kill in mid-write, then the rest.
    number = started("restore", str(image), "--yes")
    until(image, lambda: bool(journals()), number)
    time.sleep(1.0)
    os.kill(number, signal.SIGKILL)
    tell("killed", status=finished(number), journals=len(journals()))
    command("resume", "restore", "--resume", "--yes", "--json")
    # Ctrl-C in mid-write.
    image.write_bytes(held)
    in_mid_write("interrupted", image, lambda number: os.kill(number, signal.SIGINT))
    command("resume", "restore", "--resume", "--yes", "--json")
    # The cable pulled in mid-write, and plugged in again.
    image.write_bytes(changed)
    in_mid_write("unplugged", image, lambda _: unplug(), lambda: plug(port))
    command("resume", "restore", "--resume", "--yes", "--json")
    command("verify", "verify", str(image), "--json")
    # A second program at the same adapter.
    number = started("backup", out=WORK / "first")
    time.sleep(2)
    command("second", "identify", "--json")
    tell("first", status=finished(number))
    # The serial port in use, and afterwards.
    serial = next(iter(Path("/dev").glob("ttyUSB*")))
    with subprocess.Popen(["sleep", "600"], stdin=serial.open("rb")) as holder:
        command("serial", "identify", "--json")
        holder.kill()
    command("identify", "identify", "--json")
    with contextlib.suppress(OSError):
        file = os.open(next(iter(Path("/dev").glob("ttyUSB*"))), os.O_RDWR | os.O_NONBLOCK)
        # An erase in the engine's own commands, as a terminal program would send bytes.
        for chip in (b"\x06", b"\x20\0\0\0"):
            os.write(file, b"\x80\0\x0b\x11" + bytes((len(chip) - 1, 0)) + chip + b"\x80\x08\x0b")
        time.sleep(1)
        os.close(file)
    command("verify", "verify", str(image), "--json")
    os.chmod("/root", 0o755)  # where Python may be; of this guest's own copy
    command("no rights", "identify", "--json", user=NOBODY)
    command("no rights", "adapters", "--json", user=NOBODY)
    text = subprocess.run(["dmesg"], capture_output=True, text=True).stdout
    warned = re.findall(r".*(?:did not claim|while .* sets config).*", text)
    tell("kernel log", warnings=warned)


main()
