"""What the bench shows while boards are cloned: a sign to be read from two metres, and one line."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.archive.ledger.rows import BoardRecord
from spiflash.text import clean, counted, seconds

ROWS = 5
"""Lines of a large letter."""

_LETTERS = {
    "P": ("#####.", "##..##", "#####.", "##....", "##...."),
    "A": (".####.", "##..##", "######", "##..##", "##..##"),
    "S": (".#####", "##....", ".####.", "....##", "#####."),
    "F": ("######", "##....", "#####.", "##....", "##...."),
    "I": ("######", "..##..", "..##..", "..##..", "######"),
    "L": ("##....", "##....", "##....", "##....", "######"),
    "E": ("######", "##....", "#####.", "##....", "######"),
    "N": ("##..##", "###.##", "######", "##.###", "##..##"),
    "D": ("#####.", "##..##", "##..##", "##..##", "#####."),
    "?": (".####.", "##..##", "...##.", "......", "..##.."),
    "0": (".####.", "##..##", "##..##", "##..##", ".####."),
    "1": ("..##..", ".###..", "..##..", "..##..", "######"),
    "2": (".####.", "##..##", "...##.", ".##...", "######"),
    "3": ("#####.", "....##", "..###.", "....##", "#####."),
    "4": ("##..##", "##..##", "######", "....##", "....##"),
    "5": ("######", "##....", "#####.", "....##", "#####."),
    "6": (".####.", "##....", "#####.", "##..##", ".####."),
    "7": ("######", "...##.", "..##..", ".##...", ".##..."),
    "8": (".####.", "##..##", ".####.", "##..##", ".####."),
    "9": (".####.", "##..##", ".#####", "....##", ".####."),
}


def large(word: str, *, wide: bool = False, ink: str = "#") -> list[str]:
    """A word in lines of large letters, seven columns each; `wide` takes two columns a dot."""
    rows = []
    for row in range(ROWS):
        line = ".".join(_LETTERS[letter][row] for letter in word)
        if wide:
            line = "".join(each * 2 for each in line)
        rows.append(line.replace("#", ink).replace(".", " "))
    return rows


def sign(word: str) -> str:
    """PASS or FAIL in five lines of large letters, two columns a dot."""
    return "\n".join("  " + row.rstrip() for row in large(word, wide=True))


@dataclass(frozen=True, slots=True)
class Panel:
    """What is shown of one station: its number from 1, its name, what goes on there, the sign of
    its last board (PASS, FAIL), END when it has ended, "?" while it asks, or empty; and what there
    is to say of that board. `old` when another board has been put on since."""

    number: int
    name: str
    status: str = ""
    sign: str = ""
    note: str = ""
    old: bool = False

    def lines(self, width: int) -> list[tuple[str, str, str]]:
        """Five lines: number, sign, text beside it. A sign that is old is drawn in thin ink."""
        digits = large(str(self.number), ink="#")
        left = len(digits[0]) + 3
        signs = large(self.sign, ink=":" if self.old else "#") if self.sign else [""] * ROWS
        room = width - left - 4 * 7 - 2
        which = "the board before: " if self.old else ""
        note = textwrap.wrap(clean(which + self.note, 400), room)[: ROWS - 2] if self.note else []
        texts = [clean(self.name, room), clean(self.status, room), *note]
        texts += [""] * (ROWS - len(texts))
        return [
            (digit.ljust(left), word.ljust(4 * 7 + 2), text)
            for digit, word, text in zip(digits, signs, texts, strict=True)
        ]

    def line(self, width: int) -> str:
        """The same in one line, where there is no room for more."""
        shown = f"({self.sign.lower()})" if self.old else self.sign
        return clean(f"{self.number} {shown:<6} {self.status}  {self.note}", width)


def progress_text(good: int, failed: int, wanted: int, elapsed: float, before: int = 0) -> str:
    """How far the batch is: `good` boards of `wanted` (0: not said), of which `before` were good
    when this run began `elapsed` seconds ago; and how long the rest will take at this rate."""
    share = f"{good} of {wanted} boards good" if wanted else f"{counted(good, 'board')} good"
    text = f"{share}, {failed} failed"
    here = good - before
    if here and elapsed >= 60:
        text += f"; {here * 3600 / elapsed:.0f} good boards an hour"
        left = (wanted - good) * elapsed / here
        if left > 0:
            text += f", about {_hours(left)} left"
    return text


def _hours(value: float) -> str:
    minutes = max(1, round(value / 60))
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"


def board_name(record: BoardRecord) -> str:
    """What to call a board: its label, else its key in the ledger."""
    return record.label or record.key or "a board that was not identified"


def reason_line(record: BoardRecord, width: int = 400) -> str:
    """Which board, and why, in one line of at most `width` characters."""
    if record.good:
        took = seconds(record.seconds.get("all", 0.0))
        passes = counted(len(record.passes), "pass", "passes")
        resumed = ", continued" if record.resumed else ""
        remark = f"; {record.remark}" if record.remark else ""
        line = f"{board_name(record)}: {passes} agree, {took}{resumed}{remark}"
        return clean(line, width)
    # First what is to be done with the board: a long reason may be cut.
    touched = ""
    if record.touched:
        values = ", ".join(record.values.values())
        touched = "Do not use it, it was written to"
        touched += f"; {values} stays with it. " if values else ". "
    return clean(f"{board_name(record)}: {touched}{record.kind}: {record.reason}", width)


def result_text(station: str, record: BoardRecord, width: int = 400) -> str:
    """The sign with the station's name above and the reason below, on lines of `width`
    characters."""
    line = reason_line(record, width - 2)
    return f"{clean(station, width)}\n\n{sign(record.result)}\n\n  {line}\n"


def skipped_line(station: str, record: BoardRecord) -> str:
    """A finished board that is on the clip again."""
    return clean(f"{station}: {finished_on(record)}; it was not changed", 400)


def finished_on(record: BoardRecord) -> str:
    """Since when a board is finished, as a clause."""
    return f"{board_name(record)} was finished on {record.ended[:16].replace('T', ' ')}"


def check_text(
    source: str,
    problems: Sequence[tuple[int, str]],
    remarks: Sequence[str],
    listed: int,
    free: int,
    samples: Sequence[tuple[str, str, str]] = (),
    first: Sequence[tuple[str, str]] = (),
) -> str:
    """What `--check` found; `samples` are name, first and last value of each list, `first` is what
    the next board gets and keeps: a name, and what there is to say of it."""
    if problems:
        verdict = f"JOB HAS ERRORS: {counted(len(problems), 'error')}."
    elif listed:
        verdict = f"JOB OK: {free} of {counted(listed, 'value')} left."
    else:
        verdict = "JOB OK."
    lines = [f"{clean(source)}, line {line}: {clean(text, 600)}." for line, text in problems]
    lines += [f"Remark: {clean(each, 600)}." for each in remarks]
    if listed:
        lines.append(f"Values ({free} of {listed} left)" if problems else "Values")
    lines += [f"  {clean(name)}: {clean(a)} to {clean(b)}" for name, a, b in samples]
    if first:
        lines.append("The first board")
        width = max(len(name) for name, _ in first)
        lines += [f"  {clean(name):<{width}}  {clean(text, 200)}" for name, text in first]
    lines += ["", "Next steps"]
    if problems:
        lines += ["  Correct the job file, then check it again."]
    else:
        command = shlex.join(["spiflash", "clone", clean(source, 500)])
        lines += ["  Clip on the first board, and start:", f"    {command}"]
    return "\n".join([verdict, *lines])


def chain_text(
    rows: int,
    head: str,
    broken: str,
    problems: Sequence[str] = (),
    words: Sequence[str] = (),
) -> str:
    """How the chain of the ledger stands, and what to write down of it; `words` are the options
    that the next command needs."""
    found = broken or next(iter(problems), "")
    if found:
        intact = f"Intact{' before it' if broken else ''}: {counted(rows, 'row')}."
        return f"The ledger was altered outside spiflash: {clean(found, 300)}. {intact}"
    if not rows:
        return "The ledger has no rows yet."
    return (
        f"Ledger OK: {counted(rows, 'row')}. Write down the last digest:\n"
        f"  {clean(head, 64)}\n"
        "Rows deleted at the end leave no trace in the ledger. To prove later that none is missing:"
        f"\n  {shlex.join(('spiflash', 'ledger', *words, '--check', '--expect', 'DIGEST'))}"
    )


def summary_text(
    records: Sequence[BoardRecord], skipped: int, made: int = 0, wanted: int = 0
) -> str:
    """The end of a run; `made` boards of the batch's `wanted` (0: not said) are good by now."""
    good = sum(each.good for each in records)
    kinds = sorted({each.kind for each in records if not each.good})
    by_kind = ", ".join(f"{kind} {sum(each.kind == kind for each in records)}" for kind in kinds)
    text = f"{good} of {counted(len(records), 'board')} good: {len(records) - good} failed"
    text += f" ({by_kind})" if kinds else ""
    text += f", {skipped} not changed." if skipped else "."
    return (
        f"{text}\nThe whole batch: {made} of {counted(wanted, 'board')} good." if wanted else text
    )


def batch_tone(records: Sequence[BoardRecord]) -> str:
    """How a batch went: good, mixed or bad."""
    good = sum(each.good for each in records)
    return "good" if good == len(records) else "mixed" if good else "bad"
