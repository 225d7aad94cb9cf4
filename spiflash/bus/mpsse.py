"""SPI transactions <-> MPSSE command bytes. Pure: no USB, no clock, no device.

The rules that live here and nowhere else: what each kind of adapter can do, and which clock divisor
gives the fastest clock that is not above the wanted one; which command bytes there are and which
pins are driven; which commands an SPI transaction becomes, and how they are cut into bursts that a
host can write while nobody reads the replies, given the adapter's FIFOs.

SPI mode 0 throughout: MOSI changes on the falling edge of SCK (0x11), MISO is sampled on the rising
edge (0x20) or half a clock period after it (0x24). Commands: FTDI AN_108, section 3; adapters: the
data sheets of the FT232H, FT2232H, FT4232H and FT2232D; all from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from spiflash.bus import Sampling, Transaction

# -- the adapters ----------------------------------------------------------------------------------

SET_DIVISOR = 0x86


@dataclass(frozen=True, slots=True)
class Engine:
    """What one kind of adapter can do.

    `base_hz` is the clock that is halved and then divided. `tx_fifo` and `rx_fifo` are the bytes
    that fit into the adapter on the way to the engine and back. Only `high_speed` engines (the H
    types) can clock without moving data (0x8F). The figures of the FT4232HA are pyftdi's.
    """

    name: str
    base_hz: float
    tx_fifo: int
    rx_fifo: int
    high_speed: bool
    channels: str

    @property
    def top_hz(self) -> float:
        """The fastest SPI clock."""
        return self.base_hz / 2

    @property
    def slowest_hz(self) -> float:
        """The slowest SPI clock."""
        return self.base_hz / 2 / 65536


ENGINES: dict[int, Engine] = {
    0x0500: Engine("FT2232C/D", 12e6, 128, 384, False, "A"),
    0x0700: Engine("FT2232H", 60e6, 4096, 4096, True, "AB"),
    0x0800: Engine("FT4232H", 60e6, 2048, 2048, True, "AB"),
    0x0900: Engine("FT232H", 60e6, 1024, 1024, True, "A"),
    0x3600: Engine("FT4232HA", 60e6, 2048, 2048, True, "AB"),
}
"""By the bcdDevice number of the USB device descriptor."""


@dataclass(frozen=True, slots=True)
class Divisor:
    """A setting of the clock divider and the SPI clock in hertz that it gives."""

    value: int
    hertz: float

    @property
    def command(self) -> bytes:
        """The bytes that set it."""
        return bytes((SET_DIVISOR, self.value & 0xFF, self.value >> 8))


def divisor(engine: Engine, hertz: float) -> Divisor:
    """The fastest setting that is not above `hertz`; the slowest one if all are.

    SCK = base / (2 × (1 + value)), AN_108 section 3.8.2. Raises ValueError for a clock that
    is not positive.
    """
    if not hertz > 0:
        raise ValueError(f"an SPI clock of {hertz} Hz does not exist")
    half = engine.base_hz / 2
    # A tiny tolerance, so that 30e6 / 7 as a float still gives divisor 6.
    value = max(0, min(0xFFFF, math.ceil(half / hertz * (1 - 1e-12)) - 1))
    return Divisor(value, half / (value + 1))


# -- the commands ----------------------------------------------------------------------------------

SCK, MOSI, MISO, CS = 0x01, 0x02, 0x04, 0x08
"""Bits of the low pin byte, xDBUS0–3."""

BYTES_OUT = 0x11
BYTES_IN_EDGE = 0x20
BYTES_IN_LATE = 0x24
SET_LOW_PINS = 0x80
READ_LOW_PINS = 0x81
SET_HIGH_PINS = 0x82
LOOPBACK_OFF = 0x85
SEND_NOW = 0x87
DIVIDE_BY_5_OFF = 0x8A
THREE_PHASE_OFF = 0x8D
IDLE_CLOCKS = 0x8F
ADAPTIVE_OFF = 0x97
BAD_COMMAND = 0xFA

TRANSFER_LIMIT = 65536
"""Most bytes one command moves: its 16-bit length field holds n-1."""


@dataclass(frozen=True, slots=True)
class Pins:
    """The levels of the four spare pins D4–D7: bit masks; a pin in neither mask is an input.

    WP# and HOLD# are tied to pins held high, a board's processor is kept in reset by a pin
    held low.
    """

    high: int = 0
    low: int = 0

    def __post_init__(self) -> None:
        if self.high & self.low:
            raise ValueError("a pin cannot be held high and low at once")
        if (self.high | self.low) & ~0xF0:
            raise ValueError("only D4 to D7 are free; D0 to D3 carry the SPI bus")

    @property
    def direction(self) -> int:
        """The outputs, SPI pins included."""
        return SCK | MOSI | CS | self.high | self.low

    def set_bus(self, *, selected: bool) -> bytes:
        """The command that drives chip select low or high, with SCK and MOSI low."""
        return bytes((SET_LOW_PINS, self.high | (0 if selected else CS), self.direction))


OUTPUTS_LOW = bytes((SET_LOW_PINS, 0, SCK | MOSI | CS))
"""SCK, MOSI and chip select driven low, everything else an input."""

RELEASE = bytes((SET_LOW_PINS, 0, 0, SET_HIGH_PINS, 0, 0))
"""Every pin becomes an input."""


def setup(engine: Engine, pins: Pins, clock: Divisor) -> bytes:
    """The commands that bring a freshly reset engine into a known state, deselected."""
    head = bytes((DIVIDE_BY_5_OFF, ADAPTIVE_OFF, THREE_PHASE_OFF)) if engine.high_speed else b""
    return head + bytes((LOOPBACK_OFF,)) + clock.command + pins.set_bus(selected=False)


def bytes_out(data: bytes) -> Iterator[bytes]:
    """Commands that send `data`, changing MOSI on the falling edge."""
    for start in range(0, len(data), TRANSFER_LIMIT):
        piece = data[start : start + TRANSFER_LIMIT]
        yield bytes((BYTES_OUT,)) + (len(piece) - 1).to_bytes(2, "little") + piece


def bytes_in(count: int, sampling: Sampling) -> bytes:
    """The command that clocks 1–65536 bytes in."""
    if not 1 <= count <= TRANSFER_LIMIT:
        raise ValueError(f"one command cannot read {count} bytes")
    opcode = BYTES_IN_LATE if sampling is Sampling.LATE else BYTES_IN_EDGE
    return bytes((opcode,)) + (count - 1).to_bytes(2, "little")


def idle(seconds: float, hertz: float) -> Iterator[tuple[bytes, int]]:
    """(command, bits clocked): let at least `seconds` pass with idle clocks."""
    groups = math.ceil(seconds * hertz / 8)
    while groups > 0:
        now = min(groups, TRANSFER_LIMIT)
        yield bytes((IDLE_CLOCKS,)) + (now - 1).to_bytes(2, "little"), now * 8
        groups -= now


def idle_bytes(seconds: float, hertz: float) -> Iterator[bytes]:
    """The same for engines without idle clocks: zeros that nobody is selected to hear."""
    yield from bytes_out(bytes(math.ceil(seconds * hertz / 8)))


# -- from transactions to commands -----------------------------------------------------------------

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
            if engine.high_speed:
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
