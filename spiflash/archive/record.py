"""The record of one backup: chip, passes, agreement, and how far it can be trusted.

A record is one JSON document (`data/record.json` of a backup set). Bytes are lower-case
hexadecimal, addresses and sizes are in bytes, clocks in hertz, durations in seconds. The
number in `record_version` changes whenever a field is added, removed or changes its meaning.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Literal

from msgspec import Meta

from spiflash.archive import codec
from spiflash.archive.codec import Bits, Count, Hex, Moment, Number, Positive, Sha256, Text
from spiflash.nor.chip import ChipIdentity

RECORD_VERSION = 3

LABEL_LIMIT = 100
"""Characters of a board's label: what fits a sticker, and a line of a report."""

_ADDED_IN_3: tuple[tuple[str, str, object], ...] = (
    ("agreement", "changed", []),
    ("evidence", "weak", []),
    ("evidence", "unseen", 0.0),
    ("", "one_time", []),
)
"""What a record of version 2 does not have: the object, the key, and what its absence meant."""


def label_problem(label: str) -> str:
    """Why this can be no label of a board: a record with it could not be read back, or nobody could
    type it; empty when it can be one."""
    if label.isprintable() and len(label) <= LABEL_LIMIT:
        return ""
    return f"a label is one line of at most {LABEL_LIMIT} characters, without control characters"


@dataclass(frozen=True, slots=True)
class ChipRecord:
    """The answers of the chip, and the part that they were found to mean.

    `candidates` are the names of all parts that fit the answers (`name` among them, or the
    list is empty when only SFDP described the chip); `identified_by` says in words how the
    choice was made. `size` and `page` are in bytes. `jedec_id`, `sfdp`, `unique_id`, `rems`
    and `legacy_id` are raw answers in hexadecimal, None where the chip has no such command.
    `registers` are raw register values by name; `supply` is the supply range in words.
    """

    name: Text
    vendor: Text
    jedec_id: Hex
    candidates: tuple[Text, ...]
    identified_by: Text
    size: Positive
    page: Annotated[int, Meta(ge=1, le=65536)]
    sfdp: Hex | None = None
    unique_id: Hex | None = None
    registers: Mapping[Text, Hex] = field(default_factory=dict)
    rems: Hex | None = None
    legacy_id: Hex | None = None
    supply: Text | None = None


@dataclass(frozen=True, slots=True)
class PassRecord:
    """One complete reading: its settings, the SHA-256 of what it read, and its duration.

    `opcode` is the read command; `clock_hz` the actual SPI clock; `sampling` "edge" or
    "late"; `chunk` the longest single transfer in bytes; `direction` "up" or "down".
    """

    number: Positive
    opcode: Annotated[int, Meta(ge=0, le=0xFF)]
    clock_hz: Number
    sampling: Literal["edge", "late"]
    chunk: Positive
    direction: Literal["up", "down"]
    sha256: Sha256
    seconds: Number


@dataclass(frozen=True, slots=True)
class AgreementRecord:
    """What the passes say about each sector.

    `settled`, `unstable` and `changed` are the ascending start addresses of the sectors on which
    passes disagreed: until they were read again, for good, and because earlier passes read
    other contents than all that followed (these are kept beside the contents). All other sectors
    are stable.
    """

    sector_size: Positive
    sectors: Positive
    settled: tuple[Count, ...] = ()
    unstable: tuple[Count, ...] = ()
    changed: tuple[Count, ...] = ()

    @property
    def read_again(self) -> int:
        """How many sectors had to be read again."""
        return len(self.settled) + len(self.unstable) + len(self.changed)


@dataclass(frozen=True, slots=True)
class ProbeRecord:
    """A separate test of something that no re-reading can show.

    `name` is stable, for scripts; `doubt` says what was to be excluded; `outcome` is "held",
    "failed", or "open" where this chip or its contents cannot show it; `remark` says what was
    seen.
    """

    name: Text
    doubt: Text
    outcome: Literal["held", "failed", "open"]
    remark: Text


@dataclass(frozen=True, slots=True)
class EvidenceRecord:
    """How sure the reading is, in numbers.

    `passes` readings of `bits` bits each differ in `differing` bits, which gives the raw
    error rate per bit `rate` and its 95 % bounds. `shared` is the bound for the expected
    number of bits that all passes read wrong alike, `settled` the same for sectors that were
    settled by reading again; their sum must be below `limit` for a verified backup. `stretch`
    is the number of bits over which errors must be spread at least for that to hold.

    All these figures are about random errors that are even and independent. `weak`
    are the addresses (8 × byte + bit 0–7) of bits that were seen to go wrong by themselves,
    `unseen` the estimated number of others that were read alike in every pass.
    """

    bits: Bits
    passes: Positive
    differing: Bits
    rate: Number
    rate_low: Number
    rate_high: Number
    shared: Number
    settled: Number
    limit: Number
    stretch: Number
    probes: tuple[ProbeRecord, ...] = ()
    weak: tuple[Bits, ...] = ()
    unseen: Number = 0.0

    @property
    def expected(self) -> float:
        """The expected number of undetected bit errors."""
        return self.shared + self.settled


@dataclass(frozen=True, slots=True)
class OneTimeRecord:
    """How one-time data was read: `name` is "unique-id" or "security-1", "security-2" …

    `readings` in all, at several clocks and edges; the last `row` of them were equal, bit for bit;
    `differing` of its `bits` differed in some reading. `expected` is the bound for the wrong
    bits in what was saved; `settled` says whether that is below the limit.
    """

    name: Text
    bits: Positive
    readings: Positive
    row: Positive
    differing: Count
    expected: Number
    settled: bool


@dataclass(frozen=True, slots=True)
class Record:
    """A backup, without its contents.

    `made` is the time at which the backup was complete, with its UTC offset; `program` maps
    the name of each program involved to its version; `board` is the label that the person
    gave. `doubts` are the reasons why the backup is not `verified` (empty when it is);
    `symptoms` are remarks on the contents. `size` (bytes) and `sha256` describe the contents.
    """

    made: Moment
    program: Mapping[Text, Text]
    adapter: Text
    board: Text
    chip: ChipRecord
    passes: tuple[PassRecord, ...]
    agreement: AgreementRecord
    evidence: EvidenceRecord
    verified: bool
    doubts: tuple[Text, ...]
    symptoms: tuple[Text, ...]
    size: Positive
    sha256: Sha256
    one_time: tuple[OneTimeRecord, ...] = ()

    @property
    def identity(self) -> ChipIdentity:
        """Which chip the set is of, as far as asking it tells."""
        return ChipIdentity.from_hex(self.chip.jedec_id, self.chip.unique_id, self.size)

    @property
    def verdict(self) -> str:
        """Whether the set was verified when it was made, in words."""
        return "verified" if self.verified else "NOT VERIFIED"

    def to_json(self) -> str:
        """The record as JSON text: keys always in the same order, one trailing newline."""
        ordered = replace(self, program=dict(sorted(self.program.items())))
        return codec.dump(ordered, indent=2, record_version=RECORD_VERSION) + "\n"

    @classmethod
    def from_json(cls, text: str, document: str = "record.json") -> Record:
        """Read a record back.

        `document` names the file in messages. Raises `BackupSetError` naming the key when
        anything is missing, unknown, of the wrong type, out of range or contradictory.
        """
        found = codec.load(text, document)
        if codec.take_version(found, "record_version", (2, RECORD_VERSION), document) == 2:
            for parent, key, value in _ADDED_IN_3:
                codec.add(found, key, value, document, parent)
        record = codec.parse(cls, found, document)
        for key, problem in _contradictions(record):
            codec.refuse(document, key, problem)
        return record


def _contradictions(record: Record) -> Iterator[tuple[str, str]]:
    """Key and problem of everything in the record that cannot all be so."""
    agreement, evidence = record.agreement, record.evidence
    if [item.number for item in record.passes] != list(range(1, len(record.passes) + 1)):
        yield "passes", "must be numbered 1, 2, 3 …"
    sector = agreement.sector_size
    if agreement.sectors != -(-record.size // sector):
        yield "agreement.sectors", f"does not fit {record.size} bytes in sectors of {sector}"
    for name in ("settled", "unstable", "changed"):
        addresses: tuple[int, ...] = getattr(agreement, name)
        for i, address in enumerate(addresses):
            key = f"agreement.{name}[{i}]"
            if address >= record.size:
                yield key, f"must be below {record.size}"
            if address % sector:
                yield key, f"must be a multiple of {sector}"
            if i and address <= addresses[i - 1]:
                yield key, "must be above the address before it"
    if set(agreement.settled) & set(agreement.unstable):
        yield "agreement.settled", "names a sector that “unstable” names too"
    if set(agreement.changed) & {*agreement.settled, *agreement.unstable}:
        yield "agreement.changed", "names a sector that “settled” or “unstable” names too"
    if evidence.bits != 8 * record.size:
        yield "evidence.bits", f"does not fit {record.size} bytes"
    if not evidence.rate_low <= evidence.rate <= evidence.rate_high <= 1:
        yield "evidence.rate", "must be between its bounds, which must be at most 1"
    for i, bit in enumerate(evidence.weak):
        if bit >= evidence.bits:
            yield f"evidence.weak[{i}]", f"must be below {evidence.bits}"
    for i, each in enumerate(record.one_time):
        if each.row > each.readings:
            yield f"one_time[{i}].row", "is more than “readings”"
    if record.verified:
        for doubtful, problem in (
            (record.doubts, "although “doubts” gives reasons against it"),
            (agreement.unstable, "although “agreement.unstable” names sectors"),
            (evidence.expected >= evidence.limit, "although “evidence” does not reach its limit"),
            (evidence.weak, "although “evidence.weak” names bits"),
            (
                not all(each.settled for each in record.one_time),
                "although “one_time” is not settled",
            ),
            (len(record.passes) < 2, "although fewer than two passes were made"),
        ):
            if doubtful:
                yield "verified", f"is true {problem}"
