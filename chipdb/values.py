"""Single values of a table file: from what TOML gives to what a `Part` holds.

Each reader takes the raw value and its path and raises `FlawError` for anything it does not accept.
Sizes are written "8 MiB", IDs "EF 40 17", times [typical, maximum]: readable first.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable, Mapping

from chipdb.errors import FlawError
from chipdb.part import Duration, SecurityRegisters, Source, UniqueId
from spiflash.toml_text import KeyPath

_SIZE = re.compile(r"([1-9][0-9]{0,9}) (B|KiB|MiB)")
_UNIT = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20}
_HEX = re.compile(r"[0-9A-F]{2}( [0-9A-F]{2})*")
_SOURCE = re.compile(r"(data-sheet|memory|open-table): (\S.*)")

Reader = Callable[[object, KeyPath], object]


def text(raw: object, path: KeyPath) -> str:
    if not isinstance(raw, str) or not raw.strip() or not raw.isprintable():
        raise FlawError(path, "expected a text in quotes, of printable characters")
    return raw


def texts(raw: object, path: KeyPath) -> tuple[str, ...]:
    return tuple(text(item, (*path, index)) for index, item in enumerate(array(raw, path)))


def array(raw: object, path: KeyPath) -> list[object]:
    if not isinstance(raw, list):
        raise FlawError(path, "expected an array in square brackets")
    return raw


def table(raw: object, path: KeyPath, allowed: Iterable[str]) -> Mapping[str, object]:
    if not isinstance(raw, dict):
        raise FlawError(path, "expected a table in braces")
    for key in raw:
        if key not in allowed:
            known = ", ".join(sorted(allowed))
            raise FlawError((*path, key), f'unknown key "{key}"; known here: {known}')
    return raw


def need(raw: Mapping[str, object], path: KeyPath, key: str) -> object:
    if key not in raw:
        raise FlawError(path, f'key "{key}" is missing')
    return raw[key]


def boolean(raw: object, path: KeyPath) -> bool:
    if not isinstance(raw, bool):
        raise FlawError(path, "expected true or false")
    return raw


def integer(raw: object, path: KeyPath, low: int, high: int) -> int:
    if not isinstance(raw, int) or isinstance(raw, bool) or not low <= raw <= high:
        raise FlawError(path, f"expected a whole number from {low} to {high}")
    return raw


def number(raw: object, path: KeyPath) -> float:
    if not isinstance(raw, int | float) or isinstance(raw, bool):
        raise FlawError(path, "expected a number")
    try:
        value = float(raw)
    except OverflowError:
        value = math.inf
    if not 0 < value < math.inf:
        raise FlawError(path, "expected a number above zero")
    return value


def opcode(raw: object, path: KeyPath) -> int:
    return integer(raw, path, 0x00, 0xFF)


def size(raw: object, path: KeyPath) -> int:
    """Bytes, from "256 B", "4 KiB" or "8 MiB"."""
    match = _SIZE.fullmatch(raw) if isinstance(raw, str) else None
    if match is None:
        raise FlawError(path, 'expected a size such as "256 B", "4 KiB" or "8 MiB"')
    return int(match[1]) * _UNIT[match[2]]


def octets(raw: object, path: KeyPath) -> bytes:
    if not isinstance(raw, str) or _HEX.fullmatch(raw) is None:
        raise FlawError(path, 'expected bytes in upper-case hexadecimal such as "EF 40 17"')
    return bytes.fromhex(raw)


def jedec_id(raw: object, path: KeyPath) -> bytes:
    value = octets(raw, path)
    if len(value) != 3:
        raise FlawError(path, f"an ID has 3 bytes (manufacturer, type, capacity), not {len(value)}")
    if value[0] in (0x00, 0xFF) or len(set(value)) == 1:
        raise FlawError(path, "this is what an absent chip answers, not an ID")
    return value


def extended_id(raw: object, path: KeyPath) -> bytes:
    value = octets(raw, path)
    if len(value) > 13:
        raise FlawError(path, "an extended ID has at most 13 bytes: 16 are read in all")
    return value


def milliseconds(raw: object, path: KeyPath) -> Duration:
    return _span(raw, path, 1e-3)


def seconds(raw: object, path: KeyPath) -> Duration:
    return _span(raw, path, 1.0)


def _span(raw: object, path: KeyPath, unit: float) -> Duration:
    items = array(raw, path)
    if len(items) != 2:
        raise FlawError(path, "expected two times, [typical, maximum]")
    typical, maximum = (number(item, (*path, index)) * unit for index, item in enumerate(items))
    if typical > maximum:
        raise FlawError(path, "the typical time is above the maximum")
    return Duration(typical, maximum)


def supply(raw: object, path: KeyPath) -> tuple[float, float]:
    items = array(raw, path)
    if len(items) != 2:
        raise FlawError(path, "expected two voltages, [lowest, highest]")
    low, high = (number(item, (*path, index)) for index, item in enumerate(items))
    if not 1.0 <= low < high <= 6.0:
        raise FlawError(path, "expected a supply range within 1.0 to 6.0 V, lowest first")
    return low, high


def clocks(raw: object, path: KeyPath) -> dict[str, float]:
    """Hertz by kind of read, from { read = 50, fast = 104 } in MHz."""
    found = table(raw, path, ("read", "fast"))
    return {key: number(value, (*path, key)) * 1e6 for key, value in found.items()}


def unique_id(raw: object, path: KeyPath) -> UniqueId | None:
    """`false`, or how the unique ID is read."""
    if raw is False:
        return None
    found = table(raw, path, ("opcode", "dummy", "length", "address"))
    address = found.get("address")
    return UniqueId(
        opcode=opcode(need(found, path, "opcode"), (*path, "opcode")),
        dummy=integer(need(found, path, "dummy"), (*path, "dummy"), 0, 16),
        length=integer(need(found, path, "length"), (*path, "length"), 1, 64),
        address=b"" if address is None else octets(address, (*path, "address")),
    )


def security(raw: object, path: KeyPath) -> SecurityRegisters | None:
    """`false`, or where the security registers lie and how they are read."""
    if raw is False:
        return None
    found = table(raw, path, ("addresses", "length", "opcode", "dummy"))
    place = (*path, "addresses")
    raw_addresses = array(need(found, path, "addresses"), place)
    addresses = tuple(
        integer(item, (*place, index), 0, 0xFFFFFF) for index, item in enumerate(raw_addresses)
    )
    length = size(need(found, path, "length"), (*path, "length"))
    if not addresses:
        raise FlawError(place, "no address given; a part without security registers says false")
    for before, after in itertools.pairwise(addresses):
        if after < before + length:
            raise FlawError(place, "the registers overlap or are out of order")
    return SecurityRegisters(
        addresses=addresses,
        length=length,
        opcode=opcode(need(found, path, "opcode"), (*path, "opcode")),
        dummy=integer(need(found, path, "dummy"), (*path, "dummy"), 0, 16),
    )


def source(raw: object, path: KeyPath) -> Source:
    """A source from "kind: text"."""
    match = _SOURCE.fullmatch(text(raw, path))
    if match is None:
        raise FlawError(
            path,
            'expected a source such as "data-sheet: ...", "memory: ..." or "open-table: ...",'
            " or the name of one given under [sources]",
        )
    return Source(match[1], match[2])
