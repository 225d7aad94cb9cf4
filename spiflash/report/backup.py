"""A backup as text, as more text (--details), and as JSON."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from spiflash.archive.record import EvidenceRecord, PassRecord, Record
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.audit import audit_facts
from spiflash.report.bench import after_backup
from spiflash.report.drawing import Holds, Sector, sectors
from spiflash.report.lines import facts, listed, table, wrapped
from spiflash.report.plain import plain
from spiflash.report.record_facts import (
    COMMANDS,
    PASS_COLUMNS,
    agreement_facts,
    backup_facts,
    certainty_json,
    chip_facts,
    headline,
    limits_of,
    pass_rows,
    witness_words,
)
from spiflash.text import address, amount, clock, hex_pairs, printable

_LEFT_OUT = 4
"""Sectors on which passes disagreed that are named; the page names the others."""


def backup_text(record: Record, audit: Audit, folder: Path) -> str:
    """A screen of text about the backup set in `folder`: the verdict, then what it is about.

    Lines of at most 80 characters, but for the path of the set.
    """
    verdict = headline(record, audit.coverage)
    lines = [verdict.title.upper(), *wrapped(verdict.sentence), *listed(record.doubts)]
    lines += facts(
        (
            *limits_of(record.evidence),
            ("Second witness", witness_words(audit.coverage)),
            ("Contents", audit.coverage.headline),
            ("Tests", _tests(record.evidence)),
        )
    )
    lines += [f"  Set             {printable(str(folder))}", *listed(record.symptoms)]
    lines += ["", *facts((*_facts(record), *audit_facts(audit))), ""]
    return "\n".join(lines)


def set_text(record: Record, audit: Audit, folder: Path, page: Path) -> str:
    """The end of either report: the verdict once more, beside what was made."""
    title = headline(record, audit.coverage).title.upper()
    return f"{title}\n  Set   {printable(str(folder))}\n  Page  {printable(str(page))}"


def _facts(record: Record) -> tuple[tuple[str, str], ...]:
    chip = record.chip
    differing = tuple(
        (label, value)
        for label, value in agreement_facts(record, limit=_LEFT_OUT)
        if label in ("Settled", "Unstable", "Changed") and value != "none"
    )
    unique = f"unique ID {hex_pairs(bytes.fromhex(chip.unique_id))}" if chip.unique_id else ""
    return (
        ("Board", record.board or "not named"),
        ("Chip", f"{chip.vendor} {chip.name}, {amount(chip.size)}, {unique or 'no unique ID'}"),
        ("SHA-256", record.sha256),
        ("Passes", "; ".join(map(_pass, record.passes))),
        *differing,
    )


def _pass(taken: PassRecord) -> str:
    return f"{taken.opcode:02X}h at {clock(taken.clock_hz)}, {taken.direction}"


def _tests(found: EvidenceRecord) -> str:
    """What the separate tests said."""
    outcomes = Counter(probe.outcome for probe in found.probes)
    tests = [
        f"{count} {outcome}{_names(found, outcome)}" for outcome, count in outcomes.most_common()
    ]
    return ", ".join(tests) or "none"


def _names(found: EvidenceRecord, outcome: str) -> str:
    names: Sequence[str] = [each.name for each in found.probes if each.outcome == outcome]
    return "" if outcome == "held" else f" ({', '.join(names)})"


_MAP_COLUMNS = 64
_MAP_LINES = 32
_FINDINGS_LIMIT = 100
_SIGNS = {
    Holds.VERIFIED: "#",
    Holds.CONSISTENT: "=",
    Holds.UNRECOGNISED: "?",
    Holds.DAMAGED: "X",
    Holds.BLANK: ".",
}
_UNSTABLE = "!"
_NOT_LISTED = (Verdict.BLANK, Verdict.NOTED)


def backup_details(
    record: Record, contents: bytes, findings: Sequence[Finding], coverage: Coverage
) -> str:
    """What the page says beyond `backup_text`, in lines of at most 80 characters and with a
    newline at the end.

    Arguments as of `backup_page`. Findings that are blank or only noted are counted, not listed.
    """
    parts = sectors(contents, findings, record.agreement)
    lines = ["Backup", *facts(backup_facts(record))]
    lines += ["", "Chip", *facts(chip_facts(record))]
    lines += ["", *_map(parts, len(contents), record.agreement.sector_size)]
    lines += ["", "Findings", *_findings(findings, len(contents)), *wrapped(coverage.headline)]
    lines += ["", "Passes", *table((PASS_COLUMNS, *pass_rows(record)), gap=1)]
    lines += ["", "Agreement", *facts(agreement_facts(record, limit=16))]
    lines += ["", "Take care", *listed(after_backup(record.chip.supply))]
    lines += ["", "Go on, in the folder of the set"]
    for what, command in COMMANDS:
        # A command is never broken: it is there to be copied.
        lines += [*wrapped(what + ":"), "    " + command]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _map(parts: Sequence[Sector], size: int, sector_size: int) -> list[str]:
    """At most 32 lines of 64 signs; where a sign is several sectors, the worst one counts."""
    each = 1
    while -(-len(parts) // each) > _MAP_COLUMNS * _MAP_LINES:
        each *= 2
    signs = "".join(_sign(parts[i : i + each]) for i in range(0, len(parts), each))
    step = _MAP_COLUMNS * each * sector_size
    key = "  ".join(f"{sign} {kind.value}" for kind, sign in _SIGNS.items())
    return [
        f"Map: one sign is {amount(each * sector_size)}, one line {amount(step)}",
        *(
            f"  {address(i * each * sector_size, size):>10} {signs[i : i + _MAP_COLUMNS]}"
            for i in range(0, len(signs), _MAP_COLUMNS)
        ),
        f"  {key}  {_UNSTABLE} unstable",
    ]


def _sign(parts: Sequence[Sector]) -> str:
    if any(part.agreement == "unstable" for part in parts):
        return _UNSTABLE
    order = list(Holds)
    return _SIGNS[min((part.holds for part in parts), key=order.index)]


def _findings(findings: Sequence[Finding], size: int) -> list[str]:
    listed = [each for each in findings if each.verdict not in _NOT_LISTED]
    lines = []
    for finding in listed[:_FINDINGS_LIMIT]:
        place = f"  {address(finding.start, size)} {amount(finding.length):>15} "
        verdict = f"{finding.verdict.value:<11}"
        lines += wrapped(finding.title, place + verdict, " " * len(place + verdict), limit=160)
    more = len(listed) - _FINDINGS_LIMIT
    if more > 0:
        lines.append(f"  and {more:,} more")
    for kind in _NOT_LISTED:
        count = sum(each.verdict is kind for each in findings)
        if count:
            lines.append(f"  left out: {count:,} {kind.value}")
    return lines or ["  nothing was recognised"]


REPORT_VERSION = 3
"""2: findings have "uncovered", "damage" and "parent" as well. 3: "certainty"."""


def backup_json(
    record: Record,
    findings: Sequence[Finding],
    coverage: Coverage,
    folder: Path | None = None,
) -> str:
    """One JSON object on one or more lines of ASCII, with a newline at the end.

    Keys: "report_version", "set" (the path of the backup set or null), "record" (as in
    record.json), "certainty" (see `certainty_json`), "coverage" (bytes by kind, and the headline),
    "findings" ("uncovered": ranges of an item
    that none of its checksums covers; "damage": the smallest ranges known to contain its damage,
    none means all of it; "parent": the place in the list, from 0, of the smallest finding around
    it; "proof": what kind of checksum, in words). Ranges are pairs: the start, and the address
    after the last byte. Addresses and sizes are numbers of bytes. ASCII, so that no
    string of a dump can act on a terminal.
    """
    document = {
        "report_version": REPORT_VERSION,
        "set": None if folder is None else str(folder),
        "record": json.loads(record.to_json()),
        "certainty": certainty_json(record, coverage),
        "coverage": plain(coverage),
        "findings": plain(findings),
    }
    return json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n"
