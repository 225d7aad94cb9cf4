"""A backup as one JSON document for scripts."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from spiflash.archive.record import Record
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding

REPORT_VERSION = 1


def backup_json(
    record: Record,
    findings: Sequence[Finding],
    coverage: Coverage,
    folder: Path | None = None,
) -> str:
    """One JSON object on one or more lines of ASCII, with a newline at the end.

    Keys: "report_version", "set" (the path of the backup set or null), "record" (as in
    record.json), "coverage" (bytes by kind, and the headline), "findings". Addresses and
    sizes are numbers of bytes. ASCII, so that no string of a dump can act on a terminal.
    """
    document = {
        "report_version": REPORT_VERSION,
        "set": None if folder is None else str(folder),
        "record": json.loads(record.to_json()),
        "coverage": {
            "total": coverage.total,
            "blank": coverage.blank,
            "vouched": coverage.vouched,
            "damaged": coverage.damaged,
            "consistent": coverage.consistent,
            "unproven": coverage.unproven,
            "headline": coverage.headline,
        },
        "findings": [
            {
                "start": each.start,
                "length": each.length,
                "kind": each.kind,
                "title": each.title,
                "verdict": each.verdict.value,
                "checks": list(each.checks),
                # Pairs, not an object: the same name may occur more than once.
                "details": [list(pair) for pair in each.details],
            }
            for each in findings
        ],
    }
    return json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n"
