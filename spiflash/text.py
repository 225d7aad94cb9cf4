"""Text for people: amounts, addresses and times in one form, and text from elsewhere made safe.

Strings that come from a dump are hostile: they may hold terminal escape sequences, direction marks
or a megabyte of anything. Everything shown goes through `clean` or `readable` first. The secrets in
a dump are the business of `dump/secrets.py`.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from datetime import datetime

_UNITS = (("GiB", 1 << 30), ("MiB", 1 << 20), ("KiB", 1 << 10))
_RANGES_SHOWN = 12
_HEXADECIMAL = re.compile(r"0[xX]([0-9a-fA-F]{1,12})|([0-9a-fA-F]{1,12})[hH]")
_DECIMAL = re.compile(r"([0-9]{1,12}|[0-9]{1,3}(?:,[0-9]{3}){1,3}) ?([kKmM]?)(?:i?B)?(?: ?bytes?)?")
_SPAN = re.compile(r"(0[xX][0-9a-fA-F]+|[0-9a-fA-F]+[hH])[–-](0[xX][0-9a-fA-F]+|[0-9a-fA-F]+[hH])")
_READABLE_LIMIT = 1000
_SPELLED = {
    byte: f"\\x{byte:02x}" for byte in range(256) if not 0x20 <= byte <= 0x7E or byte == 0x5C
}
"""How bytes are spelled that are not printable, and the backslash."""


def counted(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun: "1 node", "2 nodes", "2 passes" where `many` says so."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def amount(count: int) -> str:
    """A number of bytes, in the largest unit that divides it."""
    for name, unit in _UNITS:
        if count and count % unit == 0:
            return f"{count // unit:,} {name}"
    return counted(count, "byte")


def rounded(count: float) -> str:
    """A number of bytes to about three digits: 977 KiB, 8 MiB, 73.2 MiB."""
    for name, unit in _UNITS:
        if count >= unit:
            digits = 0 if count >= 100 * unit else 1
            return f"{count / unit:.{digits}f}".removesuffix(".0") + f" {name}"
    return counted(round(count), "byte")


def address(value: int, size: int = 0) -> str:
    """An address in hexadecimal, as wide as the last one of a chip of `size` bytes and never
    narrower than three bytes."""
    return f"{value:0{max(6, len(f'{size - 1:X}'))}X}h"


def span(start: int, end: int, size: int = 0) -> str:
    """A range of addresses, its last byte included; `size` as of `address`."""
    return f"{address(start, size)}–{address(end - 1, size)}"


def ranges_text(ranges: Sequence[tuple[int, int]], most: int = _RANGES_SHOWN) -> str:
    """Ranges (start, end) of addresses; after the first `most` only how many more."""
    shown = ", ".join(span(low, high) for low, high in ranges[:most])
    left = len(ranges) - most
    return shown + (f" and {left} more" if left > 0 else "")


def number_of(text: str) -> int | None:
    """The address or number of bytes that a person typed, in any form that is printed here:
    40000h, 0x40000, 262144, 256K or "256 KiB"; None for anything else."""
    text = text.strip()
    if found := _HEXADECIMAL.fullmatch(text):
        return int(found[1] or found[2], 16)
    if found := _DECIMAL.fullmatch(text):
        return int(found[1].replace(",", "")) << {"": 0, "k": 10, "m": 20}[found[2].lower()]
    return None


def span_of(text: str) -> tuple[int, int] | None:
    """The (start, end) that a person typed: 0x40000+0x1000 (start and length), or as `span` prints
    it, 040000h–040FFFh; None for anything else."""
    first, plus, length = text.strip().partition("+")
    if plus:
        start, count = number_of(first), number_of(length)
        if start is None or count is None or not _HEXADECIMAL.fullmatch(first):
            return None
        return start, start + count
    found = _SPAN.fullmatch(text.strip())
    if found is None:
        return None
    low, high = number_of(found[1]), number_of(found[2])
    return (low, high + 1) if low is not None and high is not None and low <= high else None


def range_given(start: int, end: int) -> str:
    """A range as an option takes it: 040000h+10000h, its start and its length."""
    return f"{address(start)}+{end - start:X}h"


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


def decimal(value: float) -> str:
    """A small number without an exponent, to one significant digit: 0.0000003."""
    if value < 1e-12:
        return "0" if value <= 0 else "less than 0.000000000001"
    return f"{value:.{max(0, -math.floor(math.log10(value)))}f}"


def moment(value: datetime) -> str:
    """A time of day with its UTC offset, to the second: 2026-11-25 10:15:00 +00:00."""
    return f"{value:%Y-%m-%d %H:%M:%S} {value.isoformat()[-6:]}"


def hex_pairs(data: bytes) -> str:
    """Bytes as an ID is printed: pairs of digits, upper case."""
    return data.hex(" ").upper()


def readable(raw: bytes, limit: int = _READABLE_LIMIT) -> str:
    r"""`raw` as printable ASCII with \xNN for everything else, cut after `limit` bytes."""
    text = raw[:limit].decode("latin-1").translate(_SPELLED)
    return text + "…" if len(raw) > limit else text


def printable(text: str) -> str:
    """`text` with “·” for what a terminal could act on; names in a damaged file are untrusted."""
    return "".join(character if character.isprintable() else "·" for character in text)


def clean(text: str, limit: int = 300) -> str:
    """`text` on one line, cut to `limit` characters; what cannot be seen becomes “·”."""
    shown = "".join(_shown(character) for character in text[:limit])
    return shown + "…" if len(text) > limit else shown


def _shown(character: str) -> str:
    category = unicodedata.category(character)
    if category == "Zs" or character in "\t\n":
        return " "
    # M*: marks that pile up on their neighbours. Not printable: controls, direction marks,
    # line separators, surrogates, private and unassigned characters.
    return "·" if category[0] == "M" or not character.isprintable() else character
