"""The USB connection to one MPSSE engine: bytes there and back, with deadlines, synchronised.

pyftdi opens the device, talks USB and strips the status bytes. Three things are done here:

* Replies are read with a deadline, computed from the clock and the amount, because pyftdi's
  count-based retries give up too early at very low clocks.
* The engine is synchronised at opening and after every failure, with the two invalid opcodes that
  AN_135 recommends for this (0xAA, 0xAB; each is answered with 0xFA and itself).
* The pins never go back to serial port mode (bit mode 0, the mode after plugging in) as long as
  anything else works: that mode drives D0 (TXD), D2 (RTS#) and D4 (DTR#) high, which are the
  board's SCK, MISO and perhaps WP#. Asynchronous bit-bang mode without outputs stops an engine as
  well and makes every pin an input, so that chip select rises by its pull-up (FT_SetBitMode in the
  D2XX guide, from memory). No document says that leaving this mode restarts the engine, so the
  engine has to answer before it may drive a pin.
"""

from __future__ import annotations

import contextlib

from pyftdi.ftdi import Ftdi, FtdiError
from pyftdi.usbtools import UsbTools
from usb.core import USBError

from spiflash.bus import Clock, mpsse
from spiflash.errors import BusError

READ_PIECE = 16384
"""Bytes asked for in one USB read; the most that pyftdi allows on Linux."""

WRITE_PIECE = 16384
"""Most bytes written in one USB transfer. Beyond the adapter's FIFO the transfer waits in the
host controller, which refills the FIFO without a gap; several transfers would each cost a USB
frame (1 ms on full-speed types) and a call."""

GRACE = 2.0
"""Seconds of silence, beyond what the bits take, after which the adapter counts as hung."""

WRITE_GRACE = 5.0
"""The same for a USB write; pyftdi's own default."""

RELEASE_GRACE = 0.5
"""The same while the adapter is released: an adapter that does not answer then never will, and the
person who pressed Ctrl-C is waiting."""

SYNC_GRACE = 0.5
"""Seconds in which an engine that was just started has to answer; it has nothing else to do."""


RELEASING = (
    "The program releases the pins now. An adapter that does not take that either keeps them as "
    "they are until it is unplugged."
)
"""What is safe after an adapter did not answer."""


class Port(Ftdi):  # type: ignore[misc]  # pyftdi has no types
    """pyftdi's port, which keeps the pins out of serial port mode at opening and closing too."""

    def set_bitmode(self, bitmask: int, mode: Ftdi.BitMode) -> None:
        """As in pyftdi, with bit-bang mode without outputs in place of mode 0."""
        if mode is Ftdi.BitMode.RESET:
            bitmask, mode = 0, Ftdi.BitMode.BITBANG
        super().set_bitmode(bitmask, mode)

    def close(self, freeze: bool = False) -> None:
        """As in pyftdi. A device that is gone is forgotten anyway: the next one with its
        address must not be taken for it."""
        device = self.usb_dev
        try:
            super().close(freeze)
        except USBError:
            self._usb_dev = None
            UsbTools.release_device(device)
            raise


def to_serial_port(ftdi: Ftdi) -> None:
    """Close a port that has no engine; it is a serial port again."""
    with contextlib.suppress(FtdiError, USBError):
        Ftdi.set_bitmode(ftdi, 0, Ftdi.BitMode.RESET)
    ftdi.close(freeze=True)


class Link:
    """One opened pyftdi port, which this object owns from now on.

    Methods raise `FtdiError`, `USBError` and `BusError`.
    """

    def __init__(self, ftdi: Ftdi, clock: Clock) -> None:
        self._ftdi = ftdi
        self._clock = clock
        self._free_at = 0.0
        self.synchronised = False
        """The engine has carried out all commands, and every reply was fetched."""
        self.pins_stayed_inputs = False
        """The last start of the engine kept the pins out of serial port mode."""
        # An adapter that works sends its status bytes at least every 16 ms.
        ftdi.timeouts = (int(1000 * GRACE), ftdi.timeouts[1])
        ftdi.write_data_set_chunksize(WRITE_PIECE)
        ftdi.read_data_set_chunksize(READ_PIECE)

    # -- bytes ---------------------------------------------------------------------------

    def outstanding(self) -> float:
        """Seconds that the engine still needs for the commands written so far."""
        return max(0.0, self._free_at - self._clock.now())

    def write(self, data: bytes, seconds: float = 0.0, *, grace: float = WRITE_GRACE) -> None:
        """Write commands that take the engine `seconds`."""
        self._free_at = self._clock.now() + self.outstanding() + seconds
        limit = int(1000 * (grace + 2 * self.outstanding()))
        self._ftdi.timeouts = (self._ftdi.timeouts[0], limit)
        self._ftdi.write_data(data)

    def read(self, count: int, seconds: float, *, grace: float = GRACE) -> bytes:
        """Exactly `count` reply bytes; `BusError` after `grace` plus twice `seconds` without a
        new one."""
        reply = bytearray()
        patience = grace + 2 * seconds
        deadline = self._clock.now() + patience
        while len(reply) < count:
            got = self._ftdi.read_data_bytes(count - len(reply), attempt=1)
            if got:
                reply += got
                deadline = self._clock.now() + patience
            elif self._clock.now() > deadline:
                raise BusError(
                    f"The adapter stopped answering after {len(reply)} of {count} bytes.",
                    state=RELEASING,
                    remedy="Check the USB cable and the hub, then repeat.",
                )
        return bytes(reply)

    # -- synchronising ---------------------------------------------------------------------------

    def start(self, setup: bytes) -> None:
        """Stop whatever the engine is doing, synchronise, and send `setup`.

        The engine has to answer while its pins are still inputs. If it does not, because it goes on
        with its old work, it is reset through serial port mode, which always stops it.
        """
        self.synchronised = False
        seen = b""
        for fresh in (self._fresh, self._reset):
            fresh()
            seen = self._echo(0xAA)
            if seen == _answer(0xAA):
                self.pins_stayed_inputs = fresh == self._fresh
                break
        else:
            raise _not_synchronised(seen, 0xAA)
        # The setup must not be answered: the answer to the second opcode has to come first.
        self.write(setup + bytes((0xAB, mpsse.SEND_NOW)))
        seen = self.read(2, 0.0)
        if seen != _answer(0xAB):
            raise _not_synchronised(seen, 0xAB)
        self.synchronised = True

    def _fresh(self) -> None:
        self._free_at = 0.0
        self._ftdi.set_bitmode(0, Ftdi.BitMode.BITBANG)
        self._on()

    def _reset(self) -> None:
        Ftdi.set_bitmode(self._ftdi, 0, Ftdi.BitMode.RESET)
        self._on()

    def _on(self) -> None:
        """Switch the engine on with empty FIFOs. Old commands in them would be carried out, and
        bit-bang mode leaves replies, because it samples the pins all the time."""
        self._ftdi.purge_buffers()
        self._ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)
        self._ftdi.purge_buffers()

    def _echo(self, opcode: int) -> bytes:
        """The last two bytes received after `opcode`, which should be its answer; older bytes that
        were still in USB buffers are skipped."""
        self.write(bytes((opcode, mpsse.SEND_NOW)))
        deadline = self._clock.now() + SYNC_GRACE
        seen = b""
        while seen != _answer(opcode) and self._clock.now() <= deadline:
            seen = (seen + bytes(self._ftdi.read_data_bytes(READ_PIECE, attempt=1)))[-2:]
        return seen

    # -- for `spiflash prove` ------------------------------------------------------

    def levels_when_released(self) -> int:
        """The levels of pins 0 to 7, one bit each, after SCK, MOSI and chip select were driven low
        and then released as at closing: the adapter pulls an input high that nothing drives. The
        chip sees a select period without a clock."""
        self.synchronised = False
        self.write(mpsse.OUTPUTS_LOW + bytes((mpsse.READ_LOW_PINS, mpsse.SEND_NOW)))
        self.read(1, 0.0)
        self._ftdi.set_bitmode(0, Ftdi.BitMode.BITBANG)
        return int(self._ftdi.read_pins())

    def idle_read_seconds(self, latency: int) -> float:
        """Seconds that a read takes when the adapter has nothing to send and its latency timer is
        set to `latency` milliseconds."""
        before = self._ftdi.get_latency_timer()
        self._ftdi.set_latency_timer(latency)
        try:
            self._ftdi.read_data_bytes(1, attempt=1)
            start = self._clock.now()
            self._ftdi.read_data_bytes(1, attempt=1)
            return self._clock.now() - start
        finally:
            self._ftdi.set_latency_timer(before)

    def abandon(self, command: bytes) -> None:
        """Send `command` and close the port as a killed process does: nothing is released, and the
        engine goes on working."""
        self.synchronised = False
        self.write(command)
        self._ftdi.close(freeze=True)

    # -- releasing ---------------------------------------------------------------------

    def release(self, *, synchronised: bool) -> None:
        """Make every pin an input, stop the engine, and close the port. If a step fails, the
        remaining ones are tried anyway.

        The engine is stopped because the operating system may make a serial port of it again: what
        a program writes there would otherwise be carried out on the clip.
        """
        if not self._ftdi.is_connected:
            return
        limit = int(1000 * RELEASE_GRACE)
        self._ftdi.timeouts = (limit, limit)
        if synchronised:
            self._release_engine()
        with contextlib.suppress(FtdiError, USBError):
            self._ftdi.set_bitmode(0, Ftdi.BitMode.BITBANG)
            self._ftdi.purge_buffers()
        with contextlib.suppress(FtdiError, USBError):
            self._ftdi.close(freeze=True)

    def _release_engine(self) -> None:
        """Make every pin an input once the engine has carried out all earlier commands."""
        with contextlib.suppress(FtdiError, USBError, BusError):
            self.write(
                mpsse.RELEASE + bytes((mpsse.READ_LOW_PINS, mpsse.SEND_NOW)), grace=RELEASE_GRACE
            )
            self.read(1, self.outstanding(), grace=RELEASE_GRACE)


def _answer(opcode: int) -> bytes:
    return bytes((mpsse.BAD_COMMAND, opcode))


def _not_synchronised(seen: bytes, opcode: int) -> BusError:
    return BusError(
        f"The adapter's SPI engine does not respond correctly: it answered "
        f"{seen.hex(' ') or 'nothing'} where {_answer(opcode).hex(' ')} was expected.",
        state="Nothing has been sent to the chip.",
        remedy="Unplug the adapter, plug it in again and repeat.",
    )
