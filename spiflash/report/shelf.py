"""What is on the shelf: interrupted work first, then the backup sets in groups."""

from __future__ import annotations

import enum
from collections.abc import Callable, Sequence
from itertools import groupby
from typing import Any

from spiflash.archive.backupset import Recorded
from spiflash.archive.record import Record
from spiflash.archive.shelf import Overview
from spiflash.report import next_steps, wrapped
from spiflash.report.plain import plain
from spiflash.text import amount, clean, counted

NO_LABEL = "No label"


class Grouping(enum.Enum):
    """What the sets of one group have in common."""

    BOARD = "board"
    DATE = "date"
    CHIP = "chip"
    VERDICT = "verdict"
    SIZE = "size"


_KEYS: dict[Grouping, Callable[[Record], str]] = {
    Grouping.BOARD: lambda record: clean(record.board, 80) or NO_LABEL,
    Grouping.DATE: lambda record: f"{record.made:%Y-%m-%d}",
    Grouping.CHIP: lambda record: clean(record.chip.name, 40),
    Grouping.VERDICT: lambda record: record.verdict,
    Grouping.SIZE: lambda record: amount(record.size),
}


def shelf_text(
    view: Overview, grouping: Grouping, options: str = "", *, searched: bool = False
) -> str:
    """The screen: interrupted work with its next step, the count, the groups, what cannot be used.

    `options` are added to the commands it names; `searched` that only some sets were asked for.
    """
    lines = [
        *_interrupted(view, options),
        *_count(view, searched),
        "",
        *_groups(view.sets, grouping),
    ]
    for each in view.broken:
        lines += [*wrapped(f"CANNOT BE USED: {each.error.cause}", "", "  "), ""]
    steps = []
    named = [found.record for found in view.sets if found.record.board]
    if named:
        # A label can be given for a set where it is that of one chip only.
        boards = {(each.board, each.identity, each.chip.unique_id or each.made) for each in named}
        labels = [board for board, *_ in boards]
        word, which = "LABEL", "the newest verified set of a board"
        if all(labels.count(each) > 1 for each in labels):
            word, which = "SET", "a set, by its name"
        steps += [
            (f"See what is in {which}", f"spiflash audit {word}{options}"),
            ("Write that set to its board again", f"spiflash restore {word}{options}"),
        ]
    if not view.sets and searched:
        steps += [("List all sets", f"spiflash shelf{options}")]
    elif not view.sets:
        steps += [("Save a board", f"spiflash backup --board LABEL{options}")]
    elif not view.checked:
        steps += [
            ("Read all files and compare their checksums", f"spiflash shelf --check{options}")
        ]
    return "\n".join([*lines, *(next_steps(steps)[1:] if steps else ())])


def _count(view: Overview, searched: bool) -> list[str]:
    if not view.sets:
        none = "No backup set matches" if searched else "There is no backup set"
        return wrapped(f"{none} in {view.root}.", "", "")
    size = amount(sum(each.record.size for each in view.sets))
    checked = "all files read, checksums OK" if view.checked else "files NOT CHECKED now"
    sets = counted(len(view.sets), "backup set")
    return wrapped(f"{sets} in {view.root}: {size}, {checked}. {_of(view.sets)}", "", "")


def _of(sets: Sequence[Recorded]) -> str:
    """How many chips and labels the sets are of; those without a unique ID cannot be counted."""
    chips = {each.record.identity for each in sets if each.record.chip.unique_id}
    nameless = sum(not each.record.chip.unique_id for each in sets)
    labels = {each.record.board for each in sets if each.record.board}
    said = [f"{counted(len(chips), 'chip')} by unique ID"] if chips else []
    said += [f"{counted(nameless, 'set')} of chips without one"] if nameless else []
    said += [counted(len(labels), "label")] if labels else []
    return f"{', '.join(said)}."


def _interrupted(view: Overview, options: str) -> list[str]:
    if not view.interrupted and not view.damaged:
        return []
    count = len(view.interrupted) + len(view.damaged)
    lines = [f"INTERRUPTED WORK: {counted(count, 'chip')} may be partly written"]
    for each in view.interrupted:
        state = each.journal.state
        chip = f"{clean(state.chip, 40)}, " + (
            f"unique ID {state.unique_id.upper()}" if state.unique_id else "no unique ID"
        )
        lines += wrapped(
            f"{state.begun:%Y-%m-%d %H:%M}  “{clean(state.image_name, 120)}” was being written to "
            f"{chip}."
        )
        if each.in_use:
            lines += wrapped("Another program is working on it now.", "    ", "    ")
            continue
        if each.resume:
            lines += wrapped(f"Finish it: spiflash restore --resume{options}", "    ", "      ")
        else:
            lines += wrapped(
                "It cannot be finished: its values went to another board.", "    ", "    "
            )
        lines += wrapped(f"Or go back: spiflash restore --undo{options}", "    ", "      ")
    for _, error in view.damaged:
        lines += wrapped(f"{error.cause} {error.remedy}")
    return [*lines, ""]


def _groups(sets: Sequence[Recorded], grouping: Grouping) -> list[str]:
    key = _KEYS[grouping]
    # Groups in the order of their newest set, and those without a label last.
    order: dict[str, int] = {}
    for each in sets:
        order.setdefault(key(each.record), len(order))
    if grouping is Grouping.BOARD and NO_LABEL in order:
        order[NO_LABEL] = len(order)
    lines: list[str] = []
    ordered = sorted(sets, key=lambda each: order[key(each.record)])
    for heading, members in groupby(ordered, key=lambda each: key(each.record)):
        found = list(members)
        # One label on several boards is told by the chips.
        several = grouping is Grouping.BOARD and len({e.record.identity for e in found}) > 1
        lines.append(heading)
        for each in found:
            lines += _set_lines(each, grouping, with_id=several)
        lines.append("")
    return lines


def _set_lines(entry: Recorded, grouping: Grouping, *, with_id: bool) -> list[str]:
    record = entry.record
    unique = record.chip.unique_id
    identity = f"unique ID {unique.upper()}" if unique else "no unique ID"
    facts = [
        (None, f"{record.made:%Y-%m-%d %H:%M}"),
        (Grouping.VERDICT, record.verdict),
        (Grouping.BOARD, clean(record.board, 80)),
        (Grouping.CHIP, clean(record.chip.name, 40)),
        (Grouping.SIZE, amount(record.size)),
        (None, identity if with_id else ""),
    ]
    said = ", ".join(text for fact, text in facts if text and fact is not grouping)
    return [*wrapped(said), *wrapped(entry.path.name, "    ", "    ")]


def shelf_json(view: Overview) -> dict[str, Any]:
    """The same for scripts: every set with what its record says."""
    found: dict[str, Any] = plain(
        {
            "shelf": view.root,
            "interrupted": [
                {
                    "journal": each.journal.path,
                    "chip": each.journal.state.chip,
                    "jedec_id": each.journal.state.jedec_id,
                    "unique_id": each.journal.state.unique_id,
                    "image": each.journal.state.image_name,
                    "begun": each.journal.state.begun,
                    "in_use": each.in_use,
                    "can_be_resumed": each.resume,
                }
                for each in view.interrupted
            ],
            "damaged_journals": [
                {"journal": path, "problem": error.cause} for path, error in view.damaged
            ],
            "sets": [
                {
                    "path": each.path,
                    "board": each.record.board,
                    "made": each.record.made,
                    "verified": each.record.verified,
                    "doubts": each.record.doubts,
                    "chip": each.record.chip.name,
                    "jedec_id": each.record.chip.jedec_id,
                    "unique_id": each.record.chip.unique_id,
                    "size": each.record.size,
                    "sha256": each.record.sha256,
                }
                for each in view.sets
            ],
            "broken": [{"path": each.path, "problem": each.error.cause} for each in view.broken],
            "checked": view.checked,
        }
    )
    return found
