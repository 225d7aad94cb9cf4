"""Bits that arrive incorrectly, late, or always incorrectly at the same place."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from hwmocks.faults.wrapper import Wrapper
from hwmocks.wire import Beat, SpiDevice

Bytes = npt.NDArray[np.uint8]


class BitErrors(Wrapper):
    """Each bit flips with the chance `rate` on MISO and `mosi_rate` on MOSI (0–1)."""

    def __init__(
        self, inner: SpiDevice, rate: float, *, mosi_rate: float = 0.0, seed: int = 0
    ) -> None:
        super().__init__(inner)
        self.rate = rate
        self.mosi_rate = mosi_rate
        self._rng = np.random.default_rng(seed)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways, flipping bits on the way."""
        return self._flip(self.inner.transfer(self._flip(mosi, self.mosi_rate), beat), self.rate)

    def _flip(self, data: bytes, rate: float) -> bytes:
        places = _places(self._rng, len(data) * 8, rate)
        if not len(places):
            return data
        flipped = np.frombuffer(data, dtype=np.uint8).copy()
        np.bitwise_xor.at(flipped, places >> 3, _mask(places))
        return flipped.tobytes()


class SlowWire(Wrapper):
    """Errors that grow with the clock: the answer arrives `delay` seconds after the falling
    edge, give or take `jitter` (standard deviation), and a bit sampled before it arrives reads
    as the bit before it.

    A master that samples on the rising edge leaves half a period, one that samples late a
    whole one. With the defaults the first is good up to 15 MHz and the second up to 30 MHz,
    as is reported of long wires (common practice, no source).
    """

    def __init__(
        self, inner: SpiDevice, *, delay: float = 28e-9, jitter: float = 0.8e-9, seed: int = 0
    ) -> None:
        super().__init__(inner)
        self.delay = delay
        self.jitter = jitter
        self._rng = np.random.default_rng(seed)
        self._last = 1

    def select(self, now: float) -> None:
        """Chip select falls; the line has been floating high."""
        self._last = 1
        super().select(now)

    def miss_chance(self, hertz: float, late: bool) -> float:
        """The chance that one bit is sampled before it has arrived."""
        slack = (1.0 if late else 0.5) / hertz - self.delay
        return 0.5 * math.erfc(slack / (self.jitter * math.sqrt(2)))

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways; some bits of the answer are missed."""
        answer = self.inner.transfer(mosi, beat)
        if not answer:
            return answer
        places = _places(self._rng, len(answer) * 8, self.miss_chance(beat.hertz, beat.late))
        before, self._last = self._last, answer[-1] & 1
        if not len(places):
            return answer
        true = np.frombuffer(answer, dtype=np.uint8)
        previous = np.where(places > 0, true[(places - 1) >> 3] >> (7 - ((places - 1) & 7)) & 1, 0)
        previous = np.where(places == 0, before, previous)
        own = true[places >> 3] >> (7 - (places & 7)) & 1
        wrong = places[own != previous]
        sampled = true.copy()
        np.bitwise_xor.at(sampled, wrong >> 3, _mask(wrong))
        return sampled.tobytes()


class OneBitLate(Wrapper):
    """Every answer arrives one bit late: the first bit is the idle line, the last one of each
    select period is lost."""

    def __init__(self, inner: SpiDevice) -> None:
        super().__init__(inner)
        self._carry = 1

    def select(self, now: float) -> None:
        """Chip select falls; the idle line reads as a one."""
        self._carry = 1
        super().select(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways; the answer is shifted by a bit."""
        answer = self.inner.transfer(mosi, beat)
        if not answer:
            return answer
        true = np.frombuffer(answer, dtype=np.uint8)
        late = true >> 1
        late[1:] |= (true[:-1] & 1) << 7
        late[0] |= self._carry << 7
        self._carry = answer[-1] & 1
        return late.tobytes()


class FixedPlaceError(Wrapper):
    """In every transfer of at least `length` bytes the byte at `place` is XORed with `flip`:
    the same place every time, so that equal passes agree on the wrong byte."""

    def __init__(
        self, inner: SpiDevice, place: int, *, length: int = 65536, flip: int = 0x10
    ) -> None:
        super().__init__(inner)
        self.place = place
        self.length = length
        self.flip = flip

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways; long answers have their wrong byte."""
        answer = self.inner.transfer(mosi, beat)
        if len(answer) < self.length:
            return answer
        wrong = bytearray(answer)
        wrong[self.place] ^= self.flip
        return bytes(wrong)


def _places(rng: np.random.Generator, bits: int, rate: float) -> npt.NDArray[np.int64]:
    """Which of `bits` bits are hit, each with the chance `rate`; exact at any rate."""
    if rate <= 0 or bits == 0:
        return np.empty(0, dtype=np.int64)
    hits = int(rng.binomial(bits, min(rate, 1.0)))
    if hits == 0:
        return np.empty(0, dtype=np.int64)
    return rng.choice(bits, size=hits, replace=False, shuffle=False).astype(np.int64)


def _mask(places: npt.NDArray[np.int64]) -> Bytes:
    """The bit that each place means within its byte, most significant first."""
    return (0x80 >> (places & 7)).astype(np.uint8)
