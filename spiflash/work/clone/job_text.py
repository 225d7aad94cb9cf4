"""What the tables of a job file may hold; every complaint names the line."""

from __future__ import annotations

from collections.abc import Set
from typing import Any, NoReturn

from spiflash.dump.lined_toml import LinedToml, Place
from spiflash.errors import CloneJobError


class JobText(LinedToml):
    """A job file as TOML, and where each of its keys stands. Raises `CloneJobError`."""

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

    def choice(
        self, table: dict[str, Any], place: Place, key: str, known: tuple[str, ...], default: str
    ) -> str:
        """One of the known words."""
        value = table.get(key, default)
        if value not in known:
            self.refuse(self.line(place, key), f"{key} is one of {', '.join(known)}")
        return str(value)

    def refuse(self, number: int, problem: str) -> NoReturn:
        """Raise the error for a line."""
        raise CloneJobError(
            f"{self.name}, line {number}: {problem}.",
            state="No board has been touched.",
            remedy="Correct the file, then look at it with 'spiflash clone FILE --check'.",
        )
