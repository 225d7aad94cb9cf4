"""The chip table in memory: which parts fit an answer, a name or a search word."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from chipdb.part import Part

ID_LENGTH = 3
"""Bytes of a JEDEC ID: manufacturer, type, capacity."""


class TableFile:
    """A file of parts, which is parsed when one of them is looked for: most commands need one
    vendor's."""

    def __init__(self, text: str, parse: Callable[[str], tuple[Part, ...]]) -> None:
        self._text = text
        self._folded = text.casefold()
        self._parse = parse
        self._parts: tuple[Part, ...] | None = None

    @property
    def parts(self) -> tuple[Part, ...]:
        """All of them; raises what `parse` raises."""
        if self._parts is None:
            self._parts = self._parse(self._text)
        return self._parts

    def mentions(self, folded: str) -> bool:
        """Whether this text stands in the file, in upper or lower case."""
        return folded in self._folded


class ChipTable:
    """An unchanging set of parts, in the order of their files."""

    def __init__(self, parts: Iterable[Part] = (), files: Iterable[TableFile] = ()) -> None:
        self._parts = tuple(parts)
        self._files = tuple(files)

    @property
    def parts(self) -> tuple[Part, ...]:
        """All of them."""
        return (*(part for file in self._files for part in file.parts), *self._parts)

    def _of_files_with(self, text: str) -> tuple[Part, ...]:
        """The parts of the files in which `text` stands, and those that are in no file."""
        wanted = text.casefold()
        named = (part for file in self._files if file.mentions(wanted) for part in file.parts)
        return (*named, *self._parts)

    def by_id(self, answer: bytes) -> tuple[Part, ...]:
        """The parts that may have sent `answer`, the bytes that follow 9Fh (3 to 16).

        Bytes after the third distinguish parts with one ID. Parts whose extended ID matches are
        preferred to parts without one, and among them the longest match; a part whose extended ID
        contradicts the answer is excluded. An extended ID that is longer than the answer is neither
        contradicted nor confirmed: its part counts as one without an extended ID.
        """
        extra = answer[ID_LENGTH:]
        wanted = answer[:ID_LENGTH]
        same = [part for part in self._of_files_with(wanted.hex(" ")) if part.id == wanted]
        possible = [part for part in same if _agree(part.extended_id, extra)]
        proven = [len(p.extended_id) for p in possible if 0 < len(p.extended_id) <= len(extra)]
        if proven:
            return tuple(p for p in possible if len(p.extended_id) == max(proven))
        return tuple(possible)

    def by_name(self, text: str) -> tuple[Part, ...]:
        """The parts with this name or alias, in upper or lower case."""
        wanted = text.strip().casefold()
        return tuple(part for part in self._of_files_with(wanted) if wanted in _names(part))

    def search(self, text: str) -> tuple[Part, ...]:
        """The parts in which every word of `text` is found: in a name, an alias, the vendor, or
        as the hexadecimal ID with or without spaces. Without a word nothing is found."""
        words = text.casefold().split()
        if not words:
            return ()
        compact = "".join(words)
        return tuple(
            part
            for part in self.parts
            if part.id.hex().startswith(compact) or all(_mentions(part, word) for word in words)
        )

    def merged(self, parts: Iterable[Part]) -> ChipTable:
        """This table with `parts` added; one of the same name replaces ours."""
        added = tuple(parts)
        replaced = {part.name.casefold() for part in added}
        kept = tuple(part for part in self.parts if part.name.casefold() not in replaced)
        return ChipTable(kept + added)


def _agree(expected: bytes, extra: bytes) -> bool:
    """Whether the bytes that both have are the same."""
    common = min(len(expected), len(extra))
    return expected[:common] == extra[:common]


def _names(part: Part) -> tuple[str, ...]:
    return tuple(name.casefold() for name in (part.name, *part.aliases))


def _mentions(part: Part, word: str) -> bool:
    return (
        any(word in name for name in _names(part))
        or word in part.vendor.casefold()
        or part.id.hex().startswith(word)
    )
