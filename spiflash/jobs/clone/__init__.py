"""A clone job as a value: what every board gets, what each keeps, and where its values come from.

Values come from counted ranges and from list files. A list file holds one value a line; blank
lines, and lines that begin with "#", are left out. What looks like a table with columns, a line of
headings or a remark beside a value is refused: written to a board, it would be an identity.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from spiflash.archive.ledger.values import (
    HEX,
    LONGEST,
    MAC,
    TEXT,
    Column,
    Counted,
    Identity,
    Listed,
    ValueList,
    as_mac,
)
from spiflash.dump.layout import Layout
from spiflash.errors import (
    BusError,
    ChipAbsentError,
    ChipAmbiguousError,
    ChipMismatchError,
    ChipProtectedError,
    ChipTimeoutError,
    ChipUnknownError,
    CloneJobError,
    IdentityTakenError,
    SpiflashError,
    UnstableReadError,
    ValuesUsedUpError,
    VerifyError,
)
from spiflash.files import read_named_text
from spiflash.jobs.image import Image
from spiflash.spans import Sized
from spiflash.text import span

FAILURES: Mapping[str, str] = {
    "contact": "the chip does not answer, or not reliably",
    "chip": "the job does not accept this chip, or it must not be written",
    "read": "readings of the board do not agree",
    "own": "the board's own data is missing, or another board has it",
    "swap": "the clip was moved to another board while it was written",
    "write": "the chip reads back wrong, or stays busy",
    "adapter": "the adapter stopped answering",
    "values": "the list of values is used up",
    "other": "anything else",
}
"""Kinds of failure and what they mean."""

ACTIONS = ("next", "again", "hold", "stop")
"""What to do after a failure: go on with the next board; try once more first; keep values for this
board even when they were never written; go on at the other adapters only. What may stand on the
board stays with it in any case."""


class BoardError(SpiflashError):
    """A failure whose kind is known where it happens."""

    def __init__(self, kind: str, cause: str) -> None:
        super().__init__(cause)
        self.kind = kind


_KINDS: tuple[tuple[type[SpiflashError], str], ...] = (
    (BusError, "adapter"),
    (ChipAbsentError, "contact"),
    (ChipUnknownError, "chip"),
    (ChipAmbiguousError, "chip"),
    (ChipMismatchError, "chip"),
    (ChipProtectedError, "chip"),
    (UnstableReadError, "read"),
    (VerifyError, "write"),
    (ChipTimeoutError, "write"),
    (ValuesUsedUpError, "values"),
    (IdentityTakenError, "own"),
)


def failure_kind(error: SpiflashError, *, identified: bool, compared: bool) -> str:
    """The kind, a key of `FAILURES`. Before the chip is identified, unsteady answers and a chip of
    no known ID mean the contact: nothing else has been asked of the chip yet. Once it is known
    which board it is (`compared`), another chip means that the clip has moved."""
    if isinstance(error, BoardError):
        return error.kind
    if compared and isinstance(error, ChipMismatchError):
        return "swap"
    kind = next((kind for family, kind in _KINDS if isinstance(error, family)), "other")
    return "contact" if kind == "read" and not identified else kind


@dataclass(frozen=True, slots=True)
class NamedRange(Sized):
    """`length` bytes from `start`; `line` of the job file says where it is asked for."""

    name: str
    start: int
    length: int
    line: int

    @property
    def shown(self) -> str:
        """Its addresses, for people."""
        return span(self.start, self.end)


@dataclass(frozen=True, slots=True)
class EnvironmentRule:
    """An environment in which variables are set; `keep` are those taken from the board."""

    place: NamedRange
    keep: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SumRule:
    """A checksum of the variant `kind` over `covers`, stored at `place` in byte order `order`."""

    kind: str
    covers: NamedRange
    place: NamedRange
    order: str


@dataclass(frozen=True, slots=True)
class ValueRule:
    """A value that each board gets: its texts in order, and where it is written.

    `kind` is "mac", "hex" or "text". `variable` is set in every environment of the job;
    `place` holds its raw bytes, padded with `fill`.
    """

    name: str
    kind: str
    texts: ValueList
    variable: str | None
    place: NamedRange | None
    fill: int
    sum: SumRule | None
    line: int

    def raw(self, text: str) -> bytes:
        """The bytes that `text` stands for, without padding. Raises ValueError."""
        if self.kind == "mac":
            return bytes.fromhex(text.replace(":", ""))
        return bytes.fromhex(text) if self.kind == "hex" else text.encode("latin-1")

    def takes(self, text: str) -> bool:
        """Whether a value that another job gave can be written here: it may be of another kind, or
        longer than the place."""
        try:
            length = len(self.raw(text))
        except ValueError:
            return False
        fits = self.place is None or length <= self.place.length
        return fits and (self.kind != "mac" or length == 6)


def sums_in_order(values: Sequence[ValueRule]) -> Iterator[tuple[ValueRule, SumRule]]:
    """The values that have a checksum, one that covers another's checksum after that one. Raises
    ValueError for checksums that cover each other."""
    waiting = [(each, each.sum) for each in values if each.sum is not None]
    while waiting:
        for one in waiting:
            covers, others = one[1].covers, [each for each in waiting if each is not one]
            if not any(covers.meets(sum_rule.place) for _, sum_rule in others):
                break
        else:
            names = " and ".join(each.name for each, _ in waiting)
            raise ValueError(
                f"the checksums of {names} cover each other: they cannot all be correct"
            )
        waiting.remove(one)
        yield one


@dataclass(frozen=True, slots=True)
class Job:
    """A job whose file was in order. `source` is the file's name, `sha256` of its text;
    `boards` is how many are meant to be made, 0 when that is not said."""

    source: str
    sha256: str
    name: str
    image: Image
    layout: Layout | None
    chips: tuple[str, ...]
    boards: int
    passes: int
    label: str
    shared: tuple[str, ...]
    keep: tuple[NamedRange, ...]
    environments: tuple[EnvironmentRule, ...]
    values: tuple[ValueRule, ...]
    failure: Mapping[str, str] = field(default_factory=dict)

    @property
    def columns(self) -> tuple[Column, ...]:
        """What the boards get. The lines of lists belong together, as on a roll of stickers; each
        counted range is drawn by itself, so that none of its numbers is lost when another range
        has one less to give."""
        lists = [rule for rule in self.values if isinstance(rule.texts, Listed)]
        counted = [rule for rule in self.values if not isinstance(rule.texts, Listed)]
        groups = [[rule] for rule in counted] + ([lists] if lists else [])
        return tuple(
            Column(tuple(rule.name for rule in group), tuple(rule.texts for rule in group))
            for group in groups
        )

    @property
    def may_share(self) -> frozenset[Identity]:
        """Identities that all boards may have, by the job's own word."""
        return frozenset(Identity.of("text", each) for each in self.shared)

    def takes(self, values: Mapping[str, str]) -> bool:
        """Whether a board that has these values can keep them under this job."""
        return values.keys() == {rule.name for rule in self.values} and all(
            rule.takes(values[rule.name]) for rule in self.values
        )

    def action(self, kind: str) -> str:
        """What to do after a failure of this kind."""
        return self.failure.get(kind, "next")

    def label_for(self, values: Mapping[str, str]) -> str:
        """The text for the board's label: {name} of each value replaced. Empty for a board that
        has no values yet."""
        if any(rule.name not in values for rule in self.values):
            return ""
        # In one go: a value may itself look like {name}.
        return re.sub(r"\{([^{}]*)\}", lambda found: values.get(found[1], found[0]), self.label)


# -- values: counted ranges and list files ---------------------------------------------------

MOST = 1 << 20
"""Values in one list: as many as a batch can need, few enough to hold."""

_LIMIT = 64 << 20
"""Bytes of a list file."""

_NEWLINE = re.compile(r"\r\n|\r|\n")
_SEPARATORS = ",;\t|\"'"
_COLUMNS = re.compile(r"\s{2,}|\s#")
_SHORT_MAC = re.compile(r"[0-9A-Fa-f]{1,2}(:[0-9A-Fa-f]{1,2}){5}")


def mac_text(text: str) -> str:
    """A MAC address as six pairs with colons, in lower case. Raises ValueError with the cause."""
    plain = as_mac(text)
    if plain is None:
        raise ValueError(f"“{text[:40]}” is not a MAC address such as 00:00:5e:00:53:01")
    if plain == "00:00:00:00:00:00":
        raise ValueError(f"{plain} is not an address")
    if int(plain[:2], 16) & 1:
        raise ValueError(f"{plain} is a group address (IEEE 802); a board cannot have one")
    return plain


def hex_text(text: str) -> str:
    """Bytes in hexadecimal, in lower case; with spaces only where each byte stands by itself: else
    they are columns. Raises ValueError with the cause."""
    words = text.split()
    if len(words) > 1 and any(len(each) != 2 for each in words):
        raise ValueError(f"“{text[:40]}” is not a single value, or not bytes in hexadecimal")
    try:
        found = bytes.fromhex(text).hex()
    except ValueError as exc:
        raise ValueError(f"“{text[:40]}” is not bytes in hexadecimal") from exc
    if not found:
        raise ValueError("the value is empty")
    return found


def plain_text(text: str) -> str:
    """Printable text of one byte a character. Raises ValueError with the cause."""
    if not text or not text.isprintable() or not text.isascii():
        raise ValueError(f"“{text[:40]}” is not plain ASCII text")
    if re.search(r"[:.-]", text) and as_mac(text) is not None:
        mac_text(text)  # an address in a list of texts is one anyway
    elif _SHORT_MAC.fullmatch(text):
        # Boot loaders take it for the address that another list may spell in full.
        raise ValueError(
            f"“{text}” is a MAC address without leading zeros: write two digits for each byte"
        )
    return text


FORMS: dict[str, Callable[[str], str]] = {MAC: mac_text, HEX: hex_text, TEXT: plain_text}
"""Kinds of values, and what brings them to one spelling."""


def mac_range(first: str, last: str) -> Counted:
    """Every address from `first` to `last`. Raises ValueError with the cause."""
    low, high = (int(mac_text(each).replace(":", ""), 16) for each in (first, last))
    _within(low, high)
    if low >> 40 != high >> 40:
        raise ValueError(f"the range from {first} to {last} includes group addresses (IEEE 802)")
    return Counted(MAC, low, high)


def counted(kind: str, pattern: str, first: int, last: int) -> Counted:
    """`pattern` with its run of "#" replaced by each number. Raises ValueError with the cause."""
    runs = re.findall(r"#+", pattern)
    if len(runs) != 1:
        raise ValueError("pattern must have one group of #, one # for each digit, as in “HG-####”")
    _within(first, last)
    digits = len(runs[0])
    if len(str(last)) > digits:
        raise ValueError(f"{last} has more digits than the pattern has #")
    before, after = pattern.split(runs[0])
    found = Counted(kind, first, last, digits, before, after)
    for each in (found[0], found[-1]):
        if FORMS[kind](each) != each:
            raise ValueError(f"“{pattern}” must be written as {FORMS[kind](each)}")
    return found


def listed(path: Path, kind: str) -> Listed:
    """The values of a list file. Raises `CloneJobError` that names file and line."""
    found: dict[Identity, int] = {}
    texts: list[str] = []
    lines = _lines(path)
    for number, line in enumerate(lines, 1):
        if not _is_value(line):
            continue
        words = line.split()
        if kind == TEXT and (
            _COLUMNS.search(line.strip())
            or line.lstrip().startswith(("//", "--"))
            or (len(words) > 1 and any(as_mac(each) for each in words))
        ):
            _refuse(path, number, f"“{line.strip()[:40]}” is not a single value; write a remark on "
                    "a line of its own, with # before it")  # fmt: skip
        separator = next((each for each in _SEPARATORS if each in line), None)
        if separator is not None:
            shown = "a tab" if separator == "\t" else f"“{separator}”"
            _refuse(
                path, number, f"it contains {shown}: a list has one value on each line, no columns"
            )
        try:
            value = FORMS[kind](line.strip())
        except ValueError as exc:
            _refuse(path, number, str(exc))
        identity = Identity.of(kind, value)
        if len(value) > LONGEST:
            _refuse(path, number, f"a value has {len(value)} characters, more than {LONGEST}")
        if identity in found:
            _refuse(path, number, f"{value} is already on line {found[identity]}")
        found[identity] = number
        texts.append(value)
        if len(found) > MOST:
            _refuse(path, number, f"more than {MOST} values")
    if not found:
        _refuse(path, 1, "the list is empty")
    _refuse_headings(path, lines, kind)
    return Listed(kind, tuple(texts))


def _lines(path: Path) -> list[str]:
    # Not `splitlines`: it would make two values of one with a stray control character in it.
    return _NEWLINE.split(read_named_text(path, CloneJobError, limit=_LIMIT))


def _refuse_headings(path: Path, lines: Sequence[str], kind: str) -> None:
    """Raise for a first line without a digit above lines that all have some, and for one that is
    no MAC address above lines that all are."""
    values = [(number, line.strip()) for number, line in enumerate(lines, 1) if _is_value(line)]
    if kind != TEXT or len(values) < 2:
        return
    (number, text), rest = values[0], [each for _, each in values[1:]]
    if (
        not any(each.isdigit() for each in text)
        and all(any(each.isdigit() for each in line) for line in rest)
    ) or (as_mac(text) is None and all(as_mac(line) is not None for line in rest)):
        _refuse(path, number, f"“{text[:40]}” looks like a heading; put # before it")


def _is_value(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _within(low: int, high: int) -> None:
    if high < low:
        raise ValueError("last is before first")
    if high - low >= MOST:
        raise ValueError(f"more than {MOST} values")


def _refuse(path: Path, number: int, problem: str) -> NoReturn:
    raise CloneJobError(f"{path}, line {number}: {problem}.", remedy="Correct the list.")
