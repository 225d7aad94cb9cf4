"""Set variables in a U-Boot environment and make its checksum right again.

Layout: U-Boot, include/env_internal.h, `struct environment_s` (from memory; the tests compare
with `mkenvimage` and `fw_printenv`). Size, byte order, flag byte and filler stay as they are.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from spiflash.dump.checksums import crc32

CHECKSUM = 4
"""Bytes of the CRC-32 in front."""

_NAME = re.compile(r"[!-<>-~]{1,64}")


class EnvironmentEditError(ValueError):
    """The environment cannot be changed as asked; the message says why."""


@dataclass(frozen=True, slots=True)
class Form:
    """Where the strings begin (5 where a flag byte of a redundant pair comes first), and the
    byte order of the checksum."""

    first: int
    order: Literal["big", "little"]

    @property
    def redundant(self) -> bool:
        """Whether it is one copy of a pair."""
        return self.first == CHECKSUM + 1


def form_of(environment: bytes) -> Form:
    """How this environment, of its full size, is made; told by its checksum.

    Raises `EnvironmentEditError` when no checksum holds.
    """
    for first in (CHECKSUM, CHECKSUM + 1):
        if len(environment) > first + 2:
            value = crc32(memoryview(environment)[first:])
            if value == int.from_bytes(environment[:CHECKSUM], "little"):
                return Form(first, "little")
            if value == int.from_bytes(environment[:CHECKSUM], "big"):
                return Form(first, "big")
    raise EnvironmentEditError(
        f"no checksum holds over an environment of {len(environment)} bytes here"
    )


def variables_of(environment: bytes) -> dict[str, str]:
    """Name and value of every variable, in their order; values as Latin-1, so that each byte
    is one character.

    Raises `EnvironmentEditError` as `form_of` does.
    """
    strings, _ = _strings(environment, form_of(environment))
    found: dict[str, str] = {}
    for string in strings:
        name, equals, value = string.partition(b"=")
        if equals:
            found[name.decode("latin-1")] = value.decode("latin-1")
    return found


def set_variables(environment: bytes, values: Mapping[str, str]) -> bytes:
    """The environment with these variables set, and its checksum right.

    A variable that is there keeps its place, a new one comes last. Raises
    `EnvironmentEditError` for a checksum that does not hold, a name or value that cannot be
    stored, and strings that do not fit.
    """
    form = form_of(environment)
    strings, filler = _strings(environment, form)
    for name, value in values.items():
        entry = _entry(name, value)
        places = [i for i, each in enumerate(strings) if each.partition(b"=")[0] == name.encode()]
        if places:
            strings[places[0]] = entry
            # Of a name that stands twice, the boot loader takes the last: only one may stay.
            for place in reversed(places[1:]):
                del strings[place]
        else:
            strings.append(entry)
    body = b"".join(string + b"\0" for string in strings) + b"\0"
    room = len(environment) - form.first
    if len(body) > room:
        raise EnvironmentEditError(
            f"the variables take {len(body)} bytes, the environment has room for {room}"
        )
    body = body.ljust(room, filler)
    flag = environment[CHECKSUM : form.first]
    return crc32(body).to_bytes(CHECKSUM, form.order) + flag + body


def _strings(environment: bytes, form: Form) -> tuple[list[bytes], bytes]:
    """The strings, and the byte that fills what is behind them."""
    body = environment[form.first :]
    if body[:1] == b"\0":
        # An environment without variables is one empty string.
        return [], body[-1:]
    end = body.find(b"\0\0")
    if end < 0:
        raise EnvironmentEditError("the variables have no end")
    # U-Boot fills with 00h, mkenvimage with FFh.
    filler = body[-1:] if len(body) > end + 2 else b"\0"
    return body[:end].split(b"\0"), filler


def _entry(name: str, value: str) -> bytes:
    if not _NAME.fullmatch(name):
        raise EnvironmentEditError(f"{name!r} cannot be the name of a variable")
    try:
        raw = value.encode("latin-1")
    except UnicodeEncodeError as exc:
        raise EnvironmentEditError(f"the value of {name} holds what is no byte") from exc
    if not raw or b"\0" in raw:
        raise EnvironmentEditError(f"the value of {name} is empty or holds a NUL")
    return name.encode() + b"=" + raw
