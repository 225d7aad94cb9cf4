"""What the bench shows while boards are cloned: a sign to be read from two metres, and one line."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.archive.ledger_record import BoardRecord
from spiflash.report.amounts import counted, seconds
from spiflash.report.wording import clean

_LETTERS = {
    "P": ("#####.", "##..##", "#####.", "##....", "##...."),
    "A": (".####.", "##..##", "######", "##..##", "##..##"),
    "S": (".#####", "##....", ".####.", "....##", "#####."),
    "F": ("######", "##....", "#####.", "##....", "##...."),
    "I": ("######", "..##..", "..##..", "..##..", "######"),
    "L": ("##....", "##....", "##....", "##....", "######"),
}


def sign(word: str) -> str:
    """PASS or FAIL in five lines of large letters, two columns a dot."""
    rows = ("  ".join(_LETTERS[letter][row] for letter in word) for row in range(5))
    return "\n".join("  " + row.replace("#", "##").replace(".", "  ").rstrip() for row in rows)


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
    touched = "Do not use it, it was written to. " if record.touched else ""
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
) -> str:
    """What `--check` found."""
    lines = [f"{clean(source)}, line {line}: {clean(text, 600)}." for line, text in problems]
    lines += [f"Remark: {clean(each, 600)}." for each in remarks]
    if listed:
        lines.append(f"Values: {free} of {listed} left.")
    verdict = "The job must not be used." if problems else "The job is sound."
    return "\n".join([*lines, verdict])


def chain_text(rows: int, head: str, broken: str) -> str:
    """How the chain of the ledger stands, and what to note down of it."""
    if broken:
        return (
            f"The ledger was changed by other hands: {clean(broken, 300)}. The {rows} rows before "
            "that hold."
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
