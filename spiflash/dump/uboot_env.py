"""U-Boot environments: read, edited and written back; nothing else knows their form.

Layout: U-Boot, include/env_internal.h, `struct environment_s` (from memory; the tests compare
with `mkenvimage` and `fw_printenv`):

    CRC-32          in the processor's byte order, over everything after the flag byte
    flag            one byte, only in each copy of a redundant pair; the CRC leaves it out
    name=value NUL  any number of strings
    NUL             an empty string ends them; what fills the rest is 00h, FFh or left over

The size is chosen when the loader is built and is stored nowhere: only the checksum tells it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal
from zlib import crc32

from spiflash.spans import Sized
from spiflash.text import counted

CHECKSUM = 4
"""Bytes of the CRC-32 at the start."""

LARGEST = 1 << 20
"""Bytes: no larger environment is looked for; boards use 4 to 128 KiB (common practice, no
source)."""

_STEPS = ((4, 8 << 10), (16, 64 << 10), (512, LARGEST))
"""Sizes tried: every 4 bytes up to 8 KiB, every 16 up to 64 KiB, then every 512. With both byte
orders some fifteen thousand checksums: one is right by chance in one of 280,000 damaged
environments."""

MOST_VARIABLES = 4000
"""Variables read of one environment; a board has some dozens."""

ENTRY = re.compile(rb"[\x21-\x3c\x3e-\x7e]{1,64}=")
"""How each string of an environment begins: a printable name without spaces."""

Order = Literal["big", "little"]


class EnvironmentEditError(ValueError):
    """The environment cannot be read or changed as asked; the message says why."""


@dataclass(frozen=True, slots=True)
class Variable:
    """One variable; `at` is the address of its value."""

    name: bytes
    value: bytes
    at: int


@dataclass(frozen=True, slots=True)
class Environment(Sized):
    """One environment of `length` bytes from `start`.

    `saved` is True for one in its own place on the flash, after a checksum, and False for the
    defaults that are compiled into a boot loader. `order` is the byte order of the checksum, None
    where no checksum is OK: then `length` is what text and padding suggest. `flag` is the byte of
    a redundant copy, None in a single one. `variables` are untrusted, unmasked and in their order.
    """

    start: int
    length: int
    saved: bool
    order: Order | None
    flag: int | None
    variables: tuple[Variable, ...]

    @property
    def checksum_ok(self) -> bool:
        """Whether its CRC-32 is OK."""
        return self.order is not None

    @property
    def redundant(self) -> bool:
        """Whether it is one copy of a pair."""
        return self.flag is not None

    @property
    def by_name(self) -> dict[bytes, bytes]:
        """The values by name; of a name that occurs twice the last, which the loader takes."""
        return {each.name: each.value for each in self.variables}


def sizes(limit: int) -> Iterator[int]:
    """The sizes to try, rising, none above `limit` bytes."""
    low = 0
    for step, high in _STEPS:
        yield from range(low + step, min(limit, high) + 1, step)
        low = high


def read_environment(raw: bytes) -> Environment:
    """The environment that fills `raw` from end to end, addresses counted from its start.

    Raises `EnvironmentEditError` when no checksum over it is OK.
    """
    for first in (CHECKSUM, CHECKSUM + 1):
        if len(raw) <= first + 2:
            break
        value = crc32(memoryview(raw)[first:])
        for order in ("little", "big"):
            if value == int.from_bytes(raw[:CHECKSUM], order):
                return Environment(
                    start=0,
                    length=len(raw),
                    saved=True,
                    order=order,
                    flag=raw[CHECKSUM] if first > CHECKSUM else None,
                    variables=tuple(variables_at(raw, first, len(raw))),
                )
    raise EnvironmentEditError(
        f"an environment of {counted(len(raw), 'byte')} here fails its checksum"
    )


def variables_at(contents: bytes, at: int, limit: int) -> Iterator[Variable]:
    """The variables from `at` on, up to the empty string that ends them; at most
    MOST_VARIABLES. Strings that are no `name=value` are left out."""
    for _ in range(MOST_VARIABLES):
        end = contents.find(b"\0", at, limit)
        if end <= at:
            return
        match = ENTRY.match(contents, at, end)
        if match is not None:
            yield Variable(contents[at : match.end() - 1], contents[match.end() : end], match.end())
        at = end + 1


def set_variables(
    raw: bytes, values: Mapping[bytes, bytes | None], form: Environment | None = None
) -> bytes:
    """The environment that fills `raw`, with these variables set and a correct checksum.

    None takes a variable out. A variable that is there keeps its place, a new one comes last;
    size, byte order, flag byte and filler stay; `raw` is returned when nothing changes. `form`
    says how a damaged one is made (its `order` None is taken as little endian). Raises
    `EnvironmentEditError` for a checksum that does not hold where no `form` is given, a name or
    value that cannot be stored, and strings that do not fit.
    """
    form = form or read_environment(raw)
    first = CHECKSUM + 1 if form.redundant else CHECKSUM
    strings, filler = _strings(raw, first)
    entries = {name: _entry(name, value) for name, value in values.items() if value is not None}
    known = {string.partition(b"=")[0]: string for string in strings}
    if form.checksum_ok and all(known.get(name) == entries.get(name) for name in values):
        return raw
    placed: list[bytes] = []
    waiting = dict(entries)
    for string in strings:
        name = string.partition(b"=")[0]
        if name not in values:
            placed.append(string)
        elif name in waiting:
            # Of a name that occurs twice, the loader takes the last: only one may stay.
            placed.append(waiting.pop(name))
    placed += waiting.values()
    body = b"".join(string + b"\0" for string in placed) + b"\0"
    room = len(raw) - first
    if len(body) > room:
        raise EnvironmentEditError(
            f"the variables need {len(body):,} bytes, the environment has room for {room:,}"
        )
    body = body.ljust(room, filler)
    order = form.order or "little"
    return crc32(body).to_bytes(CHECKSUM, order) + raw[CHECKSUM:first] + body


def stored(values: Mapping[str, str]) -> dict[bytes, bytes | None]:
    """Names and values as `set_variables` takes them: Latin-1, so that each character is a byte.

    Raises `EnvironmentEditError` for a character that is no byte.
    """
    try:
        return {name.encode("ascii"): value.encode("latin-1") for name, value in values.items()}
    except UnicodeEncodeError as exc:
        raise EnvironmentEditError(f"“{exc.object[:40]}” has a character that is no byte") from exc


def _strings(raw: bytes, first: int) -> tuple[list[bytes], bytes]:
    """The strings, and the byte that fills the space after them."""
    body = raw[first:]
    if body[:1] == b"\0":
        # An environment without variables is one empty string.
        return [], body[-1:]
    end = body.find(b"\0\0")
    if end < 0:
        raise EnvironmentEditError("the list of variables has no end")
    # U-Boot fills with 00h, mkenvimage with FFh.
    filler = body[-1:] if len(body) > end + 2 else b"\0"
    return body[:end].split(b"\0"), filler


def _entry(name: bytes, value: bytes) -> bytes:
    if not ENTRY.fullmatch(name + b"="):
        raise EnvironmentEditError(f"{name!r} cannot be the name of a variable")
    if not value or b"\0" in value:
        raise EnvironmentEditError(
            f"the value of {name.decode('latin-1')} is empty or contains a NUL"
        )
    return name + b"=" + value
