"""The MPSSE engine of one channel: a command interpreter with a time of its own.

The engine works lazily: nothing happens until `advance` is called, which carries out
everything that real silicon would have done by then. It never runs ahead of what its FIFOs
allow. Written from AN_108 and AN_135, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from hwmocks.ftdi import opcodes as op
from hwmocks.ftdi.counters import Counters
from hwmocks.ftdi.faults import UsbFaults
from hwmocks.ftdi.fifos import Fifos, Mode
from hwmocks.ftdi.pins import SCK, PinPort
from hwmocks.ftdi.profile import AdapterProfile
from hwmocks.ftdi.spiclock import SpiClock
from hwmocks.wire import Beat

_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_SLACK = 1e-6  # of one byte time: room for rounding when times are turned into byte counts
_BIT_BANG = 16 * 9600  # bytes a second at the default rate: 16 times that of the serial port


@dataclass(slots=True)
class _Shift:
    """A command that clocks whole bytes and is under way; `opcode` 0 only clocks."""

    opcode: int
    total: int
    left: int


class MpsseEngine(Fifos):
    """Commands in through `push`, replies out through `take`, pins in between."""

    def __init__(
        self, profile: AdapterProfile, pins: PinPort, counters: Counters, faults: UsbFaults
    ) -> None:
        super().__init__(profile)
        self.pins = pins
        self.counters = counters
        self.time = 0.0
        self._faults = faults
        self._known = op.known(profile)
        self._power_up()

    def _power_up(self) -> None:
        self._shift: _Shift | None = None
        self._loopback = False
        self._clock = SpiClock.after_reset(self.profile)

    # -- what the USB side sees ------------------------------------------------------------

    @property
    def line_status(self) -> int:
        """Second status byte: 0x20 command FIFO empty, 0x40 nothing under way either."""
        if self._commands:
            return 0x00
        return 0x20 if self._shift else 0x60

    @property
    def enabled(self) -> bool:
        """Whether commands are carried out."""
        return self.mode is Mode.MPSSE

    def switch(self, mode: Mode, now: float, outputs: int = 0) -> None:
        """Change the mode. In bit-bang mode `outputs` is the mask of the pins it drives, low
        until something is written; pins of a fresh engine are inputs.

        Whether a change other than through the serial port starts the engine afresh is in no
        document: `UsbFaults.stubborn_engine` plays one that goes on where it was.
        """
        self.advance(now)
        if mode is Mode.SERIAL or not self._faults.stubborn_engine:
            self._power_up()
        self.mode = mode
        self.time = max(self.time, now)
        if mode is Mode.SERIAL:
            self._commands.clear()  # they leave through TXD
            self.pins.to_serial_port(now)
            return
        self.pins.release(now)
        if mode is Mode.BIT_BANG:
            self.pins.drive(0, outputs, now)

    def unplug(self, now: float) -> None:
        """No supply: pins float, and everything is as after plugging in, except that the
        pins are not driven until it is plugged in."""
        self.advance(now)
        self._power_up()
        self.mode = Mode.SERIAL
        self.drop_commands()
        self.drop_replies()
        self.pins.release(now)
        self.time = max(self.time, now)

    # -- time ----------------------------------------------------------------------------

    def advance(self, until: float, *, level: int | None = None, room: int | None = None) -> None:
        """Work until `until`, or until the reply FIFO holds `level` bytes or is to be sent at
        once, or until the command FIFO has `room`.

        On return `time` is the moment the condition came true, else about `until`: up to one
        byte time less, or one command more.
        """
        if not self.enabled:
            if self.mode is Mode.BIT_BANG:
                self._bang(until)
            self.time = max(self.time, until)
        while self.time < until:
            if level is not None and (len(self._replies) >= level or self._flush):
                return
            if room is not None and self.room >= room:
                return
            if self._shift is None:
                if not self._fetch(until):
                    return
            elif not self._shift_some(until, level, room):
                return

    def _bang(self, until: float) -> None:
        """Bytes go to the pins at a fixed rate, and the pins are sampled all the time."""
        count = int(max(0.0, until - self.time) * _BIT_BANG)
        del self._commands[:count]
        room = self.profile.rx_fifo - len(self._replies)
        self._replies += bytes((self.pins.read() & 0xFF,)) * min(count, room)

    def burst(self, wanted: int) -> tuple[int, float]:
        """How many bytes a read under way can deliver without a look at the FIFO, and the
        seconds each takes; (0, 0.0) when something else is under way."""
        shift = self._shift
        if (
            not self.enabled
            or shift is None
            or shift.opcode & (op.READ | op.WRITE) != op.READ
            or self._clock.adaptive
        ):
            return 0, 0.0
        return min(shift.left, wanted), self._clock.byte_time

    def run_burst(self, count: int) -> bytes:
        """Clock `count` bytes of the read under way straight to a waiting host."""
        shift = self._shift
        assert shift is not None
        return self._clock_bytes(shift, count, self._clock.byte_time)

    def _wait(self, until: float, *, stalled: bool) -> bool:
        if stalled:
            self.counters.stalled += until - self.time
        else:
            self.counters.idle += until - self.time
        self.time = until
        return False

    def _spend(self, seconds: float) -> None:
        self.counters.busy += seconds
        self.time += seconds

    # -- commands ------------------------------------------------------------------------

    def _fetch(self, until: float) -> bool:
        """Begin the next command; False when the engine had to wait instead."""
        commands = self._commands
        if not commands:
            return self._wait(until, stalled=False)
        opcode = commands[0]
        command = self._known.get(opcode)
        space = self.profile.rx_fifo - len(self._replies)
        if command is None:
            if space < 2:
                return self._wait(until, stalled=True)
            del commands[:1]
            self._spend(self.profile.overhead)
            if opcode not in self._faults.deaf_to:
                self._replies += bytes((op.BAD_COMMAND, opcode))
            return True
        end = 1 + command.arguments
        if len(commands) < end:
            return self._wait(until, stalled=False)
        # With adaptive clocking every clock waits for RTCK, which is not driven here.
        if (command.answers and not space) or (command.clocks and self._clock.adaptive):
            return self._wait(until, stalled=True)
        given = bytes(commands[1:end])
        del commands[:end]
        self._spend(self.profile.overhead)
        if command.bytewise:
            total = (given[0] | given[1] << 8) + 1
            self._shift = _Shift(0 if opcode == op.CLOCK_BYTES else opcode, total, total)
        elif opcode == op.CLOCK_BITS:
            self._pulse([bool(self.pins.idle_bytes(1)[0])] * (given[0] % 8 + 1))
        elif command.clocks:
            self._shift_bits(opcode, given)
        else:
            self._control(opcode, given)
        return True

    def _control(self, opcode: int, given: bytes) -> None:
        pins = self.pins
        if opcode == op.SET_LOW:
            value = pins.value & 0xFF00 | given[0]
            pins.drive(value, pins.direction & 0xFF00 | given[1], self.time)
        elif opcode == op.SET_HIGH:
            value = pins.value & 0x00FF | given[0] << 8
            pins.drive(value, pins.direction & 0x00FF | given[1] << 8, self.time)
        elif opcode == op.GET_LOW:
            self._replies.append(pins.read() & 0xFF)
        elif opcode == op.GET_HIGH:
            self._replies.append(pins.read() >> 8)
        elif opcode == op.SEND_NOW:
            self._flush = len(self._replies)
        elif opcode in (op.LOOPBACK_ON, op.LOOPBACK_OFF):
            self._loopback = opcode == op.LOOPBACK_ON
        elif opcode == op.DRIVE_ZERO:
            pins.drain(int.from_bytes(given, "little"), self.time)
        else:
            self._clock = self._clock.after(opcode, given)

    # -- clocking ------------------------------------------------------------------------

    def _shift_some(self, until: float, level: int | None, room: int | None) -> bool:
        """Clock as many bytes as time and FIFOs allow; False when it had to be none."""
        shift = self._shift
        assert shift is not None
        count = shift.left
        if shift.opcode & op.WRITE:
            count = min(count, len(self._commands))
            if not count:
                return self._wait(until, stalled=False)
            if room is not None:
                count = min(count, room - self.room)
        if shift.opcode & op.READ:
            count = min(count, self.profile.rx_fifo - len(self._replies))
            if not count:
                return self._wait(until, stalled=True)
            if level is not None:
                count = min(count, level - len(self._replies))
        period = self._clock.byte_time
        count = min(count, int((until - self.time) / period + _SLACK))
        if not count:
            return False  # the byte under way ends after `until`
        self._replies += self._clock_bytes(shift, count, period)
        return True

    def _clock_bytes(self, shift: _Shift, count: int, period: float) -> bytes:
        opcode, pins = shift.opcode, self.pins
        if opcode & op.WRITE:
            mosi = bytes(self._commands[:count])
            del self._commands[:count]
            if opcode & op.LSB_FIRST:
                mosi = mosi.translate(_REVERSED)
            wire = pins.as_sampled(mosi, falling=bool(opcode & op.WRITE_FALLING))
            pins.hold_mosi(bool(mosi[-1] & 1))
        else:
            mosi = wire = pins.idle_bytes(count)
        beat = Beat(self.time, self._clock.hertz, late=bool(opcode & op.READ_FALLING))
        miso = pins.clock_bytes(wire, beat)
        position = shift.total - shift.left
        shift.left -= count
        if not shift.left:
            self._shift = None
        self.counters.clocked += count
        self._spend(count * period)
        if not opcode & op.READ:
            return b""
        if self._loopback:
            miso = mosi
        if opcode & op.LSB_FIRST:
            miso = miso.translate(_REVERSED)
        if self._faults.loses_last_byte and not shift.left and shift.total > 1:
            miso = miso[:-1]
        flaw = self._faults.long_read
        return flaw.apply(miso, position, shift.total) if flaw else miso

    def _shift_bits(self, opcode: int, given: bytes) -> None:
        """Up to eight bits out (from the byte's leading end), in, or both.

        Bits read MSB first end in bit 0 of the answer, LSB first in bit 7.
        """
        count = given[0] % 8 + 1
        if opcode & op.WRITE:
            byte = _REVERSED[given[1]] if opcode & op.LSB_FIRST else given[1]
            bits = [bool(byte << place & 0x80) for place in range(count)]
            seen = bits
            if not opcode & op.WRITE_FALLING and not self.pins.value & SCK:
                seen = [bool(self.pins.idle_bytes(1)[0]), *bits[:-1]]
        else:
            bits = seen = [bool(self.pins.idle_bytes(1)[0])] * count
        miso = self._pulse(seen, want=bool(opcode & op.READ), late=bool(opcode & op.READ_FALLING))
        self.pins.hold_mosi(bits[-1])
        if opcode & op.READ:
            value = 0
            for bit in bits if self._loopback else miso:
                value = value << 1 | bit
            self._replies.append(_REVERSED[value] if opcode & op.LSB_FIRST else value)

    def _pulse(self, bits: list[bool], *, want: bool = False, late: bool = False) -> list[bool]:
        seen = self.pins.clock_bits(bits, Beat(self.time, self._clock.hertz, late), want=want)
        self._spend(len(bits) / self._clock.hertz)
        return seen
