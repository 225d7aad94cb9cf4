"""A whole USB bridge: its channels, its control requests, and its cable.

Control requests from AN_135 and the D2XX guide, from memory.
"""

from __future__ import annotations

import errno
from collections.abc import Mapping

import usb.core

from hwmocks.clock import VirtualClock
from hwmocks.ftdi import descriptors
from hwmocks.ftdi.channel import HOST_COST, Channel
from hwmocks.ftdi.faults import UsbFaults
from hwmocks.ftdi.fifos import Mode
from hwmocks.ftdi.pins import DEFAULT_WIRING, PinPort
from hwmocks.ftdi.profile import AdapterProfile
from hwmocks.wire import SpiDevice

_VENDOR_OUT, _VENDOR_IN, _STANDARD_IN = 0x40, 0xC0, 0x80
_GET_DESCRIPTOR, _DEVICE, _CONFIGURATION, _STRING = 0x06, 1, 2, 3

_RESET, _MODEM_CONTROL, _FLOW_CONTROL, _BAUD, _LINE = 0x00, 0x01, 0x02, 0x03, 0x04
_MODEM_STATUS, _EVENT_CHAR, _ERROR_CHAR = 0x05, 0x06, 0x07
_SET_LATENCY, _GET_LATENCY, _SET_BITMODE, _READ_PINS, _READ_EEPROM = 0x09, 0x0A, 0x0B, 0x0C, 0x90
#: Serial port settings, without effect on an MPSSE.
_IGNORED = (_MODEM_CONTROL, _FLOW_CONTROL, _BAUD, _LINE, _EVENT_CHAR, _ERROR_CHAR)

_RESET_ALL, _PURGE_FROM_HOST, _PURGE_TO_HOST = 0, 1, 2
_BLANK_EEPROM = b"\xff\xff"


class FtdiDevice:
    """A simulated bridge. Interfaces are numbered from 1, as on the data sheets A, B, C, D."""

    def __init__(
        self,
        profile: AdapterProfile,
        clock: VirtualClock,
        chips: Mapping[int, SpiDevice] | None = None,
        *,
        serial: str = "",
        product: str | None = None,
        manufacturer: str = "FTDI",
        wiring: Mapping[int, str] = DEFAULT_WIRING,
        faults: UsbFaults | None = None,
        bus: int = 1,
        address: int = 1,
    ) -> None:
        """`chips` maps interface numbers to which chip is on the clip there; `wiring` maps pin
        numbers (0–7 xDBUS, 8–15 xCBUS) to side wires, on every channel that has a chip."""
        self.profile = profile
        self.clock = clock
        self.serial = serial
        self.product = profile.name if product is None else product
        self.manufacturer = manufacturer
        self.faults = faults or UsbFaults()
        self.bus = bus
        self.address = address
        self.transfers = 0
        self.plugged = True
        self.plugging = 0  # how often it was unplugged: older handles are dead
        self.accessible = True
        """Whether this user may open the device file."""
        self.driven_by_kernel: set[int] = set()
        """Interfaces (from 0) that the kernel's serial driver has."""
        wired = chips or {}
        self.channels: dict[int, Channel] = {
            number: Channel(
                profile,
                clock,
                PinPort(wired.get(number), wiring, profile.port_bits),
                self.faults,
            )
            for number in range(1, profile.interfaces + 1)
        }
        self._bind()

    # -- the cable -------------------------------------------------------------------------

    def settle(self) -> None:
        """Let all engines carry out what is due by now."""
        for channel in self.channels.values():
            channel.settle()

    def _bind(self) -> None:
        # Linux binds ftdi_sio to every interface of a device that is plugged in.
        self.driven_by_kernel = set(range(self.profile.interfaces))

    def unplug(self) -> None:
        """Pull the cable now: the engines stop and all pins float."""
        if not self.plugged:
            return
        for channel in self.channels.values():
            channel.engine.unplug(self.clock.now())
        self.plugged = False
        self.plugging += 1

    def replug(self) -> None:
        """Plug it in again; the host gives it a new address, as hosts do."""
        self.plugged = True
        self.address += 1
        self._bind()
        for channel in self.channels.values():
            channel.pins.serial = True

    def _require_plugged(self) -> None:
        if not self.plugged:
            raise usb.core.USBError(
                "No such device (it may have been disconnected)", -4, errno.ENODEV
            )

    def _count(self) -> int:
        """Begin a bulk transfer: count it and let the faults of that number happen."""
        self._require_plugged()
        self.transfers += 1
        if self.faults.on_transfer is not None:
            self.settle()
            self.faults.on_transfer(self.transfers)
        if self.faults.unplug_at is not None and self.transfers >= self.faults.unplug_at:
            self.faults.unplug_at = None
            self.unplug()
        self._require_plugged()
        return self.transfers

    # -- requests --------------------------------------------------------------------------

    def bulk_write(self, interface: int, data: bytes, timeout: int) -> int:
        """See `Channel.write`; also raises USBError (ENODEV) once unplugged."""
        number = self._count()
        if number in self.faults.write_timeouts:
            self.clock.advance(timeout / 1000)
            raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
        return self.channels[interface].write(data, timeout)

    def bulk_read(self, interface: int, size: int, timeout: int) -> bytes:
        """See `Channel.read`; also raises USBError (ENODEV) once unplugged."""
        self._count()
        return self.channels[interface].read(size, timeout)

    def offer(self, interface: int, data: bytes, *, begin: bool) -> int:
        """See `Channel.offer`; with `begin` it counts as a new transfer."""
        if begin:
            self._count()
            self.channels[interface].counters.bulk_writes += 1
        self._require_plugged()
        return self.channels[interface].offer(data)

    def poll(self, interface: int, size: int, *, begin: bool) -> tuple[bytes, bool]:
        """See `Channel.poll`; with `begin` it counts as a new transfer."""
        if begin:
            self._count()
            self.channels[interface].counters.bulk_reads += 1
        self._require_plugged()
        return self.channels[interface].poll(size)

    def control(self, kind: int, request: int, value: int, index: int, length: int) -> bytes:
        """A control transfer; the data stage of IN requests, at most `length` bytes.

        Raises USBError: ENODEV once unplugged, EPIPE for a request the device stalls on.
        """
        self._require_plugged()
        # Setup, data and status stage take a (micro)frame each.
        self.clock.advance(HOST_COST + 3 * self.profile.frame)
        if kind == _STANDARD_IN and request == _GET_DESCRIPTOR:
            return self._descriptor(value >> 8, value & 0xFF)[:length]
        if kind == _VENDOR_IN and request == _READ_EEPROM:
            return _BLANK_EEPROM[:length]  # the index is an address here, not a channel
        channel = self.channels.get(max(1, index & 0xFF))
        if channel is None:
            raise _stall()
        channel.counters.controls += 1
        channel.settle()
        if kind == _VENDOR_IN:
            return self._read_request(channel, request)[:length]
        if kind == _VENDOR_OUT:
            self._write_request(channel, index & 0xFF, request, value)
            return b""
        raise _stall()

    def _descriptor(self, kind: int, index: int) -> bytes:
        if kind == _DEVICE:
            return descriptors.device_bytes(self.profile, self.serial)
        if kind == _CONFIGURATION and not index:
            return descriptors.configuration_bytes(self.profile)
        if kind == _STRING:
            return self._string(index)
        raise _stall()

    def _string(self, index: int) -> bytes:
        texts = {
            0: None,
            descriptors.MANUFACTURER: self.manufacturer,
            descriptors.PRODUCT: self.product,
            descriptors.SERIAL: self.serial,
        }
        if index not in texts:
            raise _stall()
        return descriptors.string(texts[index])

    def _read_request(self, channel: Channel, request: int) -> bytes:
        if request == _MODEM_STATUS:
            return bytes((self.profile.status_head, channel.engine.line_status))
        if request == _GET_LATENCY:
            return bytes((round(channel.latency * 1000),))
        if request == _READ_PINS:
            return bytes((channel.pins.read() & 0xFF,))
        raise _stall()

    def _write_request(self, channel: Channel, index: int, request: int, value: int) -> None:
        engine = channel.engine
        if request == _RESET:
            if value in (_RESET_ALL, _PURGE_FROM_HOST):
                engine.drop_commands()
            if value in (_RESET_ALL, _PURGE_TO_HOST):
                engine.drop_replies()
        elif request == _SET_LATENCY:
            channel.latency = max(1, value & 0xFF) / 1000
        elif request == _SET_BITMODE:
            try:
                mode = Mode(value >> 8)
            except ValueError:
                raise _stall() from None
            if mode is Mode.MPSSE and max(1, index) not in self.profile.mpsse:
                raise _stall()
            engine.switch(mode, self.clock.now(), value & 0xFF)
        elif request not in _IGNORED:
            raise _stall()


def _stall() -> usb.core.USBError:
    return usb.core.USBError("Pipe error", -9, errno.EPIPE)
