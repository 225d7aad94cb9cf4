"""Amounts, addresses, clocks and times in words: the same everywhere."""

from __future__ import annotations

from spiflash.dump.wording import counted

__all__ = ["address", "amount", "clock", "counted", "hex_pairs", "seconds", "span"]

_UNITS = (("GiB", 1 << 30), ("MiB", 1 << 20), ("KiB", 1 << 10))


def amount(count: int) -> str:
    """A number of bytes, in the largest unit that divides it."""
    for name, unit in _UNITS:
        if count and count % unit == 0:
            return f"{count // unit:,} {name}"
    return counted(count, "byte")


def address(value: int, size: int = 0) -> str:
    """An address in hexadecimal, as wide as the last one of a chip of `size` bytes and never
    narrower than three bytes."""
    return f"{value:0{max(6, len(f'{size - 1:X}'))}X}h"


def span(start: int, end: int, size: int = 0) -> str:
    """A range of addresses, its last byte included; `size` as of `address`."""
    return f"{address(start, size)}–{address(end - 1, size)}"


def clock(hertz: float) -> str:
    """A clock in MHz or kHz."""
    if hertz >= 1e6:
        return f"{hertz / 1e6:.4g} MHz"
    return f"{hertz / 1e3:.4g} kHz"


def seconds(value: float) -> str:
    """A duration: milliseconds, seconds, or minutes and seconds."""
    if value < 1:
        return f"{value * 1e3:.0f} ms"
    if value < 100:
        return f"{value:.1f} s"
    return f"{int(value) // 60} min {int(value) % 60:02d} s"


def hex_pairs(data: bytes) -> str:
    """Bytes as an ID is printed: pairs of digits, upper case."""
    return data.hex(" ").upper()
