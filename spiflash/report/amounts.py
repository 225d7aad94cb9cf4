"""Sizes, clocks, times and addresses in words: the same everywhere."""

from __future__ import annotations

_UNITS = (("GiB", 1 << 30), ("MiB", 1 << 20), ("KiB", 1 << 10))


def size(count: int) -> str:
    """Bytes in the largest unit that divides them, else in bytes."""
    for name, unit in _UNITS:
        if count >= unit and count % unit == 0:
            return f"{count // unit} {name}"
    return f"{count} bytes" if count != 1 else "1 byte"


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


def span(start: int, end: int) -> str:
    """A range of addresses, its last byte included."""
    return f"{start:06X}h–{end - 1:06X}h"


def counted(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun."""
    return f"{number} {one if number == 1 else many or one + 's'}"
