"""The FTDI adapter as a `Bus`.

`mpsse` decides which bytes go over the wire, `link` gets bytes to the engine and back. Here they
come together: batches are written while the answers to earlier ones are fetched, streams are kept
supplied with read commands, and after anything that ends an exchange early the engine is
synchronised before the next one.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence

from pyftdi.ftdi import Ftdi, FtdiError
from usb.core import USBError

from spiflash.bus import Clock, Sampling, Transaction, mpsse
from spiflash.bus.link import READ_PIECE, Link, to_serial_port
from spiflash.bus.usb import translated
from spiflash.errors import BusError, UsageError


class Replies:
    """Replies in the order of their bursts: still to come, or fetched and not yet taken."""

    def __init__(
        self, read: Callable[[int, float], bytes], outstanding: Callable[[], float]
    ) -> None:
        self._read = read
        self._outstanding = outstanding
        self._bursts: deque[mpsse.Burst] = deque()
        self._under_way = 0
        self._fetched = bytearray()

    def expect(self, burst: mpsse.Burst) -> None:
        """The burst has been written."""
        if burst.reply:
            self._bursts.append(burst)
            self._under_way += burst.reply

    def fetch(self, leave: int = 0) -> None:
        """Read replies until at most `leave` bytes are under way, or none."""
        while self._bursts and self._under_way > leave:
            burst = self._bursts.popleft()
            self._under_way -= burst.reply
            self._fetched += self._read(burst.reply, self._outstanding())
            if burst.sync:
                del self._fetched[-1]

    def take(
        self, transactions: Sequence[Transaction], size: int
    ) -> tuple[Sequence[Transaction], bytes]:
        """The transactions again and the next `size` bytes of replies.

        Raises `BusError` when fewer are under way: nobody would ever send them.
        """
        while len(self._fetched) < size:
            if not self._bursts:
                raise BusError(
                    f"The adapter sent only {len(self._fetched)} of {size} bytes.",
                    state="The last commands may be half done.",
                    remedy="Unplug the adapter, plug it in again, and repeat.",
                )
            self.fetch(leave=self._under_way - 1)
        taken = bytes(self._fetched[:size])
        del self._fetched[:size]
        return transactions, taken


AHEAD = 4
"""Read commands that wait in the adapter while the current one streams: one of 64 KiB lasts 17 ms
at 30 MHz, so the bus does not stop when the host is busy with something else."""


class FtdiBus:
    """An SPI bus behind one MPSSE channel.

    `link` is one to that channel; this object owns it from now on, also when it raises.
    """

    def __init__(
        self,
        link: Link,
        engine: mpsse.Engine,
        clock: Clock,
        *,
        description: str,
        serial: str = "",
        pins: mpsse.Pins | None = None,
        hertz: float = 6e6,
    ) -> None:
        self.serial = serial
        """The adapter's serial number; "" if it has none."""
        self.longest_read = mpsse.TRANSFER_LIMIT
        """The most bytes that one read command requests."""
        self.link = link
        """The connection to the engine; only `spiflash prove` uses it directly."""
        self.engine = engine
        """What this kind of adapter can do."""
        self.clock = clock
        self.description = description
        """Type, serial number and channel of the adapter."""
        self.sampling = Sampling.LATE
        self._pins = pins or mpsse.Pins()
        self._divisor = mpsse.divisor(engine, hertz)
        self._closed = False
        self.on_close: Callable[[], None] = lambda: None
        """Called once the adapter has been released."""
        try:
            with translated():
                self._synchronise()
        except BaseException:
            link.release(synchronised=False)
            raise

    # -- Bus -----------------------------------------------------------------------------

    @property
    def clock_limits(self) -> tuple[float, float]:
        """Slowest and fastest SPI clock in hertz."""
        return self.engine.slowest_hz, self.engine.top_hz

    @property
    def hertz(self) -> float:
        """The SPI clock in use."""
        return self._divisor.hertz

    def run(self, transactions: Sequence[Transaction]) -> list[bytes]:
        """Carry the transactions out; see `Bus.run`."""
        (answers,) = self.run_ahead([transactions])
        return answers

    def run_ahead(self, batches: Iterable[Sequence[Transaction]]) -> Iterator[list[bytes]]:
        """Batch after batch without a gap between them; see `Bus.run_ahead`.

        A write returns once the adapter holds all commands that it has not carried out yet. At that
        moment the engine has a whole FIFO of work left, which is time enough to fetch the answers
        to the batch before and to write the next one.
        """
        waiting: deque[tuple[Sequence[Transaction], int]] = deque()
        replies = Replies(self.link.read, self.link.outstanding)
        with self._exchange():
            for transactions in batches:
                size = 0
                for burst in mpsse.bursts(
                    transactions, self.engine, self._pins, self.sampling, self._divisor.hertz
                ):
                    # Nothing is read while this burst is written: its replies must fit into the
                    # FIFO beside those that are not fetched yet.
                    replies.fetch(leave=self.engine.rx_fifo - mpsse.REPLY_MARGIN - burst.reply)
                    self.link.write(burst.out, burst.seconds)
                    replies.expect(burst)
                    size += burst.reply - burst.sync
                    if burst.pause:
                        replies.fetch()
                        self.clock.sleep(burst.pause)
                waiting.append((transactions, size))
                if len(waiting) > 1:
                    yield mpsse.answers(*replies.take(*waiting.popleft()))
            for batch in waiting:
                yield mpsse.answers(*replies.take(*batch))

    def stream(self, out: bytes, length: int, chunk: int = 65536) -> Iterator[bytes]:
        """One long select period; see `Bus.stream`.

        Further read commands wait in the adapter while the current one streams, so SCK never stops
        between chunks.
        """
        if not 1 <= chunk <= mpsse.TRANSFER_LIMIT:
            raise ValueError(f"a chunk of {chunk} bytes does not fit one command")
        chunk = min(chunk, self.longest_read)
        sizes = [min(chunk, length - start) for start in range(0, length, chunk)]
        hertz = self._divisor.hertz
        ahead = max(1, min(AHEAD, (self.engine.tx_fifo - 16) // 3 - len(out) // 3))
        commands = [mpsse.bytes_in(size, self.sampling) for size in sizes]
        end = self._pins.set_bus(selected=False) + bytes((mpsse.SEND_NOW,))
        if commands:
            commands[-1] += end
        with self._exchange(), self._ended():
            head = self._pins.set_bus(selected=True) + b"".join(mpsse.bytes_out(out))
            self.link.write(
                head + b"".join(commands[:ahead]) + (b"" if commands else end),
                8 * len(out) / hertz,
            )
            for index, size in enumerate(sizes):
                # Read in USB-sized pieces, and refill the queue once half of this chunk is in.
                refill = commands[index + ahead] if index + ahead < len(commands) else b""
                left = size
                while left:
                    if refill and left <= size // 2 + 1:
                        self.link.write(refill)
                        refill = b""
                    piece = min(left, READ_PIECE)
                    got = self.link.read(piece, self.link.outstanding() + 8 * piece / hertz)
                    left -= piece
                    if refill and not left:
                        self.link.write(refill)
                        refill = b""
                    yield got

    def set_clock(self, hertz: float) -> float:
        """Set the fastest clock not above `hertz`; returns it."""
        wanted = mpsse.divisor(self.engine, hertz)
        if wanted != self._divisor:
            self._divisor = wanted
            with self._exchange():
                self.link.write(wanted.command)
        return wanted.hertz

    def set_sampling(self, sampling: Sampling) -> None:
        """Choose when MISO is sampled."""
        self.sampling = sampling

    def close(self) -> None:
        """Make every pin an input and release the adapter. May be called twice."""
        if self._closed:
            return
        self._closed = True
        try:
            self.link.release(synchronised=self.link.synchronised)
        except BaseException:
            # Ctrl-C while closing: the pins must become inputs anyway.
            self.link.release(synchronised=False)
            raise
        finally:
            self.on_close()

    # -- synchronising ---------------------------------------------------------------------

    def _synchronise(self) -> None:
        """Synchronise host and engine: empty FIFOs, known pins, chip deselected."""
        self.link.start(mpsse.setup(self.engine, self._pins, self._divisor))

    @contextlib.contextmanager
    def _ended(self) -> Iterator[None]:
        """Around a stream: if it is closed before its end, the select period ends at once."""
        try:
            yield
        except GeneratorExit:
            # If this fails, the next exchange tries again.
            with contextlib.suppress(FtdiError, USBError, BusError):
                self._synchronise()
            raise

    @contextlib.contextmanager
    def _exchange(self) -> Iterator[None]:
        """Around everything that talks to the engine.

        Anything that ends it early (an error, Ctrl-C, a stream that is not read to its end) leaves
        replies unread: the engine is synchronised again before the next exchange.
        """
        if self._closed:
            raise BusError(
                "The adapter has already been released.", remedy="Open it again and repeat."
            )
        with translated():
            if not self.link.synchronised:
                self._synchronise()
            self.link.synchronised = False
            yield
            self.link.synchronised = True


def open_channel(
    ftdi: Ftdi, clock: Clock, *, description: str, serial: str, pins: mpsse.Pins | None = None
) -> FtdiBus:
    """Wrap an opened pyftdi port; the device's release number says which engine it has.

    Raises `UsageError` for a device or channel without MPSSE; the port is closed then.
    """
    engine = mpsse.ENGINES.get(ftdi.device_version)
    if engine is None or ftdi.port_index > len(engine.channels):
        to_serial_port(ftdi)
        raise UsageError(
            f"This adapter or channel ({description}) has no MPSSE engine.",
            state="Nothing has been sent to the chip.",
            remedy="Use an FT232H, channel A or B of an FT2232H or FT4232H, or channel A of an "
            "FT2232C/D.",
        )
    return FtdiBus(
        Link(ftdi, clock), engine, clock, description=description, serial=serial, pins=pins
    )
