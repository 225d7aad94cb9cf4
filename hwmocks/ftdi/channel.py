"""One USB interface of a bridge: bulk packets on one side, an MPSSE engine on the other.

The host calls block, as pyusb's do: a call moves the virtual clock to the moment it returns.
A transfer starts at the next (micro)frame and is reported at a (micro)frame boundary.
"""

from __future__ import annotations

import errno
import math

import usb.core

from hwmocks.clock import VirtualClock
from hwmocks.ftdi.counters import Counters
from hwmocks.ftdi.engine import MpsseEngine
from hwmocks.ftdi.faults import UsbFaults
from hwmocks.ftdi.pins import PinPort
from hwmocks.ftdi.profile import AdapterProfile

#: Seconds between a program's USB call and the request in the controller's schedule (common
#: practice on desktop machines, no source).
HOST_COST = 30e-6

_STATUS = 2  # status bytes at the head of every packet to the host
_DEFAULT_LATENCY = 16e-3
_FOREVER = 3600.0  # what "no time-out" means here, so that a stuck test ends


class Channel:
    """FIFOs, packets, latency timer and time-outs of one interface."""

    def __init__(
        self, profile: AdapterProfile, clock: VirtualClock, pins: PinPort, faults: UsbFaults
    ) -> None:
        self.profile = profile
        self.pins = pins
        self.counters = Counters()
        self.engine = MpsseEngine(profile, pins, self.counters, faults)
        self.latency = _DEFAULT_LATENCY
        self._clock = clock
        self._faults = faults
        self._last_packet = 0.0

    # -- time ----------------------------------------------------------------------------

    def _frame_after(self, moment: float) -> float:
        frame = self.profile.frame
        return math.ceil(moment / frame - 1e-6) * frame

    def _begin(self, timeout: int) -> tuple[float, float]:
        """When a request issued now starts moving, and when it is given up."""
        now = self._clock.now()
        start = self._frame_after(now + HOST_COST)
        self.engine.advance(start)
        return start, now + (timeout / 1000 if timeout else _FOREVER)

    def _end(self, moment: float) -> None:
        self._clock.advance_to(self._frame_after(moment))

    def _give_up(self, deadline: float, moved: int) -> None:
        """The time is over; like libusb, raise an error only if nothing was moved."""
        self._clock.advance_to(deadline)
        if not moved:
            raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)

    def settle(self) -> None:
        """Let the engine carry out what is due by now."""
        self.engine.advance(self._clock.now())

    # -- bulk transfers --------------------------------------------------------------------

    def write(self, data: bytes, timeout: int) -> int:
        """A bulk write; the number of bytes accepted, less than all after a time-out.

        `timeout` in milliseconds, 0 for none. Raises USBTimeoutError when nothing was taken.
        """
        self.counters.bulk_writes += 1
        moment, deadline = self._begin(timeout)
        engine, packet = self.engine, self.profile.packet
        done = 0
        while done < len(data):
            piece = data[done : done + packet]
            if engine.room < len(piece):
                engine.advance(deadline, room=len(piece))
                if engine.room < len(piece):
                    self._give_up(deadline, done)
                    break
                moment = max(moment, engine.time)
            engine.push(piece)
            done += len(piece)
            moment += len(piece) / self.profile.throughput
            engine.advance(moment)
        self.counters.bytes_out += done
        self._end(moment)
        return done

    def read(self, size: int, timeout: int) -> bytes:
        """A bulk read of at most `size` bytes, status bytes included; ends at a short packet.

        `timeout` in milliseconds, 0 for none. Raises USBTimeoutError when no packet came, and
        USBError (EOVERFLOW) when a packet does not fit into what is left of `size`.
        """
        self.counters.bulk_reads += 1
        moment, deadline = self._begin(timeout)
        engine, packet = self.engine, self.profile.packet
        payload = packet - _STATUS
        packets: list[bytes] = []
        got = 0
        while got < size:
            engine.advance(moment)
            if engine.level < payload and not engine.flushing:
                run = self._run_of_packets((size - got) // packet, deadline)
                if run:
                    packets.append(run)
                    got += len(run)
                    moment = max(moment, engine.time)
                    self._last_packet = moment
                    moment += packet / self.profile.throughput
                    continue
                latency = self.latency * self._faults.latency_factor
                expiry = max(moment, self._last_packet + latency)
                engine.advance(min(expiry, deadline), level=payload)
                if engine.level >= payload or engine.flushing:
                    moment = max(moment, engine.time)
                elif expiry > deadline:
                    self._give_up(deadline, got)
                    break
                else:
                    moment = expiry
            data = engine.take(payload)
            if got + _STATUS + len(data) > size:
                raise usb.core.USBError("Overflow", -8, errno.EOVERFLOW)
            packets.append(self._status() + data)
            got += _STATUS + len(data)
            self.counters.bytes_in += len(data)
            self._last_packet = moment
            moment += (_STATUS + len(data)) / self.profile.throughput
            if len(data) < payload:
                break
        self._end(moment)
        return b"".join(packets)

    # -- the same, a step at a time, for a host that does not block -------------------------------

    def offer(self, data: bytes) -> int:
        """Take as many whole packets of `data` as there is room for now; the number of bytes."""
        engine, packet = self.engine, self.profile.packet
        engine.advance(self._clock.now())
        done = 0
        while done < len(data) and engine.room >= len(data[done : done + packet]):
            engine.push(data[done : done + packet])
            done += len(data[done : done + packet])
            engine.advance(self._clock.now())
        self.counters.bytes_out += done
        return done

    def poll(self, size: int) -> tuple[bytes, bool]:
        """The packets that have left by now for a read of at most `size` bytes, and whether they
        end it: a short packet, or as much as was asked for.

        Raises USBError (EOVERFLOW) when a packet does not fit into `size`.
        """
        now = self._clock.now()
        engine, payload = self.engine, self.profile.packet - _STATUS
        engine.advance(now)
        parts = b""
        while len(parts) < size:
            full = engine.level >= payload
            latency = self.latency * self._faults.latency_factor
            if not full and not engine.flushing and now < self._last_packet + latency:
                return parts, False
            data = engine.take(payload)
            if len(parts) + _STATUS + len(data) > size:
                raise usb.core.USBError("Overflow", -8, errno.EOVERFLOW)
            parts += self._status() + data
            self.counters.bytes_in += len(data)
            self._last_packet = now
            if not full:
                return parts, True
        return parts, True

    def _status(self) -> bytes:
        return bytes((self.profile.status_head, self.engine.line_status))

    def _run_of_packets(self, most: int, deadline: float) -> bytes:
        """Several full packets at once, for the stretch of a long read in which every packet
        leaves as soon as it is full; b"" when there is no such stretch.

        Gives the same bytes and times as one packet after the other, in fewer steps; the cable
        is always faster than an engine, so that no packet has to wait for the one before.
        """
        engine, payload = self.engine, self.profile.packet - _STATUS
        waiting = engine.level
        available, period = engine.burst(most * payload - waiting)
        count = (waiting + available) // payload
        if count < 2 or payload * period > self.latency:
            return b""
        needed = count * payload - waiting
        if engine.time + needed * period > deadline:
            return b""
        before = self._status()
        data = engine.take(waiting) + engine.run_burst(needed)
        self.counters.bytes_in += len(data)
        last = bytes((before[0], engine.line_status))
        heads = [before] * (count - 1) + [last]
        return b"".join(
            part
            for at, head in enumerate(heads)
            for part in (head, data[at * payload : (at + 1) * payload])
        )
