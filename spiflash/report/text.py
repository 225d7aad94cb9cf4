"""A backup in plain text for the terminal: 80 characters a line, no escape sequences."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence

from spiflash.archive.record import Record
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.audit import need_words
from spiflash.report.sectors import Holds, Sector, sectors
from spiflash.report.wording import (
    COMMANDS,
    PASS_COLUMNS,
    VERDICT_WORDS,
    address,
    agreement_facts,
    amount,
    backup_facts,
    cautions,
    chip_facts,
    clean,
    headline,
    pass_rows,
    plural,
)

WIDTH = 80
_MAP_COLUMNS = 64
_MAP_LINES = 32
_FINDINGS_LIMIT = 100
_SIGNS = {
    Holds.VOUCHED: "#",
    Holds.CONSISTENT: "=",
    Holds.UNPROVEN: "?",
    Holds.DAMAGED: "X",
    Holds.BLANK: ".",
}
_UNSTABLE = "!"
_LEFT_OUT = (Verdict.BLANK, Verdict.NOTED)


def backup_text(
    record: Record,
    contents: bytes,
    findings: Sequence[Finding],
    coverage: Coverage,
    commands: Sequence[tuple[str, str]] = COMMANDS,
    audit: Audit | None = None,
) -> str:
    """The page in short, in lines of at most 80 characters and with a newline at the end.

    Arguments as of `backup_page`. Findings that are blank or only noted are counted, not listed.
    """
    parts = sectors(contents, findings, record.agreement)
    verdict = headline(record, coverage)
    lines = [verdict.title.upper(), *_wrapped(verdict.sentence)]
    lines += _listed(record.doubts)
    lines += ["", "Backup", *_facts(backup_facts(record))]
    lines += ["", "Chip", *_facts(chip_facts(record))]
    lines += ["", "Contents", *_wrapped(coverage.headline), *_listed(record.symptoms)]
    if audit is not None:
        lines += ["", "Audit", *_facts(_audit_facts(audit))]
    lines += ["", *_map(parts, len(contents), record.agreement.sector_size)]
    lines += ["", "Findings", *_findings(findings, len(contents))]
    lines += ["", "Passes", *_table((PASS_COLUMNS, *pass_rows(record)))]
    lines += ["", "Agreement", *_facts(agreement_facts(record, limit=16))]
    lines += ["", "Take care", *_listed(cautions(record))]
    lines += ["", "Go on, in the folder of the set"]
    for what, command in commands:
        # A command is never broken: it is there to be copied.
        lines += [*_wrapped(what + ":"), "    " + clean(command, 500)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _audit_facts(audit: Audit) -> tuple[tuple[str, str], ...]:
    regions = ", ".join(clean(each.region.name, 24) for each in audit.regions[:16])
    files = ", ".join(clean(each.file, 40) for each in audit.hints.loads[:8])
    kinds = Counter(each.kind for each in audit.own)
    own = ", ".join(f"{clean(kind, 40)} ({count:,})" for kind, count in kinds.most_common(12))
    return (
        ("Layout", f"{plural(len(audit.regions), 'region')}, from {audit.layout.source}"),
        ("Regions", regions or "none"),
        ("Boot files", files or "no name was found"),
        ("Board's own", own or "nothing was found"),
        ("Fit", need_words(audit)),
    )


def _wrapped(text: str, first: str = "  ", rest: str = "  ", limit: int = 2000) -> list[str]:
    return textwrap.wrap(
        clean(text, limit), WIDTH, initial_indent=first, subsequent_indent=rest
    ) or [first]


def _listed(items: Iterable[str]) -> list[str]:
    return [line for item in items for line in _wrapped(item, "  - ", "    ")]


def _facts(facts: Iterable[tuple[str, str]]) -> list[str]:
    facts = tuple(facts)
    margin = max(len(label) for label, _ in facts) + 4
    lines = []
    for label, value in facts:
        lines += _wrapped(value, f"  {label}".ljust(margin), " " * margin)
    return lines


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  " + " ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]


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
    listed = [each for each in findings if each.verdict not in _LEFT_OUT]
    lines = []
    for finding in listed[:_FINDINGS_LIMIT]:
        place = f"  {address(finding.start, size)} {amount(finding.length):>15} "
        verdict = f"{VERDICT_WORDS[finding.verdict]:<11}"
        lines += _wrapped(finding.title, place + verdict, " " * len(place + verdict), limit=160)
    more = len(listed) - _FINDINGS_LIMIT
    if more > 0:
        lines.append(f"  and {more:,} more")
    for kind in _LEFT_OUT:
        count = sum(each.verdict is kind for each in findings)
        if count:
            lines.append(f"  left out: {count:,} {VERDICT_WORDS[kind]}")
    return lines or ["  nothing was recognised"]
