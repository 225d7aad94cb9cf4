"""A clone job as a value: what every board gets, and what each keeps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from spiflash.archive.ledger import Draw, Value
from spiflash.dump.layout import Layout
from spiflash.work.image import Image

FAILURES: Mapping[str, str] = {
    "contact": "the chip cannot be reached, or not reliably",
    "chip": "not a chip that the job accepts, or one that must not be written",
    "read": "readings of the board do not agree",
    "own": "what the board is to keep is not there",
    "write": "the chip does not hold what was written, or does not get ready",
    "adapter": "the adapter stopped answering",
    "values": "the list of values is used up",
    "other": "anything else",
}
"""Kinds of failure and what they mean."""

ACTIONS = ("next", "again", "hold", "stop")
"""What to do after a failure: give the values back and go on; try once more first; keep the
values for this board; give them back and end this adapter's work."""


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
    texts: tuple[str, ...]
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
    def draws(self) -> list[Draw]:
        """What the boards get, one after the other; as many as the shortest list allows."""
        columns = [
            [Value("mac" if rule.kind == "mac" else rule.name, rule.name, each) for each in texts]
            for rule in self.values
            for texts in (rule.texts,)
        ]
        return list(zip(*columns, strict=False))

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
