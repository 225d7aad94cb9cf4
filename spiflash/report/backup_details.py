"""The rest about a backup in plain text: what the page shows, as far as a terminal can."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.archive.record import Record
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.cautions import after_backup
from spiflash.report.lines import facts, listed, table, wrapped
from spiflash.report.record_facts import (
    COMMANDS,
    PASS_COLUMNS,
    agreement_facts,
    backup_facts,
    chip_facts,
    pass_rows,
)
from spiflash.report.sectors import Holds, Sector, sectors
from spiflash.text import address, amount

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
_LEFT_OUT = (Verdict.BLANK, Verdict.NOTED)


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
    listed = [each for each in findings if each.verdict not in _LEFT_OUT]
    lines = []
    for finding in listed[:_FINDINGS_LIMIT]:
        place = f"  {address(finding.start, size)} {amount(finding.length):>15} "
        verdict = f"{finding.verdict.value:<11}"
        lines += wrapped(finding.title, place + verdict, " " * len(place + verdict), limit=160)
    more = len(listed) - _FINDINGS_LIMIT
    if more > 0:
        lines.append(f"  and {more:,} more")
    for kind in _LEFT_OUT:
        count = sum(each.verdict is kind for each in findings)
        if count:
            lines.append(f"  left out: {count:,} {kind.value}")
    return lines or ["  nothing was recognised"]
