"""What the bench shows while boards are cloned: a sign to be read from two metres, and one line."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.archive.ledger import BoardRecord
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


def progress_text(good: int, failed: int, wanted: int, seconds: float) -> str:
    """How far the batch is. `good` boards of `wanted` (0: not said), in so many seconds."""
    share = f"{good} of {wanted} boards good" if wanted else f"{counted(good, 'board')} good"
    text = f"{share}, {failed} failed"
    if good and seconds >= 60:
        text += f"; {good * 3600 / seconds:.0f} good boards an hour"
    return text


def reason_line(record: BoardRecord, width: int = 400) -> str:
    """Why, in one line of at most `width` characters."""
    if record.good:
        took = seconds(record.seconds.get("all", 0.0))
        passes = counted(len(record.passes), "pass", "passes")
        resumed = ", taken up again" if record.resumed else ""
        remark = f"; {record.remark}" if record.remark else ""
        line = f"{record.label or record.key}: {passes} agree, {took}{resumed}{remark}"
        return clean(line, width)
    # First what is to be done with the board: a long reason may be cut.
    touched = ""
    if record.touched:
        values = ", ".join(record.values.values())
        touched = "Do not use it, it was written to"
        touched += f"; {values} stays with it. " if values else ". "
    return clean(f"{touched}{record.kind}: {record.reason}", width)


def result_text(station: str, record: BoardRecord, width: int = 400) -> str:
    """The sign with the station's name above and the reason below, on lines of `width`
    characters."""
    line = reason_line(record, width - 2)
    return f"{clean(station, width)}\n\n{sign(record.result)}\n\n  {line}\n"


def skipped_line(station: str, record: BoardRecord) -> str:
    """A finished board that is on the clip again."""
    return clean(
        f"{station}: {record.label or record.key} is finished since "
        f"{record.ended[:16].replace('T', ' ')}, and left as it is",
        400,
    )


def check_text(
    source: str,
    problems: Sequence[tuple[int, str]],
    remarks: Sequence[str],
    listed: int,
    free: int,
    samples: Sequence[tuple[str, str, str]] = (),
    label: str = "",
) -> str:
    """What `--check` found; `samples` are name, first and last value of each list, `label` the
    first board's."""
    lines = [f"{clean(source)}, line {line}: {clean(text, 600)}." for line, text in problems]
    lines += [f"Remark: {clean(each, 600)}." for each in remarks]
    if listed:
        lines.append(f"Values: {free} of {listed} left.")
    lines += [f"  {clean(name)}: {clean(a)} to {clean(b)}" for name, a, b in samples]
    if label:
        lines.append(f"The first board's label: {clean(label)}")
    verdict = "The job must not be used." if problems else "The job is sound."
    return "\n".join([*lines, verdict])


def chain_text(rows: int, head: str, broken: str, problems: Sequence[str] = ()) -> str:
    """How the chain of the ledger stands, and what to note down of it."""
    if broken:
        return (
            f"The ledger was changed by other hands: {clean(broken, 300)}. The {rows} rows before "
            "that hold."
        )
    if problems:
        return (
            f"The ledger was changed by other hands: {clean(problems[0], 300)}. Its "
            f"{counted(rows, 'row')} hold."
        )
    if not rows:
        return "The ledger has no row yet."
    return (
        f"The ledger's {counted(rows, 'row')} hold. Note down the last digest:\n"
        f"  {clean(head, 64)}\n"
        "Rows cut off at the end leave no gap behind. That none is missing shows 'spiflash ledger "
        "--check --expect' with a digest noted earlier."
    )


def summary_text(records: Sequence[BoardRecord], skipped: int) -> str:
    """The end of a run."""
    good = sum(each.good for each in records)
    parts = [f"{counted(good, 'board')} good, {len(records) - good} failed"]
    parts += [f"{skipped} left alone"] if skipped else []
    kinds = sorted({each.kind for each in records if not each.good})
    parts += [f"{kind}: {sum(each.kind == kind for each in records)}" for kind in kinds]
    return "; ".join(parts) + "."
