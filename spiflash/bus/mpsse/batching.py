"""How transactions become commands, and those bursts that fit the adapter's FIFOs. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from spiflash.bus.mpsse.commands import (
    READ_LOW_PINS,
    SEND_NOW,
    TRANSFER_LIMIT,
    Pins,
    bytes_in,
    bytes_out,
    idle,
    idle_bytes,
)
from spiflash.bus.mpsse.engine import Engine
from spiflash.bus.transaction import Sampling, Transaction

SHORT_REST = 5e-3
"""Seconds of rest that an engine without idle clocks spends sending bytes to nobody. They fit
through full-speed USB (6 Mbit/s of 12), while a pause of the host costs it several frames of
1 ms; a longer rest is not worth the traffic."""

REPLY_MARGIN = 64
"""Bytes of the reply FIFO left unused, so that status bytes and rounding never fill it."""

COMMAND_MARGIN = 8
"""Bytes of the command FIFO left for the mark and the flush that end a burst."""


@dataclass(frozen=True, slots=True)
class Atom:
    """One MPSSE command, the bytes it answers and the bits it clocks."""

    command: bytes
    reply: int = 0
    bits: int = 0
    pause: float = 0.0
    """Seconds the host must wait before it goes on (adapters without idle clocks)."""


@dataclass(frozen=True, slots=True)
class Burst:
    """Commands written in one go, then their replies read.

    `seconds` is the time that its bits and pauses take on the wire; `pause` asks the host to
    wait after the replies are in. `sync` says that the last reply byte is a mark that the
    burst has been carried out, and belongs to no transaction.
    """

    out: bytes
    reply: int
    seconds: float
    pause: float = 0.0
    sync: bool = False


def atoms(
    transactions: Iterable[Transaction],
    engine: Engine,
    pins: Pins,
    sampling: Sampling,
    hertz: float,
) -> Iterator[Atom]:
    """The commands that carry out `transactions`, in order."""
    for transaction in transactions:
        yield Atom(pins.set_bus(selected=True))
        for command in bytes_out(transaction.out):
            yield Atom(command, bits=8 * (len(command) - 3))
        left = transaction.read
        while left > 0:
            now = min(left, TRANSFER_LIMIT)
            yield Atom(bytes_in(now, sampling), reply=now, bits=8 * now)
            left -= now
        yield Atom(pins.set_bus(selected=False))
        if transaction.rest > 0:
            if engine.idle_clocks:
                for command, bits in idle(transaction.rest, hertz):
                    yield Atom(command, bits=bits)
            elif transaction.rest <= SHORT_REST:
                for command in idle_bytes(transaction.rest, hertz):
                    yield Atom(command, bits=8 * (len(command) - 3))
            else:
                yield Atom(b"", pause=transaction.rest)


@dataclass(slots=True)
class _Filling:
    """A burst being filled."""

    engine: Engine
    commands: list[Atom] = field(default_factory=list)
    size: int = 0
    reply: int = 0
    bits: int = 0
    _ends: list[tuple[int, int]] = field(default_factory=list)  # (end in bytes, its reply)
    _drained: int = 0  # replies of commands that must run before the write can complete
    _next: int = 0

    def takes(self, atom: Atom) -> bool:
        """Whether the host could still write all of it while nobody reads.

        The write completes when all but the last `tx_fifo` bytes have been consumed by the
        engine; until then the replies of the consumed commands must fit the reply FIFO.
        """
        consumed = self.size + len(atom.command) - self._room
        drained, at = self._drained, self._next
        # A command that lies across the boundary may already be running: it counts too.
        while at < len(self._ends) and self._start(at) < consumed:
            drained += self._ends[at][1]
            at += 1
        return drained <= self.engine.rx_fifo - REPLY_MARGIN

    @property
    def _room(self) -> int:
        return self.engine.tx_fifo - COMMAND_MARGIN

    def _start(self, index: int) -> int:
        return self._ends[index - 1][0] if index else 0

    def add(self, atom: Atom) -> None:
        self.commands.append(atom)
        self.size += len(atom.command)
        self.reply += atom.reply
        self.bits += atom.bits
        self._ends.append((self.size, atom.reply))
        while self._next < len(self._ends) and (self._start(self._next) < self.size - self._room):
            self._drained += self._ends[self._next][1]
            self._next += 1

    def close(self, hertz: float, pause: float) -> Burst:
        """The burst; a pause needs a mark, so that it starts when the bits have gone out."""
        sync = pause > 0
        tail = bytes((READ_LOW_PINS,)) if sync else b""
        if self.reply or sync:
            tail += bytes((SEND_NOW,))
        out = b"".join(atom.command for atom in self.commands) + tail
        return Burst(out, self.reply + sync, self.bits / hertz, pause, sync)


def bursts(
    transactions: Sequence[Transaction],
    engine: Engine,
    pins: Pins,
    sampling: Sampling,
    hertz: float,
) -> Iterator[Burst]:
    """Cut `transactions` into bursts that are safe to write while nobody reads."""
    filling = _Filling(engine)
    for atom in atoms(transactions, engine, pins, sampling, hertz):
        if atom.pause:
            yield filling.close(hertz, atom.pause)
            filling = _Filling(engine)
            continue
        if filling.commands and not filling.takes(atom):
            yield filling.close(hertz, 0.0)
            filling = _Filling(engine)
        filling.add(atom)
    if filling.commands:
        yield filling.close(hertz, 0.0)


def answers(transactions: Iterable[Transaction], replies: bytes) -> list[bytes]:
    """Cut the joined replies into the answer to each transaction.

    Raises ValueError when their number does not fit.
    """
    result: list[bytes] = []
    at = 0
    for transaction in transactions:
        result.append(replies[at : at + transaction.read])
        at += transaction.read
    if at != len(replies):
        raise ValueError(f"{len(replies)} reply bytes where {at} belong")
    return result
