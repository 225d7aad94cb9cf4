"""The two FIFOs of a channel, and what its mode makes of them.

They belong to the channel and not to the engine: a change of mode does not empty them, only a
purge does. What is left in them when the engine is switched on is carried out.
"""

from __future__ import annotations

import enum

from hwmocks.ftdi.profile import AdapterProfile


class Mode(enum.Enum):
    """What the channel is: the modes of the "set bit mode" request that are modelled."""

    SERIAL = 0x00
    BIT_BANG = 0x01
    MPSSE = 0x02


class Fifos:
    """Bytes on their way from the host, and back to it."""

    def __init__(self, profile: AdapterProfile) -> None:
        self.profile = profile
        self.mode = Mode.SERIAL
        self._commands = bytearray()
        self._replies = bytearray()
        self._flush = 0

    @property
    def room(self) -> int:
        """Bytes that the command FIFO still takes."""
        return self.profile.tx_fifo - len(self._commands)

    @property
    def level(self) -> int:
        """Bytes waiting in the reply FIFO."""
        return len(self._replies)

    @property
    def flushing(self) -> bool:
        """A "send now" covers replies that are still waiting."""
        return self._flush > 0

    def push(self, data: bytes) -> None:
        """Bytes arrive from the host; the caller has let the engine advance to that moment."""
        if self.mode is Mode.SERIAL:
            return  # a serial port without a cable: the bytes leave and are lost
        self._commands += data

    def take(self, count: int) -> bytes:
        """Remove `count` bytes from the reply FIFO."""
        data = bytes(self._replies[:count])
        del self._replies[:count]
        self._flush = max(0, self._flush - count)
        return data

    def drop_commands(self) -> None:
        """Purge what the host sent; a command in progress continues."""
        self._commands.clear()

    def drop_replies(self) -> None:
        """Purge what the host has not fetched."""
        self._replies.clear()
        self._flush = 0
