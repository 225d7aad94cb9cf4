"""A backup as text and as JSON."""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from pathlib import Path

from spiflash.archive.backupset import PAGE
from spiflash.archive.record import Record
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.jobs.backup import Verified
from spiflash.report import Headline, facts, listed, next_steps, table, wrapped
from spiflash.report.audit import VERDICT_WORDS, audit_facts
from spiflash.report.bench import after_backup
from spiflash.report.drawing import HOLDS_WORDS, Holds, Sector, sectors
from spiflash.report.plain import plain
from spiflash.report.record_facts import (
    COMMANDS,
    PASS_COLUMNS,
    agreement_facts,
    backup_facts,
    certainty_json,
    chip_facts,
    evidence_facts,
    headline,
    limits_of,
    line_tests,
    pass_rows,
    witness_words,
)
from spiflash.text import address, amount, counted, hex_pairs, printable, ranges_text

_LEFT_OUT = 4
"""Sectors on which passes disagreed that are named; the page names the others."""


def backup_text(
    record: Record,
    audit: Audit,
    folder: Path,
    *,
    words: Sequence[str] = (),
    reach: Sequence[str] = (),
    details: bool = False,
) -> str:
    """A screen of text about the backup set in `folder`: the verdict, what it is about, with
    `details` all that the page says, and what to do next; `words` are the options that a next
    command needs, `reach` those of them that reach the chip.

    Lines of at most 80 characters, but for paths and commands.
    """
    lines = [*wrapped(headline(record, audit.coverage).line, "", "  "), *listed(record.doubts)]
    lines += [f"  Set            {printable(str(folder))}"]
    lines += [f"  Page           {printable(str(folder / PAGE))}"]
    lines += facts(
        (
            *_facts(record),
            *limits_of(record.evidence),
            ("Line tests", line_tests(record.evidence)),
            ("Contents", audit.coverage.headline),
            *(
                each
                for each in audit_facts(audit)
                if each[0] in ("Layout", "Regions", "Board's own")
            ),
        ),
        margin=17,
    )
    lines += listed(record.symptoms)
    if details:
        lines += ["", "Contents", *facts(audit_facts(audit)), ""]
        more = backup_details(record, audit.contents, audit.findings, audit.coverage)
        lines += more.splitlines()
    named = shlex.quote(printable(str(folder)))
    if record.verified:
        steps = [
            (
                "Put another image on this board; it keeps its own data",
                _command("convert IMAGE", words),
            ),
            ("Compare the chip with this set later", _command(f"verify {named}", reach)),
        ]
    else:
        steps = [
            (
                "Seat the clip again or set a lower --clock, then take another backup",
                _command("backup", words),
            )
        ]
    return "\n".join([*lines, *next_steps(steps)])


def _command(command: str, words: Sequence[str]) -> str:
    return " ".join(filter(None, (f"spiflash {command}", shlex.join(words))))


def _facts(record: Record) -> tuple[tuple[str, str], ...]:
    chip = record.chip
    differing = tuple(
        (label, value)
        for label, value in agreement_facts(record, limit=_LEFT_OUT)
        if label in ("Settled", "Unstable", "Changed") and value != "none"
    )
    unique = f"unique ID {hex_pairs(bytes.fromhex(chip.unique_id))}" if chip.unique_id else ""
    return (
        ("Board", record.board or "no label"),
        ("Chip", f"{chip.vendor} {chip.name}, {amount(chip.size)}, {unique or 'no unique ID'}"),
        *differing,
    )


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
    """What the set's page says beyond `backup_text`, in lines of at most 80 characters and with a
    newline at the end. Findings that are blank or only noted are counted, not listed."""
    parts = sectors(contents, findings, record.agreement)
    lines = ["Backup", *facts(backup_facts(record))]
    lines += ["", "Chip", *facts(chip_facts(record))]
    lines += ["", *_map(parts, len(contents), record.agreement.sector_size)]
    lines += ["", "Findings", *_findings(findings, len(contents)), *wrapped(coverage.headline)]
    lines += ["", "Passes", *table((PASS_COLUMNS, *pass_rows(record)), gap=1)]
    lines += ["", "Agreement", *facts(agreement_facts(record, limit=16))]
    lines += wrapped(f"Besides the passes: {witness_words(coverage)}.")
    lines += ["", "Safety", *listed(after_backup(record.chip.supply))]
    lines += ["", "In the folder of the set"]
    for what, command in COMMANDS:
        lines += [*wrapped(f"{what}:"), f"    {command}"]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _map(parts: Sequence[Sector], size: int, sector_size: int) -> list[str]:
    """At most 32 lines of 64 signs; where a sign is several sectors, the worst one counts."""
    each = 1
    while -(-len(parts) // each) > _MAP_COLUMNS * _MAP_LINES:
        each *= 2
    signs = "".join(_sign(parts[i : i + each]) for i in range(0, len(parts), each))
    step = _MAP_COLUMNS * each * sector_size
    key = ", ".join(f"{sign} {HOLDS_WORDS[kind]}" for kind, sign in _SIGNS.items())
    return [
        f"Map: one character is {amount(each * sector_size)}, one line {amount(step)}",
        *(
            f"  {address(i * each * sector_size, size):>10} {signs[i : i + _MAP_COLUMNS]}"
            for i in range(0, len(signs), _MAP_COLUMNS)
        ),
        *wrapped(f"{key}, {_UNSTABLE} unstable"),
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
        verdict = f"{VERDICT_WORDS[finding.verdict]:<19}"
        lines += wrapped(finding.title, place + verdict, " " * len(place + verdict), limit=160)
    more = len(listed) - _FINDINGS_LIMIT
    if more > 0:
        lines.append(f"  and {more:,} more")
    for kind in _NOT_LISTED:
        count = sum(each.verdict is kind for each in findings)
        if count:
            lines.append(f"  not listed: {count:,} {VERDICT_WORDS[kind]}")
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


def verify_headline(found: Verified, source: str) -> Headline:
    """Whether the chip holds what it should."""
    if found.equal:
        passes = counted(len(found.reading.passes), "pass", "passes")
        return Headline(
            "good",
            "Equal",
            f"the chip holds {source}: all {found.compared:,} bytes, in {passes} that agree.",
        )
    count = sum(high - low for low, high in (*found.differing, *found.unsure))
    return Headline(
        "bad",
        "Different",
        f"the chip does not hold {source}. {count:,} bytes are in sectors that differ"
        + (" or read differently each time." if found.unsure else "."),
    )


def verify_text(found: Verified, source: str, restore: str, *, details: bool = False) -> str:
    """The screen of `verify`; `restore` is the command that writes what differs."""
    evidence = found.reading.evidence
    rows = [("Different", ranges_text(found.differing))] if found.differing else []
    rows += [("Unstable", ranges_text(found.unsure))] if found.unsure else []
    rows += list(evidence_facts(evidence)) if details else [limits_of(evidence)[0]]
    rows += [("Doubt", each) for each in found.reading.doubts]
    lines = [*wrapped(verify_headline(found, source).line, "", "  "), *facts(rows)]
    if found.equal:
        steps = [("Take the clip off and unplug the adapter before the board gets power.", "")]
    elif found.differing:
        steps = [("Write what differs", restore)]
    else:
        steps = [("Seat the clip again, then repeat", "spiflash contact")]
    return "\n".join([*lines, *next_steps(steps)])
