"""What is written down about one backup: chip, passes, agreement, and how far to trust it.

A record is one JSON document (`data/record.json` of a backup set). Bytes are lower-case
hexadecimal, addresses and sizes are in bytes, clocks in hertz, durations in seconds. The
number in `record_version` changes whenever a field is added, removed or changes its meaning.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime

from spiflash.archive.fields import Fields, parse_object

RECORD_VERSION = 3
READ_TOO = (2,)
"""Older versions that are read as well. 2 has no "changed", "weak", "unseen" and "one_time"."""

DIRECTIONS = ("up", "down")
SAMPLINGS = ("edge", "late")
OUTCOMES = ("held", "failed", "open")


@dataclass(frozen=True, slots=True)
class ChipRecord:
    """The chip as it answered, and what it was taken for.

    `candidates` are the names of all parts that fit the answers (`name` among them, or the
    list is empty when only SFDP described the chip); `identified_by` says in words how the
    choice was made. `size` and `page` are in bytes. `jedec_id`, `sfdp`, `unique_id`, `rems`
    and `legacy_id` are raw answers in hexadecimal, None where the chip has no such command.
    `registers` are raw register values by name; `supply` is the supply range in words.
    """

    name: str
    vendor: str
    jedec_id: str
    candidates: tuple[str, ...]
    identified_by: str
    size: int
    page: int
    sfdp: str | None = None
    unique_id: str | None = None
    registers: Mapping[str, str] = field(default_factory=dict)
    rems: str | None = None
    legacy_id: str | None = None
    supply: str | None = None


@dataclass(frozen=True, slots=True)
class PassRecord:
    """One complete reading: its settings, the SHA-256 of what it read, and its duration.

    `opcode` is the read command; `clock_hz` the actual SPI clock; `sampling` "edge" or
    "late"; `chunk` the longest single transfer in bytes; `direction` "up" or "down".
    """

    number: int
    opcode: int
    clock_hz: float
    sampling: str
    chunk: int
    direction: str
    sha256: str
    seconds: float


@dataclass(frozen=True, slots=True)
class AgreementRecord:
    """What the passes say about each sector.

    `settled`, `unstable` and `changed` are the ascending start addresses of the sectors on which
    passes disagreed: until they were read again, for good, and because earlier passes read
    other contents than all that followed (these are kept beside the contents). All other sectors
    are stable.
    """

    sector_size: int
    sectors: int
    settled: tuple[int, ...] = ()
    unstable: tuple[int, ...] = ()
    changed: tuple[int, ...] = ()

    @property
    def read_again(self) -> int:
        """How many sectors had to be read again."""
        return len(self.settled) + len(self.unstable) + len(self.changed)


@dataclass(frozen=True, slots=True)
class ProbeRecord:
    """A separate test of something that no re-reading can show.

    `name` is stable, for scripts; `doubt` says what was in question; `outcome` is "held",
    "failed", or "open" where this chip or its contents cannot show it; `remark` says what was
    seen.
    """

    name: str
    doubt: str
    outcome: str
    remark: str


@dataclass(frozen=True, slots=True)
class EvidenceRecord:
    """How sure the reading is, in numbers.

    `passes` readings of `bits` bits each differ in `differing` bits, which gives the raw
    error rate per bit `rate` and its 95 % bounds. `shared` is the bound for the expected
    number of bits that all passes read wrong alike, `settled` the same for sectors that were
    settled by reading again; their sum must be below `limit` for a verified backup. `stretch`
    is the number of bits over which errors must be spread at least for that to hold.

    All these figures are about errors that strike at random, evenly and independently. `weak`
    are the addresses (8 × byte + bit 0–7) of bits that were seen to go wrong by themselves,
    `unseen` the estimated number of others that were read alike in every pass.
    """

    bits: int
    passes: int
    differing: int
    rate: float
    rate_low: float
    rate_high: float
    shared: float
    settled: float
    limit: float
    stretch: float
    probes: tuple[ProbeRecord, ...] = ()
    weak: tuple[int, ...] = ()
    unseen: float = 0.0

    @property
    def expected(self) -> float:
        """The expected number of wrong bits that nothing has shown."""
        return self.shared + self.settled


@dataclass(frozen=True, slots=True)
class OneTimeRecord:
    """How one-time data was read: `name` is "unique-id" or "security-1", "security-2" …

    `readings` in all, at several clocks and edges; the last `row` of them were equal, bit for bit;
    `differing` of its `bits` differed in some reading. `expected` is the bound for the wrong
    bits in what was saved; `settled` says whether that is below the limit.
    """

    name: str
    bits: int
    readings: int
    row: int
    differing: int
    expected: float
    settled: bool


@dataclass(frozen=True, slots=True)
class Record:
    """A backup, without its contents.

    `made` is the time at which the backup was complete, with its UTC offset; `program` maps
    the name of each program involved to its version; `board` is the label that the person
    gave. `doubts` are the reasons why the backup is not `verified` (empty when it is);
    `symptoms` are remarks on the contents. `size` (bytes) and `sha256` describe the contents.
    """

    made: datetime
    program: Mapping[str, str]
    adapter: str
    board: str
    chip: ChipRecord
    passes: tuple[PassRecord, ...]
    agreement: AgreementRecord
    evidence: EvidenceRecord
    verified: bool
    doubts: tuple[str, ...]
    symptoms: tuple[str, ...]
    size: int
    sha256: str
    one_time: tuple[OneTimeRecord, ...] = ()

    def to_json(self) -> str:
        """The record as JSON text: keys always in the same order, one trailing newline."""
        document: dict[str, object] = {"record_version": RECORD_VERSION}
        document |= asdict(self)
        document["made"] = self.made.isoformat()
        document["program"] = dict(sorted(self.program.items()))
        return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str, document: str = "record.json") -> Record:
        """Read a record back.

        `document` names the file in messages. Raises `BackupSetError` naming the field when
        anything is missing, unknown, of the wrong type, out of range or contradictory.
        """
        fields = parse_object(text, document)
        version = fields.integer("record_version")
        if version not in (*READ_TOO, RECORD_VERSION):
            known = f"{', '.join(map(str, READ_TOO))} and {RECORD_VERSION}"
            fields.refuse("record_version", f"is {version}; this program reads {known}")
        old = version == 2
        size = fields.integer("size", low=1)
        record = cls(
            made=fields.moment("made"),
            program=fields.text_mapping("program"),
            adapter=fields.text("adapter"),
            board=fields.text("board"),
            chip=_chip(fields.child("chip")),
            passes=tuple(_pass(child) for child in fields.children("passes")),
            agreement=_agreement(fields.child("agreement"), size, old),
            evidence=_evidence(fields.child("evidence"), size, old),
            verified=fields.flag("verified"),
            doubts=fields.texts("doubts"),
            symptoms=fields.texts("symptoms"),
            size=size,
            sha256=fields.sha256("sha256"),
            one_time=() if old else tuple(_one_time(each) for each in fields.children("one_time")),
        )
        fields.finish()
        if [item.number for item in record.passes] != list(range(1, len(record.passes) + 1)):
            fields.refuse("passes", "must be numbered 1, 2, 3 …")
        if record.verified and record.doubts:
            fields.refuse("verified", "is true although “doubts” gives reasons against it")
        if record.verified and record.agreement.unstable:
            fields.refuse("verified", "is true although “agreement.unstable” names sectors")
        if record.verified and record.evidence.expected >= record.evidence.limit:
            fields.refuse("verified", "is true although “evidence” does not reach its limit")
        if record.verified and record.evidence.weak:
            fields.refuse("verified", "is true although “evidence.weak” names bits")
        if record.verified and not all(each.settled for each in record.one_time):
            fields.refuse("verified", "is true although “one_time” is not settled")
        if record.verified and len(record.passes) < 2:
            fields.refuse("verified", "is true although fewer than two passes were made")
        return record


def _choice(fields: Fields, name: str, choices: tuple[str, ...]) -> str:
    value = fields.text(name)
    if value not in choices:
        fields.refuse(name, "must be one of " + ", ".join(choices))
    return value


def _chip(fields: Fields) -> ChipRecord:
    chip = ChipRecord(
        name=fields.text("name"),
        vendor=fields.text("vendor"),
        jedec_id=fields.hexadecimal("jedec_id"),
        candidates=fields.texts("candidates"),
        identified_by=fields.text("identified_by"),
        size=fields.integer("size", low=1),
        page=fields.integer("page", low=1, high=65536),
        sfdp=fields.optional_hexadecimal("sfdp"),
        unique_id=fields.optional_hexadecimal("unique_id"),
        registers=fields.hexadecimal_mapping("registers"),
        rems=fields.optional_hexadecimal("rems"),
        legacy_id=fields.optional_hexadecimal("legacy_id"),
        supply=fields.optional_text("supply"),
    )
    fields.finish()
    return chip


def _pass(fields: Fields) -> PassRecord:
    result = PassRecord(
        number=fields.integer("number", low=1),
        opcode=fields.integer("opcode", high=0xFF),
        clock_hz=fields.number("clock_hz"),
        sampling=_choice(fields, "sampling", SAMPLINGS),
        chunk=fields.integer("chunk", low=1),
        direction=_choice(fields, "direction", DIRECTIONS),
        sha256=fields.sha256("sha256"),
        seconds=fields.number("seconds"),
    )
    fields.finish()
    return result


def _agreement(fields: Fields, size: int, old: bool) -> AgreementRecord:
    sector_size = fields.integer("sector_size", low=1)
    result = AgreementRecord(
        sector_size=sector_size,
        sectors=fields.integer("sectors", low=1),
        settled=_addresses(fields, "settled", sector_size, size),
        unstable=_addresses(fields, "unstable", sector_size, size),
        changed=() if old else _addresses(fields, "changed", sector_size, size),
    )
    fields.finish()
    if result.sectors != -(-size // sector_size):
        fields.refuse("sectors", f"does not fit {size} bytes in sectors of {sector_size}")
    if set(result.settled) & set(result.unstable):
        fields.refuse("settled", "names a sector that “unstable” names too")
    if set(result.changed) & {*result.settled, *result.unstable}:
        fields.refuse("changed", "names a sector that “settled” or “unstable” names too")
    return result


def _evidence(fields: Fields, size: int, old: bool) -> EvidenceRecord:
    result = EvidenceRecord(
        bits=fields.integer("bits", low=1, high=2**40),
        passes=fields.integer("passes", low=1),
        differing=fields.integer("differing", high=2**40),
        rate=fields.number("rate"),
        rate_low=fields.number("rate_low"),
        rate_high=fields.number("rate_high"),
        shared=fields.number("shared"),
        settled=fields.number("settled"),
        limit=fields.number("limit"),
        stretch=fields.number("stretch"),
        probes=tuple(_probe(child) for child in fields.children("probes")),
        weak=() if old else fields.integers("weak", high=8 * size - 1),
        unseen=0.0 if old else fields.number("unseen"),
    )
    fields.finish()
    if result.bits != 8 * size:
        fields.refuse("bits", f"does not fit {size} bytes")
    if not result.rate_low <= result.rate <= result.rate_high <= 1:
        fields.refuse("rate", "must lie between its bounds, and these below 1")
    return result


def _probe(fields: Fields) -> ProbeRecord:
    result = ProbeRecord(
        name=fields.text("name"),
        doubt=fields.text("doubt"),
        outcome=_choice(fields, "outcome", OUTCOMES),
        remark=fields.text("remark"),
    )
    fields.finish()
    return result


def _one_time(fields: Fields) -> OneTimeRecord:
    result = OneTimeRecord(
        name=fields.text("name"),
        bits=fields.integer("bits", low=1),
        readings=fields.integer("readings", low=1),
        row=fields.integer("row", low=1),
        differing=fields.integer("differing"),
        expected=fields.number("expected"),
        settled=fields.flag("settled"),
    )
    fields.finish()
    if result.row > result.readings:
        fields.refuse("row", "is more than “readings”")
    return result


def _addresses(fields: Fields, name: str, sector_size: int, size: int) -> tuple[int, ...]:
    addresses = fields.integers(name, high=size - 1)
    for i, address in enumerate(addresses):
        if address % sector_size:
            fields.refuse(f"{name}[{i}]", f"must be a multiple of {sector_size}")
        if i and address <= addresses[i - 1]:
            fields.refuse(f"{name}[{i}]", "must be above the address before it")
    return addresses
