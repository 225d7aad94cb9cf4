"""The text of a job file with line numbers: every complaint names the line.

Every value stands on one line, so that a plain look at the lines finds it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Set
from typing import Any, NoReturn

from spiflash.errors import CloneJobError

_AMOUNT = re.compile(r"(0[xX][0-9a-fA-F]+|\d+)([kKmM]?)")
_SHIFT = {"": 0, "k": 10, "m": 20}
_DECODER_PLACE = re.compile(r" ?\(at (?:line (\d+), column \d+|end of document)\)")
_LARGEST = 1 << 32

Place = tuple[str, int] | None
"""A table's name and how many of that name come before it; None above all tables."""


class JobText:
    """A job file as TOML, and where each of its keys stands. Raises `CloneJobError`."""

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

    def tables(self, name: str) -> list[tuple[dict[str, Any], Place]]:
        """All [[name]] tables."""
        entries = self.data.get(name, [])
        if not isinstance(entries, list) or not all(isinstance(each, dict) for each in entries):
            self.refuse(self.line(None, name), f"write [[{name}]] above each {name}")
        return [(each, (name, index)) for index, each in enumerate(entries)]

    def known(self, table: dict[str, Any], place: Place, keys: Set[str]) -> None:
        """Refuse keys that mean nothing."""
        for key in table:
            if key not in keys:
                self.refuse(self.line(place, key), f"“{key[:40]}” means nothing here")

    def text(self, table: dict[str, Any], place: Place, key: str, default: str | None) -> str:
        """A text on one line; needed when there is no default."""
        value = table.get(key, default)
        if not isinstance(value, str) or not value.isprintable() or (default is None and not value):
            self.refuse(self.line(place, key), f"{key} must be a text in quotes")
        return value

    def texts(self, table: dict[str, Any], place: Place, key: str) -> tuple[str, ...]:
        """A list of texts; empty where it is left out."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
            self.refuse(self.line(place, key), f"{key} must be a list of texts in quotes")
        return tuple(value)

    def number(
        self,
        table: dict[str, Any],
        place: Place,
        key: str,
        low: int,
        high: int,
        default: int | None,
    ) -> int:
        """A whole number in its limits."""
        value = table.get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            self.refuse(self.line(place, key), f"{key} must be a number from {low} to {high}")
        return value

    def amount(self, table: dict[str, Any], place: Place, key: str) -> int:
        """A number of bytes, such as 0x40000 or "64K"."""
        value = table.get(key)
        if isinstance(value, str) and (match := _AMOUNT.fullmatch(value)):
            value = int(match[1], 16 if match[1][:2] in ("0x", "0X") else 10)
            value <<= _SHIFT[match[2].lower()]
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= _LARGEST:
            self.refuse(
                self.line(place, key), f'{key} must be a number of bytes, such as 0x40000 or "64K"'
            )
        return value

    def choice(
        self, table: dict[str, Any], place: Place, key: str, known: tuple[str, ...], default: str
    ) -> str:
        """One of the known words."""
        value = table.get(key, default)
        if value not in known:
            self.refuse(self.line(place, key), f"{key} is one of {', '.join(known)}")
        return str(value)

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

    def refuse(self, number: int, problem: str) -> NoReturn:
        """Raise the error for a line."""
        raise CloneJobError(
            f"{self.name}, line {number}: {problem}.",
            state="No board has been touched.",
            remedy="Correct the file, then look at it with 'spiflash clone FILE --check'.",
        )
