"""The one error that a chip table can raise."""

from __future__ import annotations


class TableError(ValueError):
    """A table file that cannot be used: which file, which line, and why.

    `file` is the path as given, `line` counts from 1, `reason` is one sentence without the place.
    """

    def __init__(self, file: str, line: int, reason: str) -> None:
        super().__init__(f"{file}:{line}: {reason}")
        self.file = file
        self.line = line
        self.reason = reason


class FlawError(ValueError):
    """Something wrong at `path` in a parsed table; the loader turns it into a `TableError`.

    `path` holds keys and array indices from the top of the document, as in
    ("part", 3, "erase", 0, "size").
    """

    def __init__(self, path: tuple[str | int, ...], reason: str) -> None:
        super().__init__(reason)
        self.path = path
        self.reason = reason
