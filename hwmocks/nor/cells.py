"""The memory array: bits that programming clears and erasing sets, and cells that wear out."""

from __future__ import annotations

import copy
import random
from array import array
from typing import Any

SECTOR = 4096


class Cells:
    """The cells of one chip.

    `contents` is the array itself, open to tests; it keeps its length. `wear` counts erases
    per 4 KiB sector. Worn cells are bits that ignore erasing (stay 0) or programming (stay 1).
    """

    def __init__(self, size: int, contents: bytes | None, rng: random.Random) -> None:
        if contents is not None and len(contents) != size:
            raise ValueError(f"contents have {len(contents)} bytes, the chip {size}")
        self.contents = bytearray(b"\xff") * size if contents is None else bytearray(contents)
        self.wear = array("I", bytes(4 * max(1, size // SECTOR)))
        self.stuck: dict[int, tuple[int, int]] = {}
        """Byte address → (bits stuck at 0, bits stuck at 1)."""
        self._rng = rng

    def __deepcopy__(self, memo: dict[int, Any]) -> Cells:
        other = Cells(len(self.contents), bytes(self.contents), copy.deepcopy(self._rng, memo))
        other.wear, other.stuck = self.wear[:], dict(self.stuck)
        return other

    def program(self, address: int, data: bytes) -> None:
        """Clear bits: the cells become old AND new. Must not run past the end."""
        end = address + len(data)
        old = int.from_bytes(self.contents[address:end])
        self.contents[address:end] = (old & int.from_bytes(data)).to_bytes(len(data))
        self._settle_stuck(address, end)

    def erase(self, start: int, length: int) -> None:
        """Set all bits of the range and count one erase for each sector in it."""
        end = start + length
        self.contents[start:end] = b"\xff" * length
        for sector in range(start // SECTOR, -(-end // SECTOR)):
            self.wear[sector] += 1
        self._settle_stuck(start, end)

    def stick(self, address: int, bit: int, value: int) -> None:
        """From now on, bit 0–7 of the byte at `address` is `value` whatever is done to it."""
        low, high = self.stuck.get(address, (0, 0))
        mask = 1 << bit
        low, high = (low & ~mask, high | mask) if value else (low | mask, high & ~mask)
        self.stuck[address] = (low, high)
        self._settle_stuck(address, address + 1)

    def wear_out(self, sector: int, bits: int, *, failing: str) -> None:
        """Make `bits` random bits of 4 KiB sector number `sector` fail.

        `failing` is "erase" (they stay 0 once programmed and at once) or "program" (they stay
        1). Raises ValueError for another word or a sector outside the chip.
        """
        if failing not in ("erase", "program"):
            raise ValueError(f"cells fail at erase or program, not {failing!r}")
        if not 0 <= sector < len(self.wear):
            raise ValueError(f"sector {sector} is outside the chip's {len(self.wear)}")
        for place in self._rng.sample(range(SECTOR * 8), bits):
            self.stick(sector * SECTOR + place // 8, place % 8, int(failing == "program"))

    def interrupt_erase(self, start: int, before: bytes) -> None:
        """Leave the range as an interrupted erase does: most bits 1, the rest as before."""
        import numpy as np  # a board that is only looked at starts faster without it

        draw = np.random.default_rng(self._rng.getrandbits(64))
        noise = draw.integers(0, 256, size=(3, len(before)), dtype=np.uint8)
        mask = noise[0] | noise[1] | noise[2]  # seven bits of eight
        end = start + len(before)
        self.contents[start:end] = (np.frombuffer(before, dtype=np.uint8) | mask).tobytes()
        self._settle_stuck(start, end)

    def interrupt_program(self, start: int, before: bytes, done: float) -> None:
        """Leave the range as a broken-off program does: each bit to be cleared has been with
        the chance `done` (0–1)."""
        import numpy as np

        end = start + len(before)
        old = np.frombuffer(before, dtype=np.uint8)
        draw = np.random.default_rng(self._rng.getrandbits(64))
        late = np.packbits(draw.random((len(before), 8)) >= done, axis=1)[:, 0]
        now = np.frombuffer(self.contents[start:end], dtype=np.uint8)
        self.contents[start:end] = (now | old & late).tobytes()
        self._settle_stuck(start, end)

    def _settle_stuck(self, start: int, end: int) -> None:
        if not self.stuck:
            return
        for address, (low, high) in self.stuck.items():
            if start <= address < end:
                self.contents[address] = (self.contents[address] & ~low) | high
