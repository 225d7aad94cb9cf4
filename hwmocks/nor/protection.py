"""Which bytes the block protection bits cover, one function per family of data sheet tables.

All tables from memory of the data sheets named at each function; ranges are half-open byte
addresses.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from hwmocks.nor.cells import SECTOR
from hwmocks.nor.description import Protection

BLOCK = 64 * 1024
Ranges = tuple[tuple[int, int], ...]


def protected(scheme: Protection, size: int, bp: int, *, tb: bool, sec: bool, cmp: bool) -> Ranges:
    """The protected ranges, in address order; empty when nothing is protected."""
    if scheme is Protection.NONE:
        return ()
    start, end = _SCHEMES[scheme](size, bp, tb, sec)
    if cmp:
        inverted = ((0, start), (end, size)) if start < end else ((0, size),)
        return tuple(piece for piece in inverted if piece[0] < piece[1])
    return ((start, end),) if start < end else ()


def _edge(size: int, length: int, bottom: bool) -> tuple[int, int]:
    """`length` bytes at the bottom or the top of the array."""
    length = min(length, size)
    return (0, length) if bottom else (size - length, size)


def _fraction(size: int, bp: int, tb: bool, sec: bool) -> tuple[int, int]:
    """W25Q64JV, GD25Q64C: BP 1…7 cover 1/64, 1/32 … all; smaller parts start at one block."""
    if bp == 0:
        return (0, 0)
    if bp == 7:
        return (0, size)
    if sec:
        return _edge(size, SECTOR << min(bp - 1, 3), tb)
    return _edge(size, max(size // 64, BLOCK) << (bp - 1), tb)


def _doubling(size: int, bp: int, tb: bool, _sec: bool) -> tuple[int, int]:
    """W25Q256JV, MX25L12835F, IS25LP128, N25Q128A: 64 KiB, doubling with each BP value."""
    return _edge(size, BLOCK << (bp - 1), tb) if bp else (0, 0)


def _mirrored(size: int, bp: int, _tb: bool, _sec: bool) -> tuple[int, int]:
    """MX25L6406E: 0001–0110 double from two blocks at the top (1/64 of the chip), 0111 and
    1000 cover all; 1001–1110 leave exactly the top range that 1111 minus the value names."""
    if bp == 0:
        return (0, 0)
    if bp in (7, 8, 15):
        return (0, size)
    if bp < 7:
        return _edge(size, (size // 64) << (bp - 1), False)
    return (0, size - ((size // 64) << (14 - bp)))


def _eon(size: int, bp: int, _tb: bool, _sec: bool) -> tuple[int, int]:
    """EN25QH64: BP2–0 double from one block, 111 covers all; BP3 counts from the bottom."""
    count = bp & 7
    if count == 0:
        return (0, 0)
    if count == 7:
        return (0, size)
    return _edge(size, BLOCK << (count - 1), bool(bp & 8))


_SCHEMES: Mapping[Protection, Callable[[int, int, bool, bool], tuple[int, int]]] = {
    Protection.FRACTION: _fraction,
    Protection.DOUBLING: _doubling,
    Protection.MIRRORED: _mirrored,
    Protection.EON: _eon,
}
