"""An SPI NAND chip, as it appears to a program that takes it for NOR flash.

It answers 9Fh as its manufacturer specifies and knows no other command of a NOR flash (W25N01GV,
MX35LF1GE4AB, GD5F1GQ4 data sheets, from memory): everything else leaves the line floating. The
contents of its array are out of reach without loading a page first (13h), so that there are none.
"""

from __future__ import annotations

from hwmocks.wire import Beat

FLOATING = 0xFF


class NandChip:
    """Implements `hwmocks.wire.SpiDevice`.

    `id` comes after 9Fh and `dummies` further bytes: none, or one that is a dummy or an address,
    depending on the maker; it is repeated. `dummy_reads` is what the line reads as in between.
    """

    def __init__(self, id: bytes, dummies: int = 1, *, dummy_reads: int = FLOATING) -> None:
        self.id = id
        self.dummies = dummies
        self.dummy_reads = dummy_reads
        self._selected = False
        self._sent = bytearray()

    def select(self, now: float) -> None:
        """Chip select falls."""
        self._selected = True
        self._sent.clear()

    def deselect(self, now: float) -> None:
        """Chip select rises."""
        self._selected = False

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways."""
        if not self._selected:
            return bytes([FLOATING]) * len(mosi)
        answer = bytearray()
        for byte in mosi:
            place = len(self._sent) - 1 - self.dummies
            known = len(self._sent) > 0 and self._sent[0] == 0x9F
            if not known:
                answer.append(FLOATING)
            elif place < 0:
                answer.append(self.dummy_reads)
            else:
                answer.append(self.id[place % len(self.id)])
            self._sent.append(byte)
        return bytes(answer)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        """A side wire changes; nothing here depends on one."""
