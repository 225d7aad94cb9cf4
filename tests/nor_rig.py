"""A minimal SPI master for tests of the simulated chip: one call, one chip-select period. And chips
whose block protection somebody has set."""

from __future__ import annotations

from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat, SpiDevice


class NorRig:
    """Drives a device on virtual time; `now` is in seconds."""

    def __init__(self, device: SpiDevice, hertz: float = 20e6, *, late: bool = False) -> None:
        self.device = device
        self.hertz = hertz
        self.late = late
        self.now = 0.0

    def run(self, out: bytes | str, read: int = 0) -> bytes:
        """Select, send `out` (bytes or hexadecimal), clock `read` bytes in, deselect."""
        sent = bytes.fromhex(out) if isinstance(out, str) else out
        self.device.select(self.now)
        answer = self.device.transfer(sent + b"\x00" * read, Beat(self.now, self.hertz, self.late))
        self.now += 8 * (len(sent) + read) / self.hertz
        self.device.deselect(self.now)
        self.now += 100e-9
        return answer[len(sent) :]

    def wait(self, seconds: float) -> None:
        """Let virtual time pass."""
        self.now += seconds

    def status(self) -> int:
        """The first status register."""
        return self.run("05", 1)[0]

    def write(self, out: bytes | str, limit: float = 400.0) -> float:
        """06h, the command, then wait until WIP is clear; the seconds that took.

        AssertionError when the chip is still busy after `limit` seconds.
        """
        self.run("06")
        self.run(out)
        start, step = self.now, 1e-6
        while self.status() & 1:
            self.wait(step)
            step = min(step * 1.05, 0.05)
            assert self.now - start < limit
        return self.now - start


def chip_with(name: str, sr1: int, *second: int) -> NorChip:
    """A chip whose status registers somebody has written, non-volatile."""
    chip = NorChip(name, seed=3)
    chip.contents[:4] = b"\x01\x02\x03\x04"
    rig = NorRig(chip)
    for value, opcode in zip(second, (0x31, 0x11), strict=False):
        rig.write(bytes((opcode, value)))
    if name in ("W25Q64FV", "W25Q64DW"):
        rig.write(bytes((0x01, sr1, *second[:1])))
    else:
        rig.write(bytes((0x01, sr1)))
    return chip


def whole(chip: NorChip) -> tuple[int, int]:
    """The range of the whole chip."""
    return (0, chip.description.size)
