"""Two pages about a batch: yield, times, failures by kind and a line a board; and its labels, to be
printed and cut out. Each is one HTML file that loads nothing, with the same content security policy
as the page of a backup."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.report.ledger import Entry
from spiflash.report.pages import template
from spiflash.text import clean, counted, seconds

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
    last = _last_of_each(entries)
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
        share=f"Yield {100 * good / len(last):.1f} %" if last else "No board yet",
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


def _last_of_each(entries: Sequence[Entry]) -> list[Entry]:
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
        facts.append(("From, to", f"{begun}, {ended}".replace("T", " ")))
        facts.append(("Last row", f"{entries[-1].number}, digest {entries[-1].row.digest}"))
    if times:
        facts.append(("A good board", f"median {seconds(statistics.median(times))}"))
        facts.append(("Fastest, slowest", f"{seconds(times[0])}, {seconds(times[-1])}"))
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
        clean(record.unique_id or "none", 64),
        clean(record.part, 40),
        clean(", ".join(f"{name} {text}" for name, text in record.values.items()), 200),
        seconds(record.seconds.get("all", 0.0)),
        clean(note, 300),
    )


@dataclass(frozen=True, slots=True)
class _Label:
    name: str
    lines: tuple[str, ...]


def labels_page(entries: Sequence[Entry], title: str) -> str:
    """A label for each good board among these rows, as HTML: its label text, or its values where
    the job has none; part, unique ID and day below."""
    labels = []
    for each in _last_of_each(entries):
        record = each.record
        if not record.good:
            continue
        values = ", ".join(f"{name} {text}" for name, text in record.values.items())
        lines = [values] if record.label else []
        lines += [record.part, f"ID {record.unique_id}" if record.unique_id else ""]
        lines += [f"{record.ended[:10]}, {record.job}"]
        shown = tuple(clean(line, 80) for line in lines if line)
        labels.append(_Label(clean(record.label or values or record.key, 80), shown))
    return template("labels.html.j2").render(
        title=clean(title, 80), count=counted(len(labels), "label"), labels=labels
    )
