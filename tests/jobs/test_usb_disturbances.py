"""Whatever happens on USB, at whatever transfer: a command ends with one of its own statuses, says
why, forgets the adapter, and never calls a wrong reading verified.

USB itself guards each packet by a CRC, so bits do not flip on the way; what a hub, a driver or a
bad cable makes of whole transfers is played here (common practice, no source): errors, silence,
transfers cut short, empty, lost or repeated, and a pulled cable.
"""

from __future__ import annotations

import errno
import os
import random
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import usb.core
from pyftdi.usbtools import UsbTools

from hwmocks.boards.heron import heron_factory
from hwmocks.clock import VirtualClock
from hwmocks.ftdi import FT232H, FT2232C, FT2232H, FT4232H, FtdiDevice, UsbBackend
from hwmocks.nor.chip import NorChip
from spiflash.bus import locate
from spiflash.cli.main import run

FULL = os.environ.get("SPIFLASH_SWEEP") == "full"
KINDS = ("error", "silence", "empty", "cut", "lost", "repeated", "unplug")
ERRORS = (
    *(errno.ETIMEDOUT, errno.EPIPE, errno.EIO, errno.ENOMEM, errno.EOVERFLOW, errno.EINTR),
    errno.ENODEV,
)
STATUSES = {0, 11, 13, 14, 20, 21, 22, 23, 30}
"""Adapter missing, not answering or lost; no chip, or an unknown one; readings that differ."""
MOST_TRANSFERS = 400_000


class Disturbed(UsbBackend):
    """A USB on which transfers go wrong, each with the chance `rate`."""

    def __init__(self, device: FtdiDevice, rng: random.Random) -> None:
        super().__init__([device])
        self._rng = rng
        self._kinds = rng.choice([*((kind,) for kind in KINDS), KINDS])
        self._rate = rng.choice([0.001, 0.005, 0.02, 0.1])
        self._count = 0

    def _draw(self, handle: Any, timeout: int) -> str:
        """What happens to this transfer; "" is nothing. Raises what pyusb raises."""
        self._count += 1
        assert self._count < MOST_TRANSFERS, "it goes on for ever"
        if self._rng.random() >= self._rate:
            return ""
        kind = self._rng.choice(self._kinds)
        number = self._rng.choice(ERRORS) if kind == "error" else errno.ETIMEDOUT
        if kind == "unplug":
            handle.live().unplug()
            number = errno.ENODEV
        if kind == "silence":
            handle.live().clock.advance(timeout / 1000)
        if kind in ("error", "silence", "unplug"):
            raise usb.core.USBError(os.strerror(number), -99, number)
        return kind

    def bulk_read(self, handle: Any, ep: int, intf: int, buff: array[int], timeout: int) -> int:
        kind = self._draw(handle, timeout)
        if kind == "empty":
            return 0
        got = super().bulk_read(handle, ep, intf, buff, timeout)
        packet = handle.live().profile.packet
        if kind == "lost" and got > packet:
            memoryview(buff)[: got - packet] = bytes(buff[packet:got])
            return got - packet
        if kind == "cut" and got > 2:
            return self._rng.randrange(2, got)
        if kind == "repeated" and got > 2 and got % packet and got < len(buff):
            buff[got] = buff[got - 1]
            return got + 1
        return got

    def bulk_write(self, handle: Any, ep: int, intf: int, data: array[int], timeout: int) -> int:
        kind = self._draw(handle, timeout)
        if kind == "empty":
            return 0
        if kind == "lost":
            return len(data)
        if kind == "cut" and len(data) > 1:
            data = data[: self._rng.randrange(1, len(data))]
        if kind == "repeated":
            super().bulk_write(handle, ep, intf, data, timeout)
        return super().bulk_write(handle, ep, intf, data, timeout)

    def ctrl_transfer(self, handle: Any, *rest: Any) -> int:
        if self._draw(handle, rest[-1]) in ("cut", "lost"):
            raise usb.core.USBError(os.strerror(errno.EPIPE), -9, errno.EPIPE)
        return super().ctrl_transfer(handle, *rest)


@pytest.fixture(autouse=True)
def _no_adapter_is_left_open() -> Iterator[None]:
    UsbTools.flush_cache()
    yield
    UsbTools.release_all_devices()
    UsbTools.flush_cache()


def look(
    words: list[str], seed: int, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> tuple[int, str]:
    """Run a command on a disturbed USB, and check what holds in any case."""
    rng = random.Random(seed)
    clock = VirtualClock()
    chip = NorChip("W25Q64JV", heron_factory(), seed=seed)
    profile = rng.choice([FT232H, FT2232H, FT4232H, FT2232C])
    backend = Disturbed(FtdiDevice(profile, clock, {1: chip}, serial="S1"), rng)
    monkeypatch.setattr(UsbTools, "_load_backend", classmethod(lambda _: backend))
    monkeypatch.setattr(locate, "WallClock", lambda: clock)
    UsbTools.flush_cache()
    status = run(words)
    said = capfd.readouterr()
    assert status in STATUSES, said.err
    assert status == 0 or "CONTACT BAD" in said.out or len(said.err.strip().splitlines()) >= 3
    assert "Traceback" not in said.err
    assert "bug" not in said.err
    assert bytes(chip.contents) == heron_factory()
    assert UsbTools.Devices == {}, "the adapter is not forgotten"
    return status, said.out


@pytest.mark.parametrize("command", ["identify", "contact"])
def test_a_command_that_only_looks(
    command: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    for seed in range(400 if FULL else 20):
        look([command], seed, monkeypatch, capfd)


@pytest.mark.skipif(not FULL, reason="some seconds each: SPIFLASH_SWEEP=full")
def test_a_set_that_is_called_verified_is_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    for seed in range(100):
        shelf = tmp_path / str(seed)
        status, _ = look(["backup", "--shelf", str(shelf)], seed, monkeypatch, capfd)
        for contents in shelf.glob("*/data/flash.bin"):
            assert status or contents.read_bytes() == heron_factory()
