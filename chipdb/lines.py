"""On which line of a TOML text a key or an array item stands.

`tomllib` gives no positions, and a complaint without a line number is of little use in a table of
a thousand lines. The scanner here runs only over texts that `tomllib` has accepted; it follows
the grammar of TOML 1.0 just far enough to know where each key and each item begins, and
evaluates nothing but keys.
"""

from __future__ import annotations

import tomllib

Path = tuple[str | int, ...]

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")
_VALUE_END = frozenset(",]}\n#")


def locate(text: str) -> dict[Path, int]:
    """The line, from 1, of every table, key and array item of a valid TOML text."""
    # tomllib takes CR LF as a line end too; without this a CR would hang on to bare values.
    return _Scanner(text.replace("\r\n", "\n")).run()


def line_of(lines: dict[Path, int], path: Path) -> int:
    """The line of `path`, or of the nearest thing around it that has one; 1 at worst."""
    for length in range(len(path), 0, -1):
        line = lines.get(path[:length])
        if line is not None:
            return line
    return 1


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._found: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        """How many [[tables]] each array of tables has so far."""

    def run(self) -> dict[Path, int]:
        table: Path = ()
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

    def _note(self, path: Path) -> None:
        self._found.setdefault(path, self._line)

    def _header(self) -> Path:
        array = self._text.startswith("[[", self._at)
        line = self._line
        self._advance(2 if array else 1)
        names = self._key()
        self._skip(newlines=False)
        self._advance(2 if array else 1)
        path: Path = ()
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

    def _newest(self, path: Path) -> Path:
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

    def _pair(self, table: Path) -> None:
        line = self._line
        names = self._key()
        path = table
        for name in names:
            path = (*path, name)
            self._found.setdefault(path, line)
        self._advance()  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
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

    def _array(self, path: Path) -> None:
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

    def _inline(self, path: Path) -> None:
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
