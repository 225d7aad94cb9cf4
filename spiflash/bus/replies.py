"""Replies of several bursts in flight, handed out batch by batch."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

from spiflash.bus import mpsse
from spiflash.bus.transaction import Transaction
from spiflash.errors import BusError


class Replies:
    """Replies in the order of their bursts: under way, or fetched and not handed out yet."""

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
                    f"The adapter has sent {len(self._fetched)} of {size} bytes and owes no more.",
                    state="What was under way may be half done.",
                    remedy="Unplug the adapter, plug it in again, and repeat.",
                )
            self.fetch(leave=self._under_way - 1)
        taken = bytes(self._fetched[:size])
        del self._fetched[:size]
        return transactions, taken
