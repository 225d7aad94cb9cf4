"""Rows of the ledger as lines, as CSV, as JSON, and one board in full."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Sequence
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
    """The entries of this job (None: of any) in which every word is found, in any case.

    A word such as "part=W25Q64JV" is looked for in one column of the CSV form, or in the value of
    that name; any other word anywhere. Raises `ValueError` that names a column there is not.
    """
    tests = [_test(word, entries) for word in words]
    return [
        each
        for each in entries
        if job in (None, each.record.job) and all(test(each) for test in tests)
    ]


def _test(word: str, entries: Sequence[Entry]) -> Callable[[Entry], bool]:
    name, equals, text = word.partition("=")
    if not (equals and re.fullmatch("[A-Za-z_#]+", name)):
        return lambda each: word.lower() in each.row.body.lower()
    if name in _COLUMNS:
        return lambda each: text.lower() in str(getattr(each.record, name)).lower()
    values = {value for each in entries for value in each.record.values}
    if name not in values:
        raise ValueError(
            f"“{name[:40]}” is not a column. Columns: {', '.join([*_COLUMNS, *sorted(values)])}."
        )
    return lambda each: text.lower() in each.record.values.get(name, "").lower()


def rows_text(entries: Sequence[Entry]) -> str:
    """A line a row, below the names of the columns."""
    if not entries:
        return "No board matches."
    ids = [clean(each.record.unique_id or "none", 40) for each in entries]
    width = max(len("Unique ID"), *map(len, ids))
    lines = [f"{'Row':>5}  {'Ended':<16}  Result  {'Unique ID':<{width}}  Board"]
    for each, unique in zip(entries, ids, strict=True):
        record = each.record
        name = clean(record.label or record.key or "not identified", 60)
        line = f"{each.number:>5}  {record.ended[:16].replace('T', ' ')}  {record.result:<6}  "
        line += f"{unique:<{width}}  {name}"
        line += f"  {record.kind}: {clean(record.reason, 120)}" if record.kind else ""
        line += f"  ({clean(record.remark, 200)})" if record.remark else ""
        lines.append(line)
    return "\n".join(lines)


def board_text(entries: Sequence[Entry]) -> str:
    """Everything about the rows of one board."""
    return "\n\n".join(_full(each) for each in entries) or "No board matches."


def _full(entry: Entry) -> str:
    record = entry.record
    why = f"{record.kind}: {record.reason}" if record.kind else ""
    errors = f"expected undetected bit errors: {record.expected:.1e}"
    facts = [
        ("Row", f"{entry.number}, digest {entry.row.digest}"),
        ("Result", f"{record.result} {why}".strip()),
        ("Remark", record.remark),
        ("Label", record.label),
        ("Values", ", ".join(f"{name} {text}" for name, text in record.values.items())),
        ("Keeps", "; ".join(record.kept)),
        ("Began, ended", f"{record.begun}, {record.ended}"),
        ("Job", f"{record.job} ({record.job_sha256[:16]}…)"),
        ("Place", f"{record.bench}, {record.station}, {record.adapter}"),
        ("Part", f"{record.part}, ID {record.jedec_id}, unique ID {record.unique_id or 'none'}"),
        ("Board", record.key),
        ("Backup", record.backup),
        ("SHA-256 before", record.before_sha256),
        ("SHA-256 after", record.after_sha256),
        ("Passes", f"{len(record.passes)}; {errors}" if record.passes else ""),
        ("Times", ", ".join(f"{n} {seconds(t)}" for n, t in record.seconds.items())),
        ("Written to", "yes" if record.touched else "no"),
        ("Continued", "yes" if record.resumed else "no"),
    ]
    return "\n".join(f"  {label:<16}{clean(text, 900)}" for label, text in facts if text)


def rows_csv(entries: Sequence[Entry]) -> str:
    """RFC 4180, with a line of names; values and times have columns of their own."""
    values = sorted({name for each in entries for name in each.record.values})
    times = sorted({name for each in entries for name in each.record.seconds})
    text = io.StringIO()
    writer = csv.writer(text)
    names = [f"value:{name}" for name in values] + [f"seconds:{name}" for name in times]
    writer.writerow(["number", *_COLUMNS, *names, "passes", "kept", "digest"])
    for each in entries:
        record = each.record
        writer.writerow(
            [
                each.number,
                *(getattr(record, name) for name in _COLUMNS),
                *(record.values.get(name, "") for name in values),
                *(record.seconds.get(name, "") for name in times),
                " ".join(record.passes),
                "; ".join(record.kept),
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
