"""Rows of the ledger as lines, as CSV, as JSON, and one board in full."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.archive.ledger import BoardRecord, Row
from spiflash.errors import BackupSetError
from spiflash.text import clean, seconds

_COLUMNS = (
    *("begun", "ended", "job", "result", "kind", "reason", "remark", "label", "part", "jedec_id"),
    *("unique_id", "key", "bench", "station", "adapter", "touched", "resumed", "backup"),
    *("image_sha256", "before_sha256", "after_sha256", "job_sha256", "expected"),
)


@dataclass(frozen=True, slots=True)
class Entry:
    """A row and the record that it holds."""

    row: Row
    record: BoardRecord

    @property
    def number(self) -> int:
        """The row's number."""
        return self.row.number


def readable(rows: Sequence[Row]) -> tuple[list[Entry], list[str]]:
    """The rows that can be read, and a sentence without its full stop about each other one."""
    entries: list[Entry] = []
    wrong: list[str] = []
    for row in rows:
        try:
            entries.append(Entry(row, row.record()))
        except BackupSetError as error:
            wrong.append(f"Row {row.number} cannot be read: {error.cause.rstrip('.')}")
    return entries, wrong


def matching(entries: Sequence[Entry], words: Sequence[str], job: str | None) -> list[Entry]:
    """The entries of this job (None: of any) in which every word is found, in any case."""
    return [
        each
        for each in entries
        if job in (None, each.record.job)
        and all(word.lower() in each.row.body.lower() for word in words)
    ]


def rows_text(entries: Sequence[Entry]) -> str:
    """A line a row."""
    lines = [
        f"{each.number:>5}  {each.record.ended[:16].replace('T', ' ')}  {each.record.result}  "
        f"{clean(each.record.label or each.record.key or 'unidentified', 60)}"
        + (f"  {each.record.kind}: {clean(each.record.reason, 120)}" if each.record.kind else "")
        + (f"  ({clean(each.record.remark, 200)})" if each.record.remark else "")
        for each in entries
    ]
    return "\n".join(lines) or "No board fits."


def board_text(entries: Sequence[Entry]) -> str:
    """Everything about the rows of one board."""
    return "\n\n".join(_full(each) for each in entries)


def _full(entry: Entry) -> str:
    record = entry.record
    facts = [
        ("Row", f"{entry.number}, digest {entry.row.digest}"),
        ("Result", f"{record.result} {record.kind} {record.reason}".strip()),
        ("Remark", record.remark),
        ("Label", record.label),
        ("Values", ", ".join(f"{name} {text}" for name, text in record.values.items())),
        ("Begun, ended", f"{record.begun}, {record.ended}"),
        ("Job", f"{record.job} ({record.job_sha256[:16]}…)"),
        ("Place", f"{record.bench}, {record.station}, {record.adapter}"),
        ("Part", f"{record.part}, ID {record.jedec_id}, unique ID {record.unique_id or 'none'}"),
        ("Board", record.key),
        ("Backup", record.backup),
        ("Held before", record.before_sha256),
        ("Holds now", record.after_sha256),
        ("Passes", f"{len(record.passes)}, expected wrong bits {record.expected:.1e}"),
        ("Times", ", ".join(f"{n} {seconds(t)}" for n, t in record.seconds.items())),
        ("Written to", "yes" if record.touched else "no"),
        ("Taken up again", "yes" if record.resumed else "no"),
    ]
    return "\n".join(f"  {label:<16}{clean(text, 600)}" for label, text in facts if text)


def rows_csv(entries: Sequence[Entry]) -> str:
    """RFC 4180, with a line of names; values and times have columns of their own."""
    values = sorted({name for each in entries for name in each.record.values})
    times = sorted({name for each in entries for name in each.record.seconds})
    text = io.StringIO()
    writer = csv.writer(text)
    names = [f"value:{name}" for name in values] + [f"seconds:{name}" for name in times]
    writer.writerow(["number", *_COLUMNS, *names, "passes", "digest"])
    for each in entries:
        record = each.record
        writer.writerow(
            [
                each.number,
                *(getattr(record, name) for name in _COLUMNS),
                *(record.values.get(name, "") for name in values),
                *(record.seconds.get(name, "") for name in times),
                " ".join(record.passes),
                each.row.digest,
            ]
        )
    return text.getvalue()


def rows_json(entries: Sequence[Entry]) -> dict[str, object]:
    """One document."""
    return {
        "rows": [
            {"number": each.number, "digest": each.row.digest, **json.loads(each.row.body)}
            for each in entries
        ]
    }
