"""How bytes travel to the chip: the contract between what knows opcodes and what moves bytes.

One `Transaction` is one chip-select-low period. Code above `bus/` speaks only in
transactions and never of USB or MPSSE; code in `bus/` moves bytes and knows no opcode.
"""

from __future__ import annotations

import enum
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol


class Sampling(enum.Enum):
    """When the adapter samples the chip's answer.

    In SPI mode 0 data change on the falling edge of SCK. `EDGE` samples on the rising edge that
    follows. `LATE` samples half a clock period after that, which gives a slow chip or a long wire
    twice the time (needed above about 15 MHz on clip leads; common practice, no source).
    """

    EDGE = "edge"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class Transaction:
    """One chip-select-low period: send `out`, then clock in `read` bytes, then stay
    deselected for at least `rest` seconds."""

    out: bytes
    read: int = 0
    rest: float = 0.0


class Clock(Protocol):
    """The source of time; injected, so that a simulated hour passes in a moment."""

    def now(self) -> float:
        """Monotonic time in seconds, from an arbitrary zero."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let at least `seconds` pass."""
        ...


class Bus(Protocol):
    """An SPI bus with one chip on it."""

    @property
    def clock(self) -> Clock:
        """The clock that this bus uses."""
        ...

    @property
    def description(self) -> str:
        """The adapter in words, for records: type, serial number, channel."""
        ...

    @property
    def clock_limits(self) -> tuple[float, float]:
        """Slowest and fastest SPI clock in hertz that `set_clock` accepts."""
        ...

    @property
    def hertz(self) -> float:
        """The SPI clock in use."""
        ...

    def run(self, transactions: Sequence[Transaction]) -> list[bytes]:
        """Carry the transactions out in order; the answer to each (b"" where `read` is 0).

        Raises `BusError` when the adapter does not answer in time or is gone.
        """
        ...

    def run_ahead(self, batches: Iterable[Sequence[Transaction]]) -> Iterator[list[bytes]]:
        """Like `run` for one batch after the other, without a gap on the wires between them.

        A batch is taken from `batches` and sent before the answers to the one before it are
        fetched, so the caller that produces a batch knows the answers to all batches but the last.
        Nothing else may use the bus until the iterator is exhausted or closed. If it is closed
        early, the last batches may not have been carried out. Raises `BusError` as `run` does.
        """
        ...

    def stream(self, out: bytes, length: int, chunk: int = 65536) -> Iterator[bytes]:
        """One long select period: send `out`, then clock in `length` bytes.

        Yields pieces of at most `chunk` bytes, which is also the longest single transfer that is
        requested from the adapter (1 to 65536). The select period ends when the iterator is
        exhausted or closed.
        """
        ...

    def set_clock(self, hertz: float) -> float:
        """Set the SPI clock in hertz; returns the actual one, which is never above `hertz`."""
        ...

    def set_sampling(self, sampling: Sampling) -> None:
        """Choose when the chip's answer is sampled."""
        ...

    @property
    def sampling(self) -> Sampling:
        """When the answer is sampled now."""
        ...

    def close(self) -> None:
        """Release the bus: all pins become inputs. May be called twice."""
        ...


class WallClock:
    """Monotonic time of this computer, in seconds."""

    def now(self) -> float:
        """Seconds from an arbitrary zero."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Let at least `seconds` pass; nothing happens for zero or less."""
        if seconds > 0:
            time.sleep(seconds)
