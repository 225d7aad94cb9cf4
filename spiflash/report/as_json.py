"""A backup as one JSON document for scripts."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from spiflash.archive.record import Record
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding
from spiflash.report.record_facts import certainty_json

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
    "findings" (see `finding_json`). Addresses and sizes are numbers of bytes. ASCII, so that no
    string of a dump can act on a terminal.
    """
    document = {
        "report_version": REPORT_VERSION,
        "set": None if folder is None else str(folder),
        "record": json.loads(record.to_json()),
        "certainty": certainty_json(record, coverage),
        "coverage": {
            "total": coverage.total,
            "blank": coverage.blank,
            "vouched": coverage.verified,
            "damaged": coverage.damaged,
            "consistent": coverage.consistent,
            "unproven": coverage.unrecognised,
            "headline": coverage.headline,
        },
        "findings": [finding_json(each) for each in findings],
    }
    return json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def finding_json(finding: Finding) -> dict[str, object]:
    """One finding. Keys: "start", "length", "kind", "title", "verdict", "checks", "details"
    (pairs of name and value), "uncovered" (ranges of a vouched or damaged item that none of its
    checksums covers), "damage" (the smallest ranges known to contain its damage; none means all
    of it) and "parent" (the place in the list, from 0, of the smallest finding around it, or
    null), "proof" (what kind of checksum proves a vouched item, in words, or null). Ranges are
    pairs: the start, and the address after the last byte.
    """
    return {
        "start": finding.start,
        "length": finding.length,
        "kind": finding.kind,
        "title": finding.title,
        "verdict": finding.verdict.value,
        "checks": list(finding.checks),
        # Pairs, not an object: the same name may occur more than once.
        "details": [list(pair) for pair in finding.details],
        "uncovered": [list(span) for span in finding.uncovered],
        "damage": [list(span) for span in finding.damage],
        "parent": finding.parent,
        "proof": None if finding.proof is None else finding.proof.words,
    }
