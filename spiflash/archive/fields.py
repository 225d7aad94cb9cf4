"""Strict reading of JSON objects; every complaint names the field.

Records live for years in folders that people open, so nothing in them is taken on trust:
unknown, missing, duplicate and mistyped fields are all errors.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime
from typing import NoReturn

from spiflash.errors import BackupSetError
from spiflash.text import printable

_HEX = re.compile(r"(?:[0-9a-f]{2})+")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_FIELD_LIMIT = 200  # characters of a field's name in a message
_TEXT_LIMIT = 4096  # characters; a longer string has no business in a record


def refuse(document: str, field: str, problem: str) -> NoReturn:
    """Raise the `BackupSetError` for one field of a document."""
    raise BackupSetError(
        f"{document}: the field “{printable(field[:_FIELD_LIMIT])}” {problem}.",
        state="Nothing was written.",
        remedy="Take the file from a copy of the folder, or make a new backup.",
    )


def parse_object(text: str, document: str) -> Fields:
    """The top-level object of a JSON text.

    `document` names the file in error messages. Raises `BackupSetError`.
    """

    def object_of(pairs: list[tuple[str, object]]) -> dict[str, object]:
        result: dict[str, object] = {}
        for key, value in pairs:
            if key in result:
                refuse(document, key, "occurs twice")
            result[key] = value
        return result

    def constant(name: str) -> NoReturn:
        raise ValueError(f"{name} is not a JSON number")

    try:
        value = json.loads(text, object_pairs_hook=object_of, parse_constant=constant)
    except (ValueError, RecursionError) as error:
        raise BackupSetError(
            f"{document} is not a JSON document ({error}).",
            state="Nothing was written.",
            remedy="Take the file from a copy of the folder, or make a new backup.",
        ) from error
    if not isinstance(value, dict):
        refuse(document, "(all)", "must be an object")
    return Fields(value, document)


class Fields:
    """One JSON object whose fields are taken one by one; `finish` refuses what is left over."""

    def __init__(self, values: Mapping[str, object], document: str, path: str = "") -> None:
        self._values = values
        self._document = document
        self._path = path
        self._taken: set[str] = set()

    def refuse(self, name: str, problem: str) -> NoReturn:
        """Raise the `BackupSetError` for the field `name` of this object."""
        refuse(self._document, self._path + name, problem)

    def _take(self, name: str) -> object:
        self._taken.add(name)
        if name not in self._values:
            self.refuse(name, "is missing")
        return self._values[name]

    def _text(self, name: str, value: object) -> str:
        if not isinstance(value, str):
            self.refuse(name, "must be a string")
        if len(value) > _TEXT_LIMIT:
            self.refuse(name, f"is longer than {_TEXT_LIMIT} characters")
        try:
            value.encode()
        except UnicodeEncodeError:
            self.refuse(name, "holds half of a surrogate pair")
        return value

    def text(self, name: str) -> str:
        """A string of at most 4096 characters."""
        return self._text(name, self._take(name))

    def optional_text(self, name: str) -> str | None:
        """A string or null."""
        value = self._take(name)
        return None if value is None else self._text(name, value)

    def texts(self, name: str) -> tuple[str, ...]:
        """A list of strings."""
        return tuple(self._text(f"{name}[{i}]", v) for i, v in enumerate(self._list(name)))

    def text_mapping(self, name: str) -> dict[str, str]:
        """An object whose values are strings."""
        return {
            self._text(name, key): self._text(f"{name}.{key}", value)
            for key, value in self._object(name).items()
        }

    def hexadecimal(self, name: str) -> str:
        """Whole bytes as lower-case hexadecimal digits, at least one byte."""
        value = self._take(name)
        # SFDP alone can be longer than an ordinary text may be.
        if not isinstance(value, str) or _HEX.fullmatch(value) is None:
            self.refuse(name, "must be bytes in lower-case hexadecimal")
        return value

    def optional_hexadecimal(self, name: str) -> str | None:
        """As `hexadecimal`, or null."""
        return None if self._take(name) is None else self.hexadecimal(name)

    def hexadecimal_mapping(self, name: str) -> dict[str, str]:
        """An object whose values are bytes in lower-case hexadecimal."""
        result = self.text_mapping(name)
        for key, value in result.items():
            if _HEX.fullmatch(value) is None:
                self.refuse(f"{name}.{key}", "must be bytes in lower-case hexadecimal")
        return result

    def sha256(self, name: str) -> str:
        """A SHA-256 digest in lower-case hexadecimal."""
        value = self.text(name)
        if _SHA256.fullmatch(value) is None:
            self.refuse(name, "must be a SHA-256 digest: 64 lower-case hexadecimal digits")
        return value

    def _integer(self, name: str, value: object, low: int, high: int) -> int:
        if not isinstance(value, int) or isinstance(value, bool):
            self.refuse(name, "must be a whole number")
        if not low <= value <= high:
            self.refuse(name, f"must be from {low} to {high}")
        return value

    def integer(self, name: str, low: int = 0, high: int = 2**32) -> int:
        """A whole number in `low`–`high`, both included."""
        return self._integer(name, self._take(name), low, high)

    def optional_integer(self, name: str) -> int | None:
        """As `integer`, or null."""
        return None if self._take(name) is None else self.integer(name)

    def holds(self, name: str) -> bool:
        """Whether the field is anything but null."""
        return self._take(name) is not None

    def integers(self, name: str, low: int = 0, high: int = 2**32) -> tuple[int, ...]:
        """A list of whole numbers, each in `low`–`high`."""
        return tuple(
            self._integer(f"{name}[{i}]", v, low, high) for i, v in enumerate(self._list(name))
        )

    def number(self, name: str) -> float:
        """A finite number, not negative."""
        value = self._take(name)
        if not isinstance(value, int | float) or isinstance(value, bool):
            self.refuse(name, "must be a number")
        if not 0 <= value < 1e18:
            self.refuse(name, "must be a finite number, not negative")
        return float(value)

    def flag(self, name: str) -> bool:
        """true or false."""
        value = self._take(name)
        if not isinstance(value, bool):
            self.refuse(name, "must be true or false")
        return value

    def optional_flag(self, name: str) -> bool | None:
        """True, false or null."""
        return None if self._take(name) is None else self.flag(name)

    def moment(self, name: str) -> datetime:
        """A time in ISO 8601 with its offset from UTC."""
        try:
            value = datetime.fromisoformat(self.text(name))
        except ValueError:
            self.refuse(name, "must be a time in ISO 8601")
        if value.utcoffset() is None:
            self.refuse(name, "must state its offset from UTC")
        return value

    def _list(self, name: str) -> list[object]:
        value = self._take(name)
        if not isinstance(value, list):
            self.refuse(name, "must be a list")
        return value

    def _object(self, name: str) -> dict[str, object]:
        value = self._take(name)
        if not isinstance(value, dict):
            self.refuse(name, "must be an object")
        return value

    def child(self, name: str) -> Fields:
        """A nested object."""
        return Fields(self._object(name), self._document, f"{self._path}{name}.")

    def children(self, name: str) -> tuple[Fields, ...]:
        """A list of nested objects."""
        result = []
        for i, value in enumerate(self._list(name)):
            if not isinstance(value, dict):
                self.refuse(f"{name}[{i}]", "must be an object")
            result.append(Fields(value, self._document, f"{self._path}{name}[{i}]."))
        return tuple(result)

    def finish(self) -> None:
        """Refuse the first field that nobody asked for."""
        for name in self._values:
            if name not in self._taken:
                self.refuse(name, "is not known")
