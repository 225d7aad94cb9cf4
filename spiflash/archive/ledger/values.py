"""What identifies a board outside: values, their kinds, their normal form, their look on a chip.

The rule that lives here: two values are the same value when kind and normal form are the same,
whatever a job calls them and however somebody spells them. A MAC address is one in any case and
with any separators, given as text or as bytes.
"""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import overload

MAC, HEX, TEXT = "mac", "hex", "text"
RANGE = "range"

LONGEST = 1024
"""Characters of a value, at most: what the ledger's tables hold on every database."""

_HEX_DIGITS = "0123456789abcdefABCDEF"
_PAIRS = re.compile(r"[0-9a-f]{2}([:. _-]?)[0-9a-f]{2}(?:\1[0-9a-f]{2}){4}")
_GROUPS = re.compile(r"[0-9a-f]{4}([:. -])[0-9a-f]{4}\1[0-9a-f]{4}")


def as_mac(text: str) -> str | None:
    """A MAC address as six pairs with colons, in lower case; None for what is none."""
    plain = text.strip().lower()
    if not (_PAIRS.fullmatch(plain) or _GROUPS.fullmatch(plain)):
        return None
    digits = re.sub(r"[^0-9a-f]", "", plain)
    return ":".join(digits[i : i + 2] for i in range(0, 12, 2))


@dataclass(frozen=True, slots=True, order=True)
class Identity:
    """What no two boards may have: its kind and its normal form."""

    kind: str
    text: str

    @classmethod
    def of(cls, kind: str, text: str) -> Identity:
        """Of a value as a job or a board has it. Twelve hexadecimal digits are six bytes, and
        six bytes are what a MAC address is."""
        mac = as_mac(text)
        if mac is not None:
            return cls(MAC, mac)
        if kind == HEX:
            return cls(HEX, text.strip().lower())
        return cls(TEXT, text.strip().casefold())

    def stands_in(self, contents: bytes) -> bool:
        """Whether a chip with these contents carries it: as text in any case and, for a MAC
        address, with any separators, or as bytes. What is compressed is not seen."""
        if self.kind == TEXT:
            return self.text.encode() in contents.lower()
        digits = self.text.replace(":", "")
        texts = [digits]
        if self.kind == MAC:
            pairs = [digits[i : i + 2] for i in range(0, 12, 2)]
            texts += [separator.join(pairs) for separator in ":-. _"]
            texts += [separator.join(re.findall("....", digits)) for separator in ".:-"]
        lower = contents.lower()
        return bytes.fromhex(digits) in contents or any(each.encode() in lower for each in texts)


@dataclass(frozen=True, slots=True)
class Value:
    """A value that one board may have; `name` is what the job calls it."""

    kind: str
    name: str
    text: str

    @property
    def identity(self) -> Identity:
        """What no other board may have."""
        return Identity.of(self.kind, self.text)


Draw = tuple[Value, ...]
"""Values that one board gets together."""


class ValueList(Sequence[str]):
    """Values of one kind in their order; a million counted ones take no room."""

    kind: str

    @abstractmethod
    def has(self, identity: Identity) -> bool:
        """Whether one of them is this identity."""

    @property
    def longest(self) -> str:
        """One of the longest."""
        return max(self, key=len)

    @abstractmethod
    def _at(self, index: int) -> str: ...

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[str]: ...
    def __getitem__(self, index: int | slice) -> str | Sequence[str]:
        if isinstance(index, slice):
            return [self._at(each) for each in range(*index.indices(len(self)))]
        if not -len(self) <= index < len(self):
            raise IndexError(index)
        return self._at(index % len(self))


@dataclass(frozen=True)
class Listed(ValueList):
    """Values that somebody wrote down."""

    kind: str
    texts: tuple[str, ...]

    @cached_property
    def _identities(self) -> frozenset[Identity]:
        return frozenset(Identity.of(self.kind, each) for each in self.texts)

    def has(self, identity: Identity) -> bool:
        """See `ValueList`."""
        return identity in self._identities

    def _at(self, index: int) -> str:
        return self.texts[index]

    def __len__(self) -> int:
        return len(self.texts)


@dataclass(frozen=True)
class Counted(ValueList):
    """A range of numbers from `low` to `high`, both included: MAC addresses, or `digits` decimal
    digits between two texts."""

    kind: str
    low: int
    high: int
    digits: int = 12
    before: str = ""
    after: str = ""

    @cached_property
    def _form(self) -> re.Pattern[str] | None:
        """What members look like in normal form; None for what has no number in it, or could
        be taken for a MAC address: then they are looked through one by one."""
        if self.kind == MAC or as_mac(self._at(0)) is not None:
            return None
        # As in `Identity.of`, which takes spaces off the ends of the whole, not off these two.
        left = re.escape(Identity.of(self.kind, f"{self.before}x").text[:-1])
        right = re.escape(Identity.of(self.kind, f"x{self.after}").text[1:])
        return re.compile(f"{left}([0-9]{{{self.digits}}}){right}")

    def has(self, identity: Identity) -> bool:
        """See `ValueList`."""
        if self.kind == MAC:
            if identity.kind != MAC:
                return False
            return self.low <= int(identity.text.replace(":", ""), 16) <= self.high
        if self._form is None:
            digits = identity.text.replace(":", "")
            before, after = (
                sum(each in _HEX_DIGITS for each in side) for side in (self.before, self.after)
            )
            cut = digits[before : len(digits) - after]
            inside = cut.isdecimal() and self.low <= int(cut) <= self.high
            return inside and Identity.of(self.kind, self._at(int(cut) - self.low)) == identity
        found = self._form.fullmatch(identity.text)
        kind = identity.kind == self.kind
        return kind and found is not None and self.low <= int(found[1]) <= self.high

    @property
    def longest(self) -> str:
        """See `ValueList`: all have the same length."""
        return self._at(0)

    def _at(self, index: int) -> str:
        if self.kind == MAC:
            return (self.low + index).to_bytes(6, "big").hex(":")
        return f"{self.before}{self.low + index:0{self.digits}d}{self.after}"

    def __len__(self) -> int:
        return self.high - self.low + 1


@dataclass(frozen=True)
class Column:
    """Values that are drawn together: one counted range, or the lists that somebody wrote down,
    whose lines belong together. `names` are what the job calls the values of each list."""

    names: tuple[str, ...]
    lists: tuple[ValueList, ...]

    def __len__(self) -> int:
        return min(len(each) for each in self.lists)

    def __iter__(self) -> Iterator[Draw]:
        for texts in zip(*self.lists, strict=False):
            yield tuple(
                Value(each.kind, name, text)
                for name, each, text in zip(self.names, self.lists, texts, strict=True)
            )

    def holds(self, values: Mapping[str, str]) -> bool:
        """Whether a board that has these values could have got them from here."""
        own = [values.get(name) for name in self.names]
        if len(self.lists) == 1:
            text, (only,) = own[0], self.lists
            if text is None or not _plain(only.kind, text):
                return False
            return only.has(Identity.of(only.kind, text))
        return any(list(texts) == own for texts in zip(*self.lists, strict=False))


def _plain(kind: str, text: str) -> bool:
    """Whether a value is spelled as a list of this kind gives it: another kind's list may have
    given it in another spelling."""
    if kind == MAC:
        return as_mac(text) == text
    try:
        return kind != HEX or bytes.fromhex(text).hex() == text
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class KeptRange:
    """A range that a board keeps: `place` says where ("50000+10000", hexadecimal), `sha256` what
    it holds, `pages` which of its pages of 256 bytes hold data, as hexadecimal bits, the first
    page lowest. `shared` when the job says that all boards may hold the same."""

    place: str
    sha256: str
    pages: str
    shared: bool = False


@dataclass(frozen=True, slots=True)
class Kept:
    """What a board keeps of its own: ranges, and the identities found in them. `weak` ones are
    likely enough not to be given to another board, too unsure to refuse a board for."""

    ranges: tuple[KeptRange, ...] = ()
    identities: frozenset[Identity] = frozenset()
    weak: frozenset[Identity] = frozenset()

    @property
    def noted(self) -> tuple[str, ...]:
        """What a row says of it: "mac 00:00:5e:00:53:01", "range 50000+10000 SHA-256"."""
        found = [f"{each.kind} {each.text}" for each in self.identities]
        return tuple(sorted([*found, *(f"{RANGE} {r.place} {r.sha256}" for r in self.ranges)]))


def kept_by(noted: Iterable[str]) -> tuple[frozenset[Identity], Mapping[str, str]]:
    """What a row says that a board keeps: identities, and the SHA-256 of each place. What makes
    no sense is left out."""
    words = [each.partition(" ")[::2] for each in noted]
    identities = frozenset(Identity(*each) for each in words if each[0] in (MAC, HEX, TEXT))
    ranges = dict(rest.split(" ", 1) for kind, rest in words if kind == RANGE and " " in rest)
    return identities, ranges
