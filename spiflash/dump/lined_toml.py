"""TOML files that people write, with line numbers: every complaint names the line.

Every value stands on one line, so that a plain look at the lines finds it.
"""

from __future__ import annotations

import abc
import re
import tomllib
from typing import Any, ClassVar, NoReturn

LARGEST = 1 << 32
"""Bytes: no serial flash has an address beyond 32 bits."""

_AMOUNT = re.compile(r"(0[xX][0-9a-fA-F]+|\d+)([kKmM]?)")
_SHIFT = {"": 0, "k": 10, "m": 20}
_DECODER_PLACE = re.compile(r" ?\(at (?:line (\d+), column \d+|end of document)\)")

Place = tuple[str, int] | None
"""A table's name and how many of that name come before it; None above all tables."""


class LinedToml(abc.ABC):
    """One file as TOML, and where each of its keys stands. `refuse` says what is raised."""

    AMOUNTS: ClassVar[str] = '0x40000 or "64K"'
    """Numbers of bytes, as complaints give them for an example."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self.lines = text.splitlines()
        for number, line in enumerate(self.lines, 1):
            if '"""' in line or "'''" in line:
                self.refuse(number, "a value that goes over several lines")
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            place = _DECODER_PLACE.search(str(error))
            number = int(place[1]) if place and place[1] else max(len(self.lines), 1)
            self.refuse(number, "not TOML: " + _DECODER_PLACE.sub("", str(error)))
        except RecursionError:
            self.refuse(1, "not TOML that can be read: brackets in brackets without end")

    @abc.abstractmethod
    def refuse(self, number: int, problem: str) -> NoReturn:
        """Raise the error for a line."""

    def line(self, place: Place, key: str | None) -> int:
        """Where a key of a table stands; the table's first line when it is not there."""
        current: Place = None
        seen: dict[str, int] = {}
        first = 1
        for number, line in enumerate(self.lines, 1):
            header = re.match(r"\s*\[\[?\s*([\w-]+)\s*\]\]?", line)
            if header:
                current = (header[1], seen.get(header[1], 0))
                seen[header[1]] = current[1] + 1
                if key == header[1] and place is None:
                    return number
                if current == place:
                    first = number
            elif (
                key is not None
                and current == place
                and re.match(rf"\s*([\"']?){re.escape(key)}\1\s*[=.]", line)
            ):
                return number
        return first

    def amount(self, table: dict[str, Any], place: Place, key: str) -> int:
        """A number of bytes, such as 0x40000 or "64K"."""
        value = table.get(key)
        if isinstance(value, str) and (match := _AMOUNT.fullmatch(value)):
            value = int(match[1], 16 if match[1][:2] in ("0x", "0X") else 10)
            value <<= _SHIFT[match[2].lower()]
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= LARGEST:
            self.refuse(
                self.line(place, key), f"{key} must be a number of bytes, such as {self.AMOUNTS}"
            )
        return value
