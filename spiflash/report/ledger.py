"""Rows of the ledger as lines, CSV and JSON, and in full; the page and the labels of a batch."""

from __future__ import annotations

import csv
import io
import json
import re
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from spiflash.archive.ledger import InHand
from spiflash.archive.ledger.rows import FAIL, BoardRecord, Row
from spiflash.errors import BackupSetError
from spiflash.text import clean, counted, decimal, moment, seconds, span

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
    values = {value for each in entries for value in each.record.values}
    if equals and name in _COLUMNS:
        return lambda each: text.casefold() in str(getattr(each.record, name)).casefold()
    if equals and name in values:
        return lambda each: text.casefold() in each.record.values.get(name, "").casefold()
    if equals and re.fullmatch("[A-Za-z_#]+", name):
        raise ValueError(
            f"“{name[:40]}” is not a column. Columns: {', '.join([*_COLUMNS, *sorted(values)])}."
        )
    return lambda each: word.casefold() in _searched(each)


def _searched(entry: Entry) -> str:
    """All that a row says, as a person reads it, in one case of letters."""
    record = entry.record
    texts = [str(getattr(record, name)) for name in _COLUMNS]
    texts += [f"{name} {text}\n{text}" for name, text in record.values.items()]
    return "\n".join([*texts, *record.passes, *record.kept, entry.row.digest]).casefold()


def unfinished(boards: Sequence[InHand]) -> list[Entry]:
    """Boards whose work has begun and not ended, as if they had a row number 0: to search them like
    rows, and to show them where there is no row."""
    entries = []
    for each in boards:
        record = BoardRecord(
            *("", "", each.job, "", "", each.bench, "", "", "", each.jedec_id, each.unique_id),
            key=each.key,
            values=each.values,
            label="",
            result=FAIL,
            touched=each.written,
            backup=each.backup,
            before_sha256=each.before_sha256,
        )
        entries.append(Entry(Row(0, "", "", "", each.job, each.key, FAIL), record))
    return entries


def unfinished_text(entries: Sequence[Entry]) -> str:
    """Boards in hand; empty where there are none."""
    lines = [f"Unfinished, to be put on again: {counted(len(entries), 'board')}"] if entries else []
    for each in entries:
        record = each.record
        values = ", ".join(f"{name} {text}" for name, text in record.values.items())
        state = "perhaps written to" if record.touched else "not written to"
        said = (record.key, values, state, f"bench {record.bench}, job {record.job}")
        lines.append("  " + clean("; ".join(filter(None, said)), 300))
    return "\n".join(lines)


def rows_text(entries: Sequence[Entry]) -> str:
    """A line a row, below the names of the columns."""
    if not entries:
        return "No board matches."
    ids = [_unique(each.record) for each in entries]
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
    errors = f"expected undetected bit errors: {decimal(record.expected)}"
    facts = [
        ("Row", str(entry.number)),
        ("Digest", entry.row.digest),
        ("Result", f"{record.result} {why}".strip()),
        ("Remark", record.remark),
        ("Label", record.label),
        ("Values", ", ".join(f"{name} {text}" for name, text in record.values.items())),
        *zip(("Keeps", *[""] * len(record.kept)), map(_kept, record.kept), strict=False),
        ("Begun", _moment(record.begun)),
        ("Ended", _moment(record.ended)),
        ("Job", record.job),
        ("Job file", f"SHA-256 {record.job_sha256[:16]}…" if record.job_sha256 else ""),
        ("Place", ", ".join(filter(None, (record.bench, record.station, record.adapter)))),
        ("Part", record.part),
        ("JEDEC ID", re.sub(r"(..)(?=.)", r"\1 ", record.jedec_id.upper())),
        ("Unique ID", _unique(record)),
        ("Board", record.key),
        ("Backup", record.backup),
        ("SHA-256 before", record.before_sha256),
        ("SHA-256 after", record.after_sha256),
        ("Passes", f"{len(record.passes)}; {errors}" if record.passes else ""),
        ("Times", ", ".join(f"{n} {seconds(t)}" for n, t in record.seconds.items())),
        ("Written to", "yes" if record.touched else "no"),
        ("Continued", "yes" if record.resumed else "no"),
    ]
    # A digest of 64 digits ends at column 80.
    return "\n".join(f"{label:<16}{clean(text, 900)}" for label, text in facts if text)


def _unique(record: BoardRecord) -> str:
    """The chip's unique ID as other screens print it."""
    return clean(record.unique_id.upper() if record.unique_id else "none", 64)


def _kept(text: str) -> str:
    """An entry of `BoardRecord.kept`, such as "range 50000+10000 SHA-256", for people."""
    found = re.fullmatch(r"range ([0-9a-f]+)\+([0-9a-f]+) ([0-9a-f]+)", text)
    if found is None:
        return text
    start, length = int(found[1], 16), int(found[2], 16)
    return f"{span(start, start + length)}, SHA-256 {found[3][:16]}…"


def _moment(text: str) -> str:
    """A time of the ledger (ISO 8601) as times are printed."""
    try:
        return moment(datetime.fromisoformat(text))
    except ValueError:
        return text


def rows_csv(entries: Sequence[Entry]) -> str:
    """RFC 4180, with a line of names; values and times have columns of their own. A spreadsheet
    takes a cell that begins with "=", "+", "-" or "@" for a formula: such a text gets a "'" in
    front (common practice, no source)."""
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
                *(_cell(getattr(record, name)) for name in _COLUMNS),
                *(_cell(record.values.get(name, "")) for name in values),
                *(record.seconds.get(name, "") for name in times),
                " ".join(record.passes),
                "; ".join(record.kept),
                each.row.digest,
            ]
        )
    return text.getvalue()


def _cell(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(tuple("=+-@\t\r")) else value


def rows_json(entries: Sequence[Entry], waiting: Sequence[Entry] = ()) -> dict[str, object]:
    """One document; `waiting` are boards in hand (see `unfinished`)."""
    return {
        "rows": [
            {"number": each.number, "digest": each.row.digest, **json.loads(each.row.body)}
            for each in entries
        ],
        "unfinished": [
            {
                "key": each.record.key,
                "job": each.record.job,
                "bench": each.record.bench,
                "values": dict(each.record.values),
                "touched": each.record.touched,
                "backup": each.record.backup,
            }
            for each in waiting
        ],
    }


# -- pages: one HTML file each, which loads nothing ------------------------------------------

_BINS = 24
_WIDTH, _HEIGHT = 960, 110


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    ended: str
    result: str
    label: str
    unique_id: str
    part: str
    values: str
    took: str
    note: str


def batch_page(entries: Sequence[Entry], title: str) -> str:
    """The page about these rows, as HTML."""
    from spiflash.report.pages import template  # what a list of rows does without takes long

    last = newest_of_each(entries)
    good = sum(each.record.good for each in last)
    times = sorted(each.record.seconds.get("all", 0.0) for each in last if each.record.good)
    failed: dict[str, int] = {}
    for each in last:
        if not each.record.good:
            failed[each.record.kind] = failed.get(each.record.kind, 0) + 1
    return template("ledger.html.j2").render(
        title=clean(title, 80),
        tone="good" if last and good == len(last) else "mixed" if good else "bad",
        headline=f"{good} of {counted(len(last), 'board')} good",
        share=f"{100 * good / len(last):.1f} % of them are good" if last else "No board yet",
        facts=_facts(entries, times),
        failed=sorted(
            ((clean(kind), count, _bar(count, failed)) for kind, count in failed.items()),
            key=lambda each: -each[1],
        ),
        bins=(bars := _histogram(times))[0],
        most=bars[1],
        ends=[seconds(each) for each in (times[0], times[-1])] if times else [],
        width=_WIDTH,
        height=_HEIGHT,
        lines=[_line(each) for each in entries],
    )


def newest_of_each(entries: Sequence[Entry]) -> list[Entry]:
    """The newest row of each board; a board that never got a name counts each time."""
    found: dict[str, Entry] = {}
    for each in entries:
        found[each.record.key or f"row {each.number}"] = each
    return list(found.values())


def _facts(entries: Sequence[Entry], times: Sequence[float]) -> list[tuple[str, str]]:
    facts = [("Rows", str(len(entries)))]
    if entries:
        begun = min(each.record.begun for each in entries)
        ended = max(each.record.ended for each in entries)
        facts += [("From", _moment(begun)), ("To", _moment(ended))]
        facts.append(("Last digest", f"{entries[-1].row.digest} (row {entries[-1].number})"))
    if times:
        facts.append(
            (
                "Time for a good board",
                f"median {seconds(statistics.median(times))}, "
                f"from {seconds(times[0])} to {seconds(times[-1])}",
            )
        )
    return facts


def _bar(count: int, failed: dict[str, int]) -> float:
    return round(300 * count / max(failed.values()), 1)


def _histogram(
    times: Sequence[float],
) -> tuple[list[tuple[float, float, float, float, str]], int]:
    """(x, y, width, height, tip) of each bar over the times of good boards, and how many boards the
    tallest one stands for."""
    if not times:
        return [], 0
    low, high = times[0], max(times[-1], times[0] + 1e-9)
    counts = [0] * _BINS
    for value in times:
        counts[min(_BINS - 1, int((value - low) / (high - low) * _BINS))] += 1
    step = _WIDTH / _BINS
    bars = []
    for index, count in enumerate(counts):
        tall = round(_HEIGHT * count / max(counts), 1)
        ends = [seconds(low + (high - low) * (index + i) / _BINS) for i in (0, 1)]
        tip = f"{ends[0]} to {ends[1]}: {counted(count, 'board')}"
        bars.append((round(index * step + 1, 1), round(_HEIGHT - tall, 1), step - 2, tall, tip))
    return bars, max(counts)


def _line(entry: Entry) -> _Line:
    record = entry.record
    note = f"{record.kind}: {record.reason}" if record.kind else ""
    if record.touched and not record.good:
        note += " Written to."
    if record.remark:
        note = f"{note} {record.remark[:1].upper()}{record.remark[1:]}.".strip()
    return _Line(
        entry.number,
        record.ended[:16].replace("T", " "),
        record.result,
        clean(record.label or record.key or "not identified", 80),
        _unique(record),
        clean(record.part, 40),
        clean(", ".join(f"{name} {text}" for name, text in record.values.items()), 200),
        seconds(record.seconds["all"]) if "all" in record.seconds else "",
        clean(note, 300),
    )


@dataclass(frozen=True, slots=True)
class _Label:
    name: str
    lines: tuple[str, ...]


def labels_page(entries: Sequence[Entry], title: str) -> str:
    """A label for each good board among these rows, as HTML: its label text, or its values where
    the job has none; part, unique ID and day below."""
    from spiflash.report.pages import template

    labels = []
    for each in newest_of_each(entries):
        record = each.record
        if not record.good:
            continue
        values = ", ".join(f"{name} {text}" for name, text in record.values.items())
        rest = [text for text in record.values.values() if text not in record.label]
        lines = [", ".join(rest)] if record.label else []
        lines += [record.part, f"ID {_unique(record)}" if record.unique_id else ""]
        lines += [f"{record.ended[:10]}, {record.job}"]
        shown = tuple(clean(line, 80) for line in lines if line)
        labels.append(_Label(clean(record.label or values or record.key, 80), shown))
    return template("labels.html.j2").render(
        title=clean(title, 80), count=counted(len(labels), "label"), labels=labels
    )
