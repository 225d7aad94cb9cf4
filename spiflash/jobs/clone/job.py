"""A clone job as a value: what every board gets, and what each keeps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from spiflash.archive.ledger.values import Column, Identity, Listed, ValueList
from spiflash.dump.layout import Layout
from spiflash.errors import (
    BusError,
    ChipAbsentError,
    ChipAmbiguousError,
    ChipMismatchError,
    ChipProtectedError,
    ChipTimeoutError,
    ChipUnknownError,
    IdentityTakenError,
    SpiflashError,
    UnstableReadError,
    ValuesUsedUpError,
    VerifyError,
)
from spiflash.jobs.image import Image

FAILURES: Mapping[str, str] = {
    "contact": "the chip cannot be reached, or not reliably",
    "chip": "not a chip that the job accepts, or one that must not be written",
    "read": "readings of the board do not agree",
    "own": "what the board is to keep is not there, or another board has it",
    "swap": "the clip went to another board in the middle of the work",
    "write": "the chip does not hold what was written, or does not get ready",
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


def kind_of(error: SpiflashError, *, identified: bool, compared: bool) -> str:
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
class Stretch:
    """`length` bytes from `start`; `line` of the job file says where it is asked for."""

    name: str
    start: int
    length: int
    line: int

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.length

    def overlaps(self, other: Stretch) -> bool:
        """Whether they have a byte in common."""
        return self.start < other.end and other.start < self.end


@dataclass(frozen=True, slots=True)
class EnvironmentRule:
    """An environment in which variables are set; `keep` are those taken from the board."""

    place: Stretch
    keep: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SumRule:
    """A checksum of the variant `kind` over `covers`, stored at `place` in byte order `order`."""

    kind: str
    covers: Stretch
    place: Stretch
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
    place: Stretch | None
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
            if not any(covers.overlaps(sum_rule.place) for _, sum_rule in others):
                break
        else:
            names = " and ".join(each.name for each, _ in waiting)
            raise ValueError(f"the checksums of {names} cover each other: none can be right")
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
    keep: tuple[Stretch, ...]
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
        text = self.label
        for name, value in values.items():
            text = text.replace("{" + name + "}", value)
        return text
