"""The page about a conversion: what became of each own item, the flash before and after.

It lies in the backup set of the board, beside the page of the backup. Secrets are as masked as the
audits have them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from spiflash.archive.record import AgreementRecord
from spiflash.dump.audit import Audit
from spiflash.dump.board_data import WHOLE_KINDS, Decision, Fate, sound_environments
from spiflash.dump.convert import Proposal
from spiflash.jobs.convert import Prepared
from spiflash.report import Headline
from spiflash.report.changes import decision_names, first_start, verdict
from spiflash.report.drawing import HOLDS_WORDS, KEY, sectors
from spiflash.report.pages import template
from spiflash.spans import SECTOR
from spiflash.text import address, amount, clean, span

_ROWS = 300
_REGIONS = 48
_COLUMNS = 32
_CELLS = 2048
"""Cells of a map at most: a larger chip has larger cells."""

_PITCH, _LEFT, _TOP, _STEP = 9, 58, 26, 28
_SIDES = (20, 560)


@dataclass(frozen=True, slots=True)
class _Row:
    """One own item in the table."""

    name: str
    what: str
    fate: str
    place: str
    why: str
    inside: bool
    lost: bool


@dataclass(frozen=True, slots=True)
class _Region:
    """One region drawn: before on the left, after on the right."""

    x: int
    y: int
    name: str
    span: str
    length: str
    look: str


@dataclass(frozen=True, slots=True)
class _Line:
    """From where something was to where it is; `values` for a variable."""

    d: str
    values: bool


def conversion_page(prepared: Prepared, back: str, moment: datetime) -> str:
    """The page about one conversion that was done at `moment`, as HTML; `back` is the command for
    the way back."""
    board, image, proposal = prepared.board, prepared.image, prepared.proposal
    name = prepared.set.record.board or prepared.set.record.chip.name
    size = len(board.contents)
    cell = max(SECTOR, -(-size // _CELLS // SECTOR) * SECTOR)
    lost = len(proposal.lost)
    return template("convert.html.j2").render(
        title=clean(f"{name}, {moment:%Y-%m-%d}", 80),
        headline=Headline(
            "mixed" if lost or proposal.brought else "good",
            "Converted",
            f"{verdict(proposal, ())}. Every changed sector was read back and is correct.",
        ),
        about=[clean(name, 80), f"{moment:%Y-%m-%d %H:%M}", clean(image.name, 80)],
        doubts=[],
        words={kind.value: text for kind, text in HOLDS_WORDS.items()},
        facts=[
            ("Board", clean(name, 80)),
            ("Image", clean(f"{image.name}, {amount(len(image.contents))}", 200)),
            ("Layout before", clean(board.layout.source, 200)),
            ("Layout of the image", clean(image.layout.source, 200)),
            ("Set by hand", ", ".join(clean(key, 40) for key, _ in proposal.values) or "nothing"),
            ("Written", f"{moment:%Y-%m-%d %H:%M}"),
        ],
        concerns=[
            clean(each.text, 600) + (" Accepted by hand." if each.refuses else "")
            for each in prepared.concerns
        ],
        rows=[_row(each, size) for each in proposal.decisions[:_ROWS]],
        more=max(len(proposal.decisions) - _ROWS, 0),
        brought=[
            clean(f"{each.name} {each.text} at {address(each.start, size)}", 100)
            for each in proposal.brought[:20]
        ],
        paths=_paths(board, proposal),
        cell=amount(cell),
        columns=_COLUMNS,
        before=_map(board, board.contents, proposal, cell, after=False),
        after=_map(proposal.audit, board.contents, proposal, cell, after=True),
        key=[(kind.value, text) for kind, text in KEY],
        steps=first_start(proposal),
        back=clean(back, 500),
    )


def _row(said: Decision, size: int) -> _Row:
    name, what = decision_names(said, size)
    place = "–" if said.place is None else address(said.place, size)
    if said.fate is Fate.VARIABLE:
        place = "environment"
    return _Row(
        name.strip(),
        what,
        said.fate.value,
        place,
        clean(said.why, 200),
        bool(said.whole) and said.item.kind not in WHOLE_KINDS,
        not said.kept,
    )


def _paths(board: Audit, proposal: Proposal) -> dict[str, object]:
    """Regions on both sides, and lines between them."""
    size = len(board.contents)
    wholes = [each for each in proposal.decisions if each.item.kind in WHOLE_KINDS]
    lost = {each.item.start for each in wholes if not each.kept}
    kept = {each.item.start for each in wholes if each.kept}
    there = {each.place for each in wholes if each.kept}
    before = [region for region in board.layout.regions if region.start < size][:_REGIONS]
    named = {region.start for region in before}
    before += [
        target for target, _ in proposal.kept if target.start not in named and target.end <= size
    ]
    before.sort(key=lambda region: region.start)
    after = list(proposal.audit.layout.regions)[: _REGIONS + 16]
    rows: list[_Region] = []
    middles: tuple[dict[int, int], dict[int, int]] = ({}, {})
    for side, regions in enumerate((before, after)):
        for index, region in enumerate(regions):
            y = _TOP + index * _STEP
            middles[side][region.start] = y + 11
            mine = region.start in (kept, there)[side]
            gone = side == 0 and region.start in lost
            rows.append(
                _Region(
                    _SIDES[side],
                    y,
                    clean(region.name, 15),
                    span(region.start, region.end, size),
                    amount(region.length),
                    "gone" if gone else "mine" if mine else "row",
                )
            )
    lines = [
        _line(middles[0][each.item.start], middles[1][each.place], values=False)
        for each in wholes
        if each.place in middles[1] and each.item.start in middles[0]
    ]
    lines += _variables(board, proposal, middles)
    return {
        "rows": rows,
        "lines": lines,
        "height": _TOP + max(len(before), len(after), 1) * _STEP + 6,
    }


def _variables(
    board: Audit, proposal: Proposal, middles: tuple[dict[int, int], dict[int, int]]
) -> list[_Line]:
    """Lines from the environment that variables were in to those they were put into."""
    sources = {
        region.start
        for each in proposal.decisions
        if each.fate is Fate.VARIABLE and (region := board.layout.at(each.item.start)) is not None
    }
    targets = {
        region.start
        for each in sound_environments(proposal.audit)
        if (region := proposal.audit.layout.at(each.start)) is not None
    }
    return [
        _line(middles[0][start], middles[1][end], values=True)
        for start in sorted(sources)
        for end in sorted(targets)
        if start in middles[0] and end in middles[1]
    ]


def _line(left: int, right: int, *, values: bool) -> _Line:
    x, end = _SIDES[0] + 340, _SIDES[1]
    return _Line(f"M{x} {left}C{x + 80} {left} {end - 80} {right} {end} {right}", values)


def _map(
    audit: Audit, old: bytes, proposal: Proposal, cell: int, *, after: bool
) -> dict[str, object]:
    """The cells of one map, with a mark where something changed or is the board's own."""
    size = len(old)
    count = -(-size // cell)
    parts = sectors(audit.contents, audit.findings, AgreementRecord(cell, count, (), ()))
    ranges = [
        (target.start, target.end) if after else (source.start, source.end)
        for source, target in proposal.kept
    ]
    cells = []
    for index, part in enumerate(parts):
        end = part.start + part.length
        mark = ""
        if any(low < end and part.start < high for low, high in ranges):
            mark = "own"
        elif after and old[part.start : end] != proposal.made[part.start : end]:
            mark = "new"
        x = _LEFT + index % _COLUMNS * _PITCH
        cells.append((x, 1 + index // _COLUMNS * _PITCH, part.holds.value, mark))
    lines = -(-len(parts) // _COLUMNS)
    return {
        "cells": cells,
        "width": _LEFT + _COLUMNS * _PITCH,
        "height": lines * _PITCH + 2,
        "down": [
            (line * _PITCH + 8, address(line * _COLUMNS * cell, size))
            for line in range(0, lines, 4)
        ],
    }
