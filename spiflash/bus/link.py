"""USB to one MPSSE engine: bytes there and back, by deadline and in step.

pyftdi opens the device, talks USB and strips the status bytes. Three things are done here:

* replies are awaited by deadline, computed from the clock and the amount, because pyftdi's
  count-based retries give up too early at very low clocks;
* the engine is brought into step at open and after anything that went wrong, with the two
  invalid opcodes AN_135 recommends for it (0xAA, 0xAB, each answered 0xFA and itself);
* the pins never go back to the serial port (bit mode 0, the mode after plugging in) as long as
  another way works: it drives D0 (TXD), D2 (RTS#) and D4 (DTR#) high, which are the board's SCK,
  MISO and perhaps WP#. Asynchronous bit-bang mode without outputs stops an engine as well and
  makes every pin an input, so that chip select rises by its pull-up (FT_SetBitMode in the D2XX
  guide, from memory; that leaving the mode starts the engine afresh is in no document, which is
  why it has to answer before it may drive a pin).
"""

from __future__ import annotations

import contextlib

from pyftdi.ftdi import Ftdi, FtdiError
from usb.core import USBError

from spiflash.bus import mpsse
from spiflash.bus.transaction import Clock
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
"""The same while the adapter is given back: what does not answer then will not, and a person who
pressed Ctrl-C is waiting."""

SYNC_GRACE = 0.5
"""Seconds in which an engine that was just started has to answer: it has nothing else to do."""


class Port(Ftdi):  # type: ignore[misc]  # pyftdi has no types
    """pyftdi's port, which keeps the pins from the serial port at opening and closing too."""

    def set_bitmode(self, bitmask: int, mode: Ftdi.BitMode) -> None:
        """As pyftdi's, with bit-bang mode without outputs in place of mode 0."""
        if mode is Ftdi.BitMode.RESET:
            bitmask, mode = 0, Ftdi.BitMode.BITBANG
        super().set_bitmode(bitmask, mode)


def to_serial_port(ftdi: Ftdi) -> None:
    """Close a port that has no engine, as the serial port it was."""
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
        """The engine has carried out all it was told, and every reply was fetched."""
        self.pins_stayed_inputs = False
        """The engine last started without the pins going through the serial port."""
        # An adapter that works sends its status bytes at least every 16 ms.
        ftdi.timeouts = (int(1000 * GRACE), ftdi.timeouts[1])
        ftdi.write_data_set_chunksize(WRITE_PIECE)
        ftdi.read_data_set_chunksize(READ_PIECE)

    # -- bytes ---------------------------------------------------------------------------

    def outstanding(self) -> float:
        """Seconds that the engine still needs for what was written so far."""
        return max(0.0, self._free_at - self._clock.now())

    def write(self, data: bytes, seconds: float = 0.0, *, grace: float = WRITE_GRACE) -> None:
        """Write commands that keep the engine at work for `seconds`."""
        self._free_at = self._clock.now() + self.outstanding() + seconds
        limit = int(1000 * (grace + 2 * self.outstanding()))
        self._ftdi.timeouts = (self._ftdi.timeouts[0], limit)
        self._ftdi.write_data(data)

    def read(self, count: int, seconds: float, *, grace: float = GRACE) -> bytes:
        """Exactly `count` reply bytes; an error after `grace` plus twice `seconds` without
        any new one."""
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
                    f"The adapter stopped answering: {len(reply)} of {count} bytes came.",
                    state="The bus is released.",
                    remedy="Check the USB cable and the hub, then repeat.",
                )
        return bytes(reply)

    # -- in step ---------------------------------------------------------------------------

    def start(self, setup: bytes) -> None:
        """Stop whatever is under way, bring host and engine into step, and send `setup`.

        The engine has to answer while its pins are inputs still; one that does not, because it
        goes on with what it was at, is reset by way of the serial port, which always stops it.
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
        # Nothing may be answered to the setup: the second opcode's answer has to come first.
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
        """Switch the engine on with empty FIFOs. Commands that were left over would be carried
        out; replies come from bit-bang mode, too, which samples the pins all the time."""
        self._ftdi.purge_buffers()
        self._ftdi.set_bitmode(0, Ftdi.BitMode.MPSSE)
        self._ftdi.purge_buffers()

    def _echo(self, opcode: int) -> bytes:
        """The last two bytes that come after `opcode`, which should be its answer: what was on
        its way through USB before is passed over."""
        self.write(bytes((opcode, mpsse.SEND_NOW)))
        deadline = self._clock.now() + SYNC_GRACE
        seen = b""
        while seen != _answer(opcode) and self._clock.now() <= deadline:
            seen = (seen + bytes(self._ftdi.read_data_bytes(READ_PIECE, attempt=1)))[-2:]
        return seen

    # -- what `spiflash prove` looks at ------------------------------------------------------

    def levels_when_released(self) -> int:
        """The levels of pins 0 to 7, one bit each, after SCK, MOSI and chip select were driven low
        and then released the way closing does it: an input that nothing holds is pulled high by
        the adapter. The chip sees a select period without a clock."""
        self.synchronised = False
        self.write(mpsse.OUTPUTS_LOW + bytes((mpsse.READ_LOW_PINS, mpsse.SEND_NOW)))
        self.read(1, 0.0)
        self._ftdi.set_bitmode(0, Ftdi.BitMode.BITBANG)
        return int(self._ftdi.read_pins())

    def idle_read_seconds(self, latency: int) -> float:
        """Seconds that a read takes when the adapter has nothing to send and was told to wait for
        `latency` milliseconds before it says so."""
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
        """Send `command` and close the port as a killed process does: nothing is released, and
        what the engine is at goes on."""
        self.synchronised = False
        self.write(command)
        self._ftdi.close(freeze=True)

    # -- giving back ---------------------------------------------------------------------

    def release(self, *, synchronised: bool) -> None:
        """Make every pin an input, stop the engine, and close the port. Whatever fails, the
        remaining steps are tried.

        The engine is stopped because the operating system may take the port back as a serial
        port: what a program writes there would otherwise be carried out on the clip.
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
        """Make every pin an input once the engine has done what it was told before."""
        with contextlib.suppress(FtdiError, USBError, BusError):
            self.write(
                mpsse.RELEASE + bytes((mpsse.READ_LOW_PINS, mpsse.SEND_NOW)), grace=RELEASE_GRACE
            )
            self.read(1, self.outstanding(), grace=RELEASE_GRACE)


def _answer(opcode: int) -> bytes:
    return bytes((mpsse.BAD_COMMAND, opcode))


def _not_synchronised(seen: bytes, opcode: int) -> BusError:
    return BusError(
        f"The adapter's engine is out of step: it answered {seen.hex(' ') or 'nothing'} "
        f"where {_answer(opcode).hex(' ')} belongs.",
        state="Nothing has been sent to the chip.",
        remedy="Unplug the adapter, plug it in again and repeat.",
    )
