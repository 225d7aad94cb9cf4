"""What to think of a backup or a dump, in a title and a sentence."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.archive.record import Record
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import Coverage, percent
from spiflash.dump.finding import damaged_spans
from spiflash.report.record_facts import bad_contact
from spiflash.text import address, amount, clean, counted


@dataclass(frozen=True, slots=True)
class Headline:
    """`tone` is "good", "mixed" or "bad"; `title` and `sentence` say it in words."""

    tone: str
    title: str
    sentence: str


def headline(record: Record, coverage: Coverage) -> Headline:
    """What to think of a backup: first of the reading, then of the contents."""
    passes = counted(len(record.passes), "pass", "passes")
    size = amount(record.size)
    settled = len(record.agreement.settled)
    if not record.verified:
        unstable = len(record.agreement.unstable)
        what = (
            f"The passes do not agree on {counted(unstable, 'sector')}."
            if unstable
            else f"{size} were read in {passes}, but there is doubt."
        )
        if record.evidence.weak:
            what = "Some bits read differently by themselves: these cells are weak."
        return Headline(
            "bad", "Not verified", f"{what} Do not rely on this backup.{_besides(record)}"
        )
    how = f"{passes} with different settings read the same {size}"
    how += f", {counted(settled, 'sector')} of it after reading again." if settled else "."
    how += _besides(record)
    if coverage.damaged:
        return Headline(
            "mixed",
            "Verified, contents damaged",
            f"{how} But {counted(coverage.damaged, 'byte')} fail a checksum of their own: "
            "that is how the chip holds them.",
        )
    if record.agreement.changed:
        return Headline("mixed", "Verified, contents changed meanwhile", how)
    return Headline("mixed" if bad_contact(record) else "good", "Verified", how)


def _besides(record: Record) -> str:
    """What else has to be said beside the verdict, with a blank in front."""
    said = ""
    if record.agreement.changed:
        count = counted(len(record.agreement.changed), "sector")
        said = (
            f" {count} held other contents in an earlier pass: the board's processor or the chip "
            "wrote there meanwhile, or that pass was disturbed. Both are kept in data/readings."
        )
    contact = bad_contact(record)
    return f"{said} {contact}" if contact else said


def audit_headline(audit: Audit) -> Headline:
    """What to think of a dump, by its own checksums."""
    covered = audit.coverage
    if not covered.used:
        return Headline("mixed", "Blank", "Every sector is erased: there is nothing to check.")
    if covered.damaged:
        return Headline(
            "bad",
            "Damaged",
            f"{counted(covered.damaged, 'byte')} fail a checksum of their own. {_where(audit)}",
        )
    share = percent(covered.verified, covered.used)
    if audit.symptoms:
        return Headline("mixed", "Doubtful", "There are signs that the reading went wrong.")
    if covered.verified * 2 >= covered.used:
        return Headline("good", "No damage found", f"Checksums vouch for {share} of it.")
    return Headline("mixed", "Hardly proven", f"Checksums vouch for only {share} of it.")


def _where(audit: Audit) -> str:
    """Which regions are damaged, and where the first damage begins."""
    first = min(start for start, _ in damaged_spans(audit.findings))
    place = f"The first is at {address(first, audit.coverage.total)}"
    names = [clean(each.region.name, 24) for each in audit.regions if each.damaged]
    if not names:
        return f"{place}, in no region."
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return f"{place}. In the layout: {', '.join(names[:6])}{more}."
