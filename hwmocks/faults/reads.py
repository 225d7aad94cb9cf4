"""Faults of reading that depend on the address being read: cells, patterns, wrong addresses.

The other faults change bits wherever they come from. What goes wrong by itself
on real boards often has a place: a cell that has lost most of its charge, a range on a
worn line, a pattern that a weak driver cannot follow, a block whose address does not arrive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np
import numpy.typing as npt

from hwmocks.faults.wrapper import Wrapper
from hwmocks.wire import Beat, SpiDevice

_HEADERS: Mapping[int, tuple[int, int]] = {
    0x03: (3, 0),
    0x0B: (3, 1),
    0x13: (4, 0),
    0x0C: (4, 1),
}
"""Read commands, as every serial flash has them: address bytes and dummy bytes."""


class ReadFault(Wrapper):
    """Base of faults of reading the memory array; `size` is that of the chip, in bytes.

    Follows the commands 03h, 0Bh, 13h and 0Ch; a command comes in one transfer of its own or at
    the start of a longer one.
    """

    def __init__(self, inner: SpiDevice, size: int) -> None:
        super().__init__(inner)
        self.size = size
        self._fresh = False
        self._place: int | None = None
        self._skip = 0

    def select(self, now: float) -> None:
        """Chip select falls: what comes next is a command."""
        self._fresh = True
        self._place = None
        super().select(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways; contents go through `heard`, start addresses through `sent`."""
        if self._fresh and mosi:
            self._fresh = False
            mosi = self._begin(mosi, beat)
        answer = self.inner.transfer(mosi, beat)
        if self._place is None:
            return answer
        skip = min(self._skip, len(answer))
        self._skip -= skip
        if skip == len(answer):
            return answer
        data = self.heard(self._place, answer[skip:], beat)
        self._place = (self._place + len(data)) % self.size
        return answer[:skip] + data

    def sent(self, start: int, beat: Beat) -> int:
        """The address that arrives at the chip when a read of `start` is sent."""
        return start

    def heard(self, start: int, data: bytes, beat: Beat) -> bytes:
        """What the master samples of `data`, the contents from address `start` on."""
        return data

    def _begin(self, mosi: bytes, beat: Beat) -> bytes:
        width, dummy = _HEADERS.get(mosi[0], (0, 0))
        if not width or len(mosi) < 1 + width:
            return mosi
        start = int.from_bytes(mosi[1 : 1 + width], "big") % self.size
        self._place = start
        self._skip = 1 + width + dummy
        there = self.sent(start, beat)
        if there == start:
            return mosi
        return mosi[:1] + there.to_bytes(width, "big") + mosi[1 + width :]


class _Cells(ReadFault):
    """Base of faults of single bits; `bits` are addresses of bits: 8 × byte + bit (0–7)."""

    def __init__(self, inner: SpiDevice, size: int, bits: Iterable[int]) -> None:
        super().__init__(inner, size)
        self._bits = np.array(sorted(bits), dtype=np.int64)

    def within(self, start: int, count: int) -> npt.NDArray[np.int64]:
        """Indexes of the cells in `count` bytes from `start` on (without wrapping)."""
        low, high = np.searchsorted(self._bits, [8 * start, 8 * (start + count)])
        return np.arange(low, high)

    def flip(self, start: int, data: bytes, which: npt.NDArray[np.int64]) -> bytes:
        """`data` with these cells inverted."""
        if not len(which):
            return data
        changed = bytearray(data)
        for bit in self._bits[which].tolist():
            changed[bit // 8 - start] ^= 1 << bit % 8
        return bytes(changed)


class WeakCells(_Cells):
    """Cells that have lost charge: each is read incorrectly with its own chance at every
    reading."""

    def __init__(
        self, inner: SpiDevice, size: int, chances: Mapping[int, float], *, seed: int = 0
    ) -> None:
        super().__init__(inner, size, chances)
        self._chances = np.array([chances[bit] for bit in self._bits.tolist()])
        self._rng = np.random.default_rng(seed)

    def heard(self, start: int, data: bytes, beat: Beat) -> bytes:
        """Each weak cell is drawn again."""
        which = self.within(start, len(data))
        wrong = self._rng.random(len(which)) < self._chances[which]
        return self.flip(start, data, which[wrong])


class AlikeAtClocks(_Cells):
    """Cells that are always read incorrectly at some clocks (hertz), and correctly at all
    others."""

    def __init__(
        self, inner: SpiDevice, size: int, bits: Iterable[int], clocks: Iterable[float]
    ) -> None:
        super().__init__(inner, size, bits)
        self._clocks = tuple(clocks)

    def heard(self, start: int, data: bytes, beat: Beat) -> bytes:
        """Incorrect if the clock is one of those, within one per cent."""
        if not any(abs(beat.hertz / clock - 1) < 0.01 for clock in self._clocks):
            return data
        return self.flip(start, data, self.within(start, len(data)))


class Pattern(ReadFault):
    """Bits of one kind go wrong with the chance `rate`, wherever they are or from `low` to
    `high`: "all", "edges" (a bit unlike the one before reads like it), or "zero runs" (the first
    one after 64 zeros or more is missed)."""

    def __init__(
        self,
        inner: SpiDevice,
        size: int,
        rate: float,
        kind: str = "all",
        *,
        low: int = 0,
        high: int | None = None,
        seed: int = 0,
    ) -> None:
        if kind not in ("all", "edges", "zero runs"):
            raise ValueError(f"there is no pattern {kind!r}")
        super().__init__(inner, size)
        self.rate = rate
        self.kind = kind
        self.low, self.high = low, size if high is None else high
        self._rng = np.random.default_rng(seed)
        self._last = 1
        self._zeros = 0

    def select(self, now: float) -> None:
        """Chip select falls; the line has been floating high."""
        self._last, self._zeros = 1, 0
        super().select(now)

    def heard(self, start: int, data: bytes, beat: Beat) -> bytes:
        """Bits of the kind are drawn again at every reading."""
        low, high = max(self.low - start, 0), min(self.high - start, len(data))
        places = self._candidates(data)
        places = places[(places >= 8 * low) & (places < 8 * high)]
        wrong = places[self._rng.random(len(places)) < self.rate]
        if not len(wrong):
            return data
        changed = np.frombuffer(data, np.uint8).copy()
        np.bitwise_xor.at(changed, wrong >> 3, (0x80 >> (wrong & 7)).astype(np.uint8))
        return changed.tobytes()

    def _candidates(self, data: bytes) -> npt.NDArray[np.int64]:
        bits = np.unpackbits(np.frombuffer(data, np.uint8))
        if self.kind == "all":
            return np.arange(len(bits), dtype=np.int64)
        if self.kind == "edges":
            before = np.concatenate(([self._last], bits[:-1]))
            self._last = int(bits[-1])
            return np.flatnonzero(bits != before).astype(np.int64)
        ones = np.flatnonzero(bits).astype(np.int64)
        gaps = np.diff(np.concatenate(([-1 - self._zeros], ones)))
        self._zeros = len(bits) - 1 - int(ones[-1]) if len(ones) else self._zeros + len(bits)
        return ones[gaps > 64]


class WrongBlock(ReadFault):
    """A read that begins in one of these 64 KiB blocks goes to the address with `bit` inverted,
    with the chance `rate`: plausible contents, but of another place."""

    BLOCK = 65536

    def __init__(
        self,
        inner: SpiDevice,
        size: int,
        blocks: Iterable[int],
        bit: int,
        rate: float = 1.0,
        *,
        seed: int = 0,
    ) -> None:
        super().__init__(inner, size)
        self._blocks = frozenset(blocks)
        self._bit = bit
        self._rate = rate
        self._rng = np.random.default_rng(seed)

    def sent(self, start: int, beat: Beat) -> int:
        """Another address, for reads that begin in such a block."""
        if start // self.BLOCK not in self._blocks or self._rng.random() >= self._rate:
            return start
        return start ^ 1 << self._bit


class Meanwhile(Wrapper):
    """Something happens while the work goes on: `act` is called once, with the time, when chip
    select falls for the first time at or after `at` (virtual seconds). What is on the clip may
    be exchanged by it, see `MovedClip`."""

    def __init__(self, inner: SpiDevice, at: float, act: Callable[[float], None]) -> None:
        super().__init__(inner)
        self._at = at
        self._act = act
        self.happened = False

    def select(self, now: float) -> None:
        """Chip select falls."""
        if not self.happened and now >= self._at:
            self.happened = True
            self._act(now)
        super().select(now)
