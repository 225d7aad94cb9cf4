"""Faults that occur in bursts of virtual time."""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterator

import numpy as np

from hwmocks.faults.wrapper import Wrapper, mostly_ones
from hwmocks.wire import Beat, SpiDevice


class Bursts:
    """Quiet and disturbed periods in turn, of exponentially distributed lengths
    (means in seconds); begins quiet at time `start`."""

    def __init__(self, quiet: float, burst: float, *, seed: int, start: float = 0.0) -> None:
        if quiet <= 0 or burst <= 0:
            raise ValueError("the mean lengths of quiet and burst must be above zero")
        self._means = (quiet, burst)
        self._rng = np.random.default_rng(seed)
        self._edges: list[float] = []
        self._end = start

    def disturbed(self, now: float) -> bool:
        """Whether that moment is in a burst."""
        self._reach(now)
        return bisect.bisect_right(self._edges, now) % 2 == 1

    def edges(self, start: float, end: float) -> list[float]:
        """The changes after `start` and up to `end`, in order."""
        self._reach(end)
        first = bisect.bisect_right(self._edges, start)
        return self._edges[first : bisect.bisect_right(self._edges, end)]

    def _reach(self, now: float) -> None:
        while self._end <= now:
            self._end += self._rng.exponential(self._means[len(self._edges) % 2])
            self._edges.append(self._end)


class Disturbed(Wrapper):
    """Base of faults that occur in bursts: splits transfers where a burst begins or ends."""

    def __init__(self, inner: SpiDevice, bursts: Bursts) -> None:
        super().__init__(inner)
        self.bursts = bursts

    def pieces(self, mosi: bytes, beat: Beat) -> Iterator[tuple[bytes, Beat, bool]]:
        """(bytes, their beat, whether disturbed), cut at whole bytes."""
        period = 8 / beat.hertz
        count = len(mosi)
        edges = self.bursts.edges(beat.start, beat.start + count * period)
        places = [min(count, max(0, math.ceil((e - beat.start) / period))) for e in edges]
        state = self.bursts.disturbed(beat.start)
        for first, last in itertools.pairwise([0, *places, count]):
            if last > first:
                yield (
                    mosi[first:last],
                    Beat(beat.start + first * period, beat.hertz, beat.late),
                    state,
                )
            state = not state


class IntermittentContact(Disturbed):
    """A clip that is not quite on: in bursts MISO floats ("MISO"), or chip select opens
    ("CS"), so that the chip takes what follows for a new command."""

    def __init__(
        self,
        inner: SpiDevice,
        *,
        line: str = "MISO",
        quiet: float = 0.5,
        burst: float = 1e-3,
        seed: int = 0,
    ) -> None:
        if line not in ("MISO", "CS"):
            raise ValueError(f"intermittent contact is played on MISO or CS, not {line!r}")
        super().__init__(inner, Bursts(quiet, burst, seed=seed))
        self.line = line
        self._rng = np.random.default_rng(seed + 1)
        self._wanted = False
        self._reached = False

    def select(self, now: float) -> None:
        """Chip select falls, if there is contact."""
        self._wanted = True
        self._carry_select(now, open_=self.line == "CS" and self.bursts.disturbed(now))

    def deselect(self, now: float) -> None:
        """Chip select rises."""
        self._wanted = False
        self._carry_select(now, open_=False)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways while there is contact."""
        answer = []
        for piece, when, disturbed in self.pieces(mosi, beat):
            if self.line == "CS":
                self._carry_select(when.start, open_=disturbed)
            heard = self.inner.transfer(piece, when)
            floats = disturbed and self.line == "MISO"
            answer.append(mostly_ones(self._rng, len(piece)) if floats else heard)
        return b"".join(answer)

    def _carry_select(self, now: float, *, open_: bool) -> None:
        reaches = self._wanted and not open_
        if reaches and not self._reached:
            self.inner.select(now)
        elif self._reached and not reaches:
            self.inner.deselect(now)
        self._reached = reaches


class OtherMaster(Disturbed):
    """The board's own processor drives the bus at times: both lines then carry the AND of the
    two masters' bits (the low driver wins; common practice, no source)."""

    def __init__(
        self, inner: SpiDevice, *, quiet: float = 0.2, burst: float = 5e-3, seed: int = 0
    ) -> None:
        super().__init__(inner, Bursts(quiet, burst, seed=seed))
        self._rng = np.random.default_rng(seed + 1)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways, garbled while the other master drives the bus."""
        answer = []
        for piece, when, disturbed in self.pieces(mosi, beat):
            if disturbed:
                heard = self.inner.transfer(self._garble(piece), when)
                answer.append(self._garble(heard))
            else:
                answer.append(self.inner.transfer(piece, when))
        return b"".join(answer)

    def _garble(self, data: bytes) -> bytes:
        noise = self._rng.integers(0, 256, size=len(data), dtype=np.uint8)
        return (np.frombuffer(data, dtype=np.uint8) & noise).tobytes()
