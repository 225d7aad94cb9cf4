"""TOML texts that people write, with line numbers: every complaint names the line.

`tomllib` gives no positions, and a complaint without a line number is of little use in a table of
a thousand lines. The scanner here runs only over texts that `tomllib` has accepted; it follows
the grammar of TOML 1.0 just far enough to know where each key and each item begins, and
evaluates nothing but keys.
"""

from __future__ import annotations

import abc
import re
import tomllib
from collections.abc import Set
from typing import Any, ClassVar, NoReturn

KeyPath = tuple[str | int, ...]
"""Keys and array indices from the top of a document: ("part", 3, "erase", 0, "size")."""

LARGEST = 1 << 32
"""Bytes: no serial flash has an address beyond 32 bits."""

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")
_VALUE_END = frozenset(",]}\n#")
_AMOUNT = re.compile(r"(0[xX][0-9a-fA-F]+|\d+)([kKmM]?)")
_SHIFT = {"": 0, "k": 10, "m": 20}
_DECODER_PLACE = re.compile(r" ?\(at (?:line (\d+), column \d+|end of document)\)")


class TomlSyntaxError(ValueError):
    """The text is not TOML: the line, from 1, and what is wrong there."""

    def __init__(self, line: int, reason: str) -> None:
        super().__init__(reason)
        self.line = line
        self.reason = reason


def parse(text: str) -> dict[str, Any]:
    """What `text` holds. Raises `TomlSyntaxError`."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise TomlSyntaxError(1, "brackets are nested too deeply") from None
    except ValueError as error:
        # Besides its own error tomllib lets through what int() and date() say of odd values.
        message = str(error)
        place = _DECODER_PLACE.search(message)
        line = 1
        if place is not None:
            line = int(place[1]) if place[1] else max(len(text.splitlines()), 1)
        raise TomlSyntaxError(line, _DECODER_PLACE.sub("", message)) from None


def locate(text: str) -> dict[KeyPath, int]:
    """The line, from 1, of every table, key and array item of a valid TOML text; none where it
    is nested too deeply to be followed."""
    try:
        # tomllib takes CR LF as a line end too; without this a CR would hang on to bare values.
        return _Scanner(text.replace("\r\n", "\n")).run()
    except RecursionError:
        return {}


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """The line of `path`, or of the nearest thing around it that has one; 1 at worst."""
    for length in range(len(path), 0, -1):
        line = lines.get(path[:length])
        if line is not None:
            return line
    return 1


class TomlText(abc.ABC):
    """One file as TOML, and where each of its keys stands. `refuse` says what is raised.

    `at` in its methods is the path of the table that is asked about, () for the whole file.
    """

    AMOUNTS: ClassVar[str] = '0x40000 or "64K"'
    """Numbers of bytes, as complaints give them for an example."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        for number, line in enumerate(text.splitlines(), 1):
            if '"""' in line or "'''" in line:
                self.refuse(number, "a value must stand on one line")
        try:
            self.data = parse(text)
        except TomlSyntaxError as error:
            self.refuse(error.line, f"not valid TOML: {error.reason}")
        self._lines = locate(text)

    @abc.abstractmethod
    def refuse(self, line: int, problem: str) -> NoReturn:
        """Raise the error for a line."""

    def line(self, at: KeyPath, key: str | None = None) -> int:
        """Where a key of a table stands; the table's first line when the key is not there."""
        return line_of(self._lines, at if key is None else (*at, key))

    def known(self, table: dict[str, Any], at: KeyPath, keys: Set[str]) -> None:
        """Refuse unknown keys."""
        for key in table:
            if key not in keys:
                self.refuse(self.line(at, key), f"unknown key “{key[:40]}”")

    def tables(self, name: str) -> list[tuple[dict[str, Any], KeyPath]]:
        """All [[name]] tables, each with its path."""
        entries = self.data.get(name, [])
        if not isinstance(entries, list) or not all(isinstance(each, dict) for each in entries):
            self.refuse(self.line((), name), f"write [[{name}]] above each {name}")
        return [(each, (name, index)) for index, each in enumerate(entries)]

    def amount(self, table: dict[str, Any], at: KeyPath, key: str) -> int:
        """A number of bytes, such as 0x40000 or "64K"."""
        value = table.get(key)
        if isinstance(value, str) and (match := _AMOUNT.fullmatch(value)):
            value = int(match[1], 16 if match[1][:2] in ("0x", "0X") else 10)
            value <<= _SHIFT[match[2].lower()]
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= LARGEST:
            self.refuse(
                self.line(at, key), f"{key} must be a number of bytes, such as {self.AMOUNTS}"
            )
        return value


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._found: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}
        """How many [[tables]] each array of tables has so far."""

    def run(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while True:
            self._skip(newlines=True)
            if self._at >= len(self._text):
                return self._found
            if self._peek() == "[":
                table = self._header()
            else:
                self._pair(table)

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _advance(self, count: int = 1) -> None:
        self._line += self._text.count("\n", self._at, self._at + count)
        self._at += count

    def _skip(self, *, newlines: bool) -> None:
        """Step over blanks and comments, and over line ends where they mean nothing."""
        blanks = " \t\n" if newlines else " \t"
        while self._at < len(self._text):
            if self._peek() in blanks:
                self._advance()
            elif self._peek() == "#" and newlines:
                while self._at < len(self._text) and self._peek() != "\n":
                    self._advance()
            else:
                return

    def _note(self, path: KeyPath) -> None:
        self._found.setdefault(path, self._line)

    def _header(self) -> KeyPath:
        array = self._text.startswith("[[", self._at)
        line = self._line
        self._advance(2 if array else 1)
        names = self._key()
        self._skip(newlines=False)
        self._advance(2 if array else 1)
        path: KeyPath = ()
        for name in names[:-1]:
            path = self._newest((*path, name))
            self._found.setdefault(path, line)
        path = (*path, names[-1])
        if array:
            self._found.setdefault(path, line)
            self._counts[path] = self._counts.get(path, 0) + 1
            path = self._newest(path)
        self._found[path] = line
        return path

    def _newest(self, path: KeyPath) -> KeyPath:
        """`path` itself, or the last item so far where it is an array of tables."""
        count = self._counts.get(path, 0)
        return (*path, count - 1) if count else path

    def _key(self) -> tuple[str, ...]:
        names = []
        while True:
            self._skip(newlines=False)
            start = self._at
            if self._peek() in "\"'":
                self._string()
                names.append(_unquote(self._text[start : self._at]))
            else:
                while self._peek() in _BARE and self._peek():
                    self._advance()
                names.append(self._text[start : self._at])
            self._skip(newlines=False)
            if self._peek() != ".":
                return tuple(names)
            self._advance()

    def _pair(self, table: KeyPath) -> None:
        line = self._line
        names = self._key()
        path = table
        for name in names:
            path = (*path, name)
            self._found.setdefault(path, line)
        self._advance()  # the equals sign
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._skip(newlines=False)
        match self._peek():
            case "[":
                self._array(path)
            case "{":
                self._inline(path)
            case '"' | "'":
                self._string()
            case _:
                while self._at < len(self._text) and self._peek() not in _VALUE_END:
                    self._advance()

    def _array(self, path: KeyPath) -> None:
        self._advance()
        index = 0
        while True:
            self._skip(newlines=True)
            if self._peek() == "]":
                self._advance()
                return
            if self._peek() == ",":
                self._advance()
                index += 1
                continue
            self._note((*path, index))
            self._value((*path, index))

    def _inline(self, path: KeyPath) -> None:
        self._advance()
        while True:
            self._skip(newlines=True)
            if self._peek() == "}":
                self._advance()
                return
            if self._peek() == ",":
                self._advance()
                continue
            self._pair(path)

    def _string(self) -> None:
        quote = self._peek()
        long = self._text.startswith(quote * 3, self._at)
        mark = quote * 3 if long else quote
        self._advance(len(mark))
        while not self._text.startswith(mark, self._at):
            self._advance(2 if quote == '"' and self._peek() == "\\" else 1)
        self._advance(len(mark))
        # Up to two quotes may stand directly before the closing three.
        while long and self._peek() == quote:
            self._advance()


def _unquote(text: str) -> str:
    """What a quoted key says; left to tomllib, which knows the escapes."""
    (key,) = tomllib.loads(f"{text} = 0")
    return key
