"""The pins of one channel and what hangs on them.

Pins 0 to 7 are xDBUS, 8 to 15 xCBUS: 0 SCK, 1 MOSI, 2 MISO, 3 chip select (AN_108, from
memory). Every pin has a weak pull-up, so an undriven one reads high.

A bridge that was not switched to another mode is a serial port, and drives its pins as one:
0 TXD, 2 RTS# and 4 DTR# are outputs, high while the port is idle (FT232H, FT2232H and FT2232D data
sheets, from memory). To what is clipped on, that is SCK and MISO driven high.
"""

from __future__ import annotations

from collections.abc import Mapping

from hwmocks.wire import Beat, SpiDevice

SCK, MOSI, MISO, CS = (1 << pin for pin in range(4))
_MASTER = SCK | MOSI | CS
_SERIAL = 0x15  # TXD, RTS#, DTR#

#: Side wires as they are usually clipped on.
DEFAULT_WIRING: Mapping[int, str] = {4: "WP#", 5: "HOLD#", 6: "RESET#"}


class PinPort:
    """Up to 16 pins, wired to at most one SPI device."""

    def __init__(
        self,
        chip: SpiDevice | None,
        wiring: Mapping[int, str] = DEFAULT_WIRING,
        width: int = 16,
    ) -> None:
        """`wiring` maps pin numbers to the side wires of `SpiDevice.level`."""
        self.chip = chip
        self.value = 0
        self.direction = 0
        self.open_drain = 0
        self.serial = True
        """The pins belong to the serial port, as after plugging in."""
        self.serial_spells = 0
        """How often the serial port has taken them back: the chip on the clip sees that."""
        self._mask = (1 << width) - 1
        self._wiring = {pin: name for pin, name in wiring.items() if pin < width}
        self._wired = sum(1 << pin for pin in self._wiring)
        self._levels: dict[int, bool | None] = dict.fromkeys(self._wiring)
        self._selected = False
        self._bits = 0  # clock pulses since the last whole byte
        self._out = 0  # MOSI bits of the byte under way
        self._in: int | None = None  # MISO of that byte, once it was asked for

    def level(self, pin: int) -> bool | None:
        """What this pin drives: high, low, or None for not at all."""
        bit = 1 << pin
        if self.serial:
            return True if _SERIAL & bit else None
        if not self.direction & bit:
            return None
        high = bool(self.value & bit)
        return None if high and self.open_drain & bit else high

    @property
    def driven(self) -> int:
        """The pins that the bridge drives now, one bit each."""
        return _SERIAL if self.serial else self.direction

    def read(self) -> int:
        """The levels of all pins: outputs as driven, the others pulled up."""
        return (self.value | ~self.direction) & self._mask

    def drive(self, value: int, direction: int, now: float) -> None:
        """Set all pins at once and pass the edges to the device."""
        before = self.value & self.direction
        changed = (value ^ self.value) | (direction ^ self.direction)
        self.value, self.direction = value & self._mask, direction & self._mask
        if changed & self._wired:
            self._tell_side_wires(now)
        selected = bool(self.direction & CS) and not self.value & CS
        if selected != self._selected:
            self._selected = selected
            self._bits = 0
            if self.chip is not None:
                (self.chip.select if selected else self.chip.deselect)(now)
        elif selected and self.value & self.direction & SCK and not before & SCK:
            # A clock pulse made by setting the pin counts like any other.
            self.clock_bits([bool(self.value & MOSI)], Beat(now, 1e6), want=False)

    def drain(self, pins: int, now: float) -> None:
        """From now on these pins only pull low; the pull-ups make them high."""
        self.open_drain = pins
        self._tell_side_wires(now)

    def _tell_side_wires(self, now: float) -> None:
        for pin, name in self._wiring.items():
            level = self.level(pin)
            if level != self._levels[pin]:
                self._levels[pin] = level
                if self.chip is not None:
                    self.chip.level(name, level, now)

    def release(self, now: float) -> None:
        """All pins become inputs."""
        self.open_drain = 0
        self.serial = False
        self.drive(0, 0, now)
        self._tell_side_wires(now)

    def to_serial_port(self, now: float) -> None:
        """The serial port takes the pins back."""
        self.release(now)
        self.serial_spells += 1
        self.serial = True
        self._tell_side_wires(now)

    def hold_mosi(self, high: bool) -> None:
        """MOSI keeps the last bit that was shifted out."""
        self.value = self.value | MOSI if high else self.value & ~MOSI

    def idle_bytes(self, count: int) -> bytes:
        """`count` bytes as MOSI shows them while nothing is shifted out."""
        return b"\xff" * count if self.value & MOSI else bytes(count)

    def as_sampled(self, mosi: bytes, *, falling: bool) -> bytes:
        """What a device that samples on the rising edge sees of `mosi`.

        Data that changes on the rising edge while the clock idles low is seen one bit late.
        """
        if falling or self.value & SCK:
            return mosi
        bits = int.from_bytes(self.idle_bytes(1) + mosi, "big") >> 1
        return bits.to_bytes(len(mosi) + 1, "big")[1:]

    def clock_bytes(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock whole bytes, MSB first; what MISO shows."""
        if self._bits:
            bits = [bool(byte >> shift & 1) for byte in mosi for shift in range(7, -1, -1)]
            seen = 0
            for bit in self.clock_bits(bits, beat, want=True):
                seen = seen << 1 | bit
            return seen.to_bytes(len(mosi), "big")
        return self._miso(mosi, beat)

    def clock_bits(self, mosi: list[bool], beat: Beat, *, want: bool) -> list[bool]:
        """Clock single bits; what MISO shows, when wanted.

        A device takes whole bytes. When the answer is wanted before its byte is complete, the
        missing MOSI bits are taken to stay as they are; a byte that chip select cuts short
        and whose answer was not wanted never reaches the device.
        """
        seen = []
        for bit in mosi:
            if self._bits == 0:
                self._out, self._in = 0, None
            self._out = self._out << 1 | bit
            self._bits += 1
            left = 8 - self._bits
            if self._in is None and (want or not left):
                padded = self._out << left | (((1 << left) - 1) if bit else 0)
                self._in = self._miso(bytes((padded,)), beat)[0]
            if want and self._in is not None:
                seen.append(bool(self._in >> left & 1))
            self._bits %= 8
        return seen

    def _miso(self, mosi: bytes, beat: Beat) -> bytes:
        count = len(mosi)
        seen = b"\xff" * count
        if self.chip is not None and self.direction & _MASTER == _MASTER:
            seen = self.chip.transfer(mosi, beat)
        if self.direction & MISO:
            # If MISO is an output, the bridge reads back its own level.
            return (b"\xff" if self.value & MISO else b"\x00") * count
        return seen
