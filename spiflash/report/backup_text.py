"""What a person at the bench wants to know of a backup: believed or not, of what, kept where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from spiflash.archive.record import EvidenceRecord, PassRecord, Record
from spiflash.dump.audit import Audit
from spiflash.report.audit import audit_facts
from spiflash.report.headline import headline
from spiflash.report.lines import facts, listed, wrapped
from spiflash.report.record_facts import agreement_facts, limits_of, witness_words
from spiflash.text import amount, clock, hex_pairs, printable

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
