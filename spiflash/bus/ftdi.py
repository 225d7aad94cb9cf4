"""The FTDI adapter as a `Bus`, over pyftdi.

pyftdi opens the device, talks USB and strips the status bytes; what goes over the wire is
decided in `mpsse.py`. Three things are done here that need a device:

* the engine is brought into step at open and after anything that went wrong, with the two
  invalid opcodes AN_135 recommends for it (0xAA, 0xAB, each answered 0xFA and itself);
* replies are awaited by deadline, computed from the clock and the amount, because pyftdi's
  count-based retries give up too early at very low clocks;
* at close the engine is left in MPSSE mode with every pin an input. Leaving MPSSE mode would
  hand the pins to the UART, which drives D0 (TXD) against the board.
"""

from __future__ import annotations

import contextlib
import errno
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence

from pyftdi.ftdi import Ftdi, FtdiError
from usb.core import USBError

from spiflash.bus import mpsse
from spiflash.bus.replies import Replies
from spiflash.bus.transaction import Clock, Sampling, Transaction
from spiflash.errors import AdapterLostError, BusError, UsageError

READ_PIECE = 16384
"""Bytes asked for in one USB read; the most that pyftdi allows on Linux."""

WRITE_PIECE = 16384
"""Most bytes written in one USB transfer. Beyond the adapter's FIFO the transfer waits in the
host controller, which refills the FIFO without a gap; several transfers would each cost a USB
frame (1 ms on full-speed types) and a call."""

AHEAD = 4
"""Read commands kept waiting in the adapter while the current one streams: at 30 MHz one of
64 KiB lasts 17 ms, so that the bus does not idle when the host is busy elsewhere."""

GRACE = 2.0
"""Seconds of silence, beyond what the bits take, after which the adapter counts as hung."""

WRITE_GRACE = 5.0
"""The same for a USB write; pyftdi's own default."""

LOST = (errno.ENODEV, errno.EIO, errno.ENOENT, errno.EPIPE, errno.ESHUTDOWN)
"""What libusb reports once a device is unplugged."""


class FtdiBus:
    """An SPI bus behind one MPSSE channel.

    `ftdi` has been opened on the channel in MPSSE mode; this object owns it from now on.
    """

    def __init__(
        self,
        ftdi: Ftdi,
        engine: mpsse.Engine,
        clock: Clock,
        *,
        description: str,
        pins: mpsse.Pins | None = None,
        hertz: float = 6e6,
    ) -> None:
        self._ftdi = ftdi
        self._engine = engine
        self._clock = clock
        self._description = description
        self._pins = pins or mpsse.Pins()
        self._sampling = Sampling.LATE
        self._divisor = mpsse.divisor(engine, hertz)
        self._closed = False
        self._in_step = False
        self._free_at = 0.0
        self.on_close: Callable[[], None] = lambda: None
        """Called once the adapter has been given back."""
        ftdi.write_data_set_chunksize(WRITE_PIECE)
        ftdi.read_data_set_chunksize(READ_PIECE)
        with self._translated():
            self._step()

    # -- Bus -----------------------------------------------------------------------------

    @property
    def clock(self) -> Clock:
        """The clock this bus lives by."""
        return self._clock

    @property
    def description(self) -> str:
        """Type, serial number and channel of the adapter."""
        return self._description

    @property
    def clock_limits(self) -> tuple[float, float]:
        """Slowest and fastest SPI clock in hertz."""
        return self._engine.slowest_hz, self._engine.top_hz

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

        A write returns once the adapter holds what it has not carried out yet, so that at that
        moment a whole FIFO of work lies ahead of the engine: time enough to fetch the answers
        to the batch before and to write the next one.
        """
        waiting: deque[tuple[Sequence[Transaction], int]] = deque()
        replies = Replies(self._read, self._outstanding)
        with self._exchange():
            for transactions in batches:
                size = 0
                for burst in mpsse.bursts(
                    transactions, self._engine, self._pins, self._sampling, self._divisor.hertz
                ):
                    # While this burst is written nobody reads: its replies must fit beside
                    # those that are not fetched yet.
                    replies.fetch(leave=self._engine.rx_fifo - mpsse.REPLY_MARGIN - burst.reply)
                    self._write(burst.out, burst.seconds)
                    replies.expect(burst)
                    size += burst.reply - burst.sync
                    if burst.pause:
                        replies.fetch()
                        self._clock.sleep(burst.pause)
                waiting.append((transactions, size))
                if len(waiting) > 1:
                    yield mpsse.answers(*replies.take(*waiting.popleft()))
            for batch in waiting:
                yield mpsse.answers(*replies.take(*batch))

    def stream(self, out: bytes, length: int, chunk: int = 65536) -> Iterator[bytes]:
        """One long select period; see `Bus.stream`.

        Further read commands wait in the adapter while the current one streams, so that SCK
        never stops between chunks.
        """
        if not 1 <= chunk <= mpsse.TRANSFER_LIMIT:
            raise ValueError(f"a chunk of {chunk} bytes does not fit one command")
        sizes = [min(chunk, length - start) for start in range(0, length, chunk)]
        hertz = self._divisor.hertz
        ahead = max(1, min(AHEAD, (self._engine.tx_fifo - 16) // 3 - len(out) // 3))
        commands = [mpsse.bytes_in(size, self._sampling) for size in sizes]
        end = self._pins.set_bus(selected=False) + bytes((mpsse.SEND_NOW,))
        if commands:
            commands[-1] += end
        with self._exchange(), self._ended():
            head = self._pins.set_bus(selected=True) + b"".join(mpsse.bytes_out(out))
            self._write(
                head + b"".join(commands[:ahead]) + (b"" if commands else end),
                8 * len(out) / hertz,
            )
            for index, size in enumerate(sizes):
                # Read in USB-sized pieces and refill the queue once this chunk is half in.
                refill = commands[index + ahead] if index + ahead < len(commands) else b""
                left = size
                while left:
                    if refill and left <= size // 2 + 1:
                        self._write(refill, 0.0)
                        refill = b""
                    piece = min(left, READ_PIECE)
                    got = self._read(piece, self._outstanding() + 8 * piece / hertz)
                    left -= piece
                    if refill and not left:
                        self._write(refill, 0.0)
                        refill = b""
                    yield got

    def set_clock(self, hertz: float) -> float:
        """Set the fastest clock not above `hertz`; returns it."""
        wanted = mpsse.divisor(self._engine, hertz)
        if wanted != self._divisor:
            self._divisor = wanted
            with self._exchange():
                self._write(wanted.command, 0.0)
        return wanted.hertz

    def set_sampling(self, sampling: Sampling) -> None:
        """Choose when MISO is sampled."""
        self._sampling = sampling

    def close(self) -> None:
        """Make every pin an input and give the adapter back. May be called twice."""
        if self._closed:
            return
        self._closed = True
        try:
            self._give_back(in_step=self._in_step)
        except BaseException:
            # Ctrl-C while closing: the board waits all the same.
            self._give_back(in_step=False)
            raise
        finally:
            self.on_close()

    def _give_back(self, *, in_step: bool) -> None:
        """Release the pins, then the port. Whatever fails, the remaining steps are tried."""
        if not self._ftdi.is_connected:
            return
        if not (in_step and self._release()):
            # A fresh engine starts with inputs only; the commands make sure of it.
            with contextlib.suppress(FtdiError, USBError):
                self._fresh_engine()
                self._release()
        with contextlib.suppress(FtdiError, USBError):
            self._ftdi.close(freeze=True)

    def _release(self) -> bool:
        """Make every pin an input; whether the engine confirmed it."""
        try:
            self._write(mpsse.RELEASE + bytes((mpsse.READ_LOW_PINS, mpsse.SEND_NOW)), 0.0)
            self._read(1, self._outstanding())
        except (FtdiError, USBError, BusError):
            return False
        return True

    # -- keeping in step -------------------------------------------------------------------

    def _step(self) -> None:
        """Bring host and engine into step: empty FIFOs, known pins, deselected."""
        self._in_step = False
        self._fresh_engine()
        self._write(mpsse.setup(self._engine, self._pins, self._divisor), 0.0)
        for opcode in (0xAA, 0xAB):
            self._write(bytes((opcode, mpsse.SEND_NOW)), 0.0)
            reply = self._read(2, 0.0)
            if reply != bytes((mpsse.BAD_COMMAND, opcode)):
                raise BusError(
                    f"The adapter's engine is out of step: it answered {reply.hex(' ')} "
                    f"where fa {opcode:02x} belongs.",
                    state="Nothing has been sent to the chip.",
                    remedy="Unplug the adapter, plug it in again and repeat.",
                )
        self._in_step = True

    def _fresh_engine(self) -> None:
        """Stop whatever is under way; pins are inputs and FIFOs empty afterwards."""
        self._free_at = 0.0
        self._ftdi.set_bitmode(0, Ftdi.BitMode.RESET)
        self._ftdi.purge_buffers()
        self._ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)

    @contextlib.contextmanager
    def _ended(self) -> Iterator[None]:
        """Around a stream: one that is closed before its end ends its select period at once."""
        try:
            yield
        except GeneratorExit:
            # Where this fails, the next exchange tries again.
            with contextlib.suppress(FtdiError, USBError, BusError):
                self._step()
            raise

    @contextlib.contextmanager
    def _exchange(self) -> Iterator[None]:
        """Around everything that talks to the engine.

        Whatever ends it early (an error, Ctrl-C, a stream that is not read to its end) leaves
        replies under way: the engine is brought into step again before the next exchange.
        """
        if self._closed:
            raise BusError(
                "The adapter has been released already.", remedy="Open it again and repeat."
            )
        with self._translated():
            if not self._in_step:
                self._step()
            self._in_step = False
            yield
            self._in_step = True

    @contextlib.contextmanager
    def _translated(self) -> Iterator[None]:
        """pyftdi's and pyusb's errors as ours."""
        try:
            yield
        except (FtdiError, USBError) as exc:
            raise _as_bus_error(exc) from exc

    def _outstanding(self) -> float:
        """Seconds that the engine still needs for what was written so far."""
        return max(0.0, self._free_at - self._clock.now())

    def _write(self, data: bytes, seconds: float) -> None:
        """Write commands that keep the engine at work for `seconds`."""
        self._free_at = self._clock.now() + self._outstanding() + seconds
        limit = int(1000 * (WRITE_GRACE + 2 * self._outstanding()))
        self._ftdi.timeouts = (self._ftdi.timeouts[0], limit)
        self._ftdi.write_data(data)

    def _read(self, count: int, seconds: float) -> bytes:
        """Exactly `count` reply bytes; an error after `GRACE` plus twice `seconds` without
        any new one."""
        reply = bytearray()
        patience = GRACE + 2 * seconds
        deadline = self._clock.now() + patience
        while len(reply) < count:
            got = self._ftdi.read_data_bytes(count - len(reply), attempt=1)
            if got:
                reply += got
                deadline = self._clock.now() + patience
            elif self._clock.now() > deadline:
                raise BusError(
                    f"The adapter stopped answering: {len(reply)} of {count} bytes came.",
                    state="The bus is released.",
                    remedy="Check the USB cable and the hub, then repeat.",
                )
        return bytes(reply)


def _as_bus_error(exc: Exception) -> BusError:
    """Tell an unplugged adapter from one that hangs."""
    origin: BaseException | None = exc
    while origin is not None and not isinstance(origin, USBError):
        # pyftdi raises its own error "from None": the USB error is still its context.
        origin = origin.__cause__ or origin.__context__
    if isinstance(origin, USBError) and origin.errno == errno.EBUSY:
        return BusError(
            f"Another program uses the adapter ({exc}).",
            state="Nothing has been sent to the chip.",
            remedy="Close the other program and repeat.",
        )
    if isinstance(origin, USBError) and origin.errno in LOST:
        return AdapterLostError(
            "The adapter has gone: it was unplugged, or its USB port was reset.",
            state="Its pins float, so the chip is deselected.",
            remedy="Plug it in again and repeat the command.",
        )
    return BusError(
        f"The adapter did not take or give data in time ({exc}).",
        state="The bus is released.",
        remedy="Check the USB cable and the hub, then repeat.",
    )


def open_channel(
    ftdi: Ftdi, clock: Clock, *, description: str, pins: mpsse.Pins | None = None
) -> FtdiBus:
    """Wrap an opened pyftdi port; the engine follows from the device's release number.

    Raises `UsageError` for a device or channel without MPSSE; the port is closed then.
    """
    engine = mpsse.ENGINES.get(ftdi.device_version)
    if engine is None or ftdi.port_index > len(engine.channels):
        ftdi.close()
        raise UsageError(
            f"This adapter or channel ({description}) has no MPSSE engine.",
            state="Nothing has been sent to the chip.",
            remedy="Use an FT232H, channel A or B of an FT2232H or FT4232H, or channel A of an "
            "FT2232C/D.",
        )
    try:
        return FtdiBus(ftdi, engine, clock, description=description, pins=pins)
    except BaseException:
        ftdi.close()
        raise
