"""Triage of the chip on the clip: read it, judge it, propose repairs with commands and times."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.shelf import Shelf
from spiflash.dump.triage import Repair, Source, Triage, reference
from spiflash.dump.triage import triage as judge
from spiflash.files import write_new
from spiflash.jobs import Watcher
from spiflash.jobs.audit import load_layout
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import load_image
from spiflash.jobs.reading import Reading, read_chip
from spiflash.jobs.sources import OwnBackup, own_backup
from spiflash.jobs.write.work import TURNAROUND
from spiflash.plan import Plan, TransferCost, make_plan


@dataclass(frozen=True, slots=True)
class Proposal:
    """A repair, the plan that carries it out, and the commands to give, in their order."""

    repair: Repair
    plan: Plan
    commands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Triaged:
    """What was found out. `backup` and `image` are the paths of the sources that were used;
    `reading` is the evidence for what the chip holds. `journal` is that of a restore of this
    chip that was cut short: it comes first."""

    triage: Triage
    reading: Reading
    backup: Path | None
    image: Path | None
    proposals: tuple[Proposal, ...]
    journal: Path | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person named: the model's image, this board's backup, a layout file, where the
    repaired contents are to go, and after which repair: 0 is the smallest, each step more the
    next wider one, if there is one; `words` are the
    options of the bench, for the commands."""

    image: Path | None = None
    backup: Path | None = None
    layout: Path | None = None
    save: Path | None = None
    wider: int = 0
    words: tuple[str, ...] = ()


def triage_chip(
    connection: Connection,
    shelf: Shelf,
    watcher: Watcher,
    asked: Asked | None = None,
    *,
    passes: int = 2,
) -> Triaged:
    """Read the chip in passes and judge it; nothing on it is changed.

    Raises what `load_image`, `load_layout` and `own_backup` raise, `OutputError` when the
    repaired contents cannot be saved, and `InterruptedWorkError` after Ctrl-C.
    """
    asked = asked or Asked()
    journal = _cut_short(connection, shelf)
    layout = load_layout(asked.layout) if asked.layout is not None else None
    model = None
    if asked.image is not None:
        model = reference(load_image(asked.image).contents, layout)
    reading = read_chip(connection, passes, watcher, "Start the triage again when you are ready.")
    chip = reference(reading.contents, layout)
    own = own_backup(connection, shelf, chip, watcher, named=asked.backup)
    found = judge(
        chip,
        own_backup=own.reference if own is not None else None,
        model_image=model,
        layout=layout,
    )
    path = own.path if own is not None else None
    cost = TransferCost.at_clock(connection.ceiling, turnaround=TURNAROUND)
    proposals = tuple(
        Proposal(
            repair,
            make_plan(
                reading.contents,
                repair.applied(reading.contents),
                connection.flash.geometry,
                cost,
            ),
            commands(repair, found, own, asked, _board(connection, found), wider=number),
        )
        for number, repair in enumerate(found.repairs)
    )
    if asked.save is not None and found.repairs:
        chosen = found.repairs[min(asked.wider, len(found.repairs) - 1)]
        write_new(asked.save, chosen.applied(reading.contents))
    return Triaged(
        found, reading, path, asked.image, proposals, journal.path if journal is not None else None
    )


def commands(
    repair: Repair,
    found: Triage,
    own: OwnBackup | None,
    asked: Asked,
    board: str,
    *,
    wider: int = 0,
) -> tuple[str, ...]:
    """The commands that carry a repair out.

    Regions go by their names where `restore` will find the same layout in what it is given,
    else by addresses. A made image is called after the `board` it is for.
    """
    lines: list[str] = []
    if repair.source is Source.OWN and own is not None:
        source = own.path
        named = own.reference.layout == found.layout
    else:
        chosen = min(asked.wider, len(found.repairs) - 1)
        which = ("--wider",) * wider
        saved = asked.save if wider == chosen else None
        source = saved or _unused(f"repaired-{board}{'-wider' * wider}")
        named = False
        if saved is None:
            given = (*_given(asked), *which)
            lines.append(_line("triage", given, "--save", str(source), *asked.words))
    if repair.rescue or repair.source is not Source.OWN:
        # `restore` writes only over what is saved; this is that, and the only copy.
        lines.append(_line("backup", (), "--board", f"{board}-before-repair", *asked.words))
    regions: list[str] = []
    for name, (start, end) in zip(repair.regions, repair.ranges, strict=True):
        known = any(each.name == name for each in found.layout.named)
        by_name = known and (named or asked.layout is not None)
        regions += ["--region", name if by_name else f"{start:#x}+{end - start:#x}"]
    if asked.layout is not None:
        regions += ["--layout", str(asked.layout)]
    for start, end in repair.erase:
        regions += ["--erase-again", f"{start:#x}+{end - start:#x}"]
    lines.append(_line("restore", (str(source),), *regions, *asked.words))
    return tuple(lines)


def _cut_short(connection: Connection, shelf: Shelf) -> Journal | None:
    """The journal of a work on this chip that was cut short; of a chip without a unique ID, on
    one of its kind."""
    found = open_journals(shelf.journals).of_chip(connection.identity)
    return next((each for each in found if not each.in_use), None)


def _board(connection: Connection, found: Triage) -> str:
    """What to call this board in names of files: its serial number, its address, or the end of
    its chip's unique ID."""
    for kind in ("serial", "mac"):
        texts = {each.text for each in found.own if each.kind == kind and each.region}
        if len(texts) == 1:
            return re.sub(r"[^A-Za-z0-9-]+", "-", texts.pop()).strip("-")[:40] or "board"
    return connection.unique_id.hex()[-8:] if connection.unique_id else "board"


def _unused(name: str) -> Path:
    """A file name that is not taken in the current folder."""
    for number in range(1, 1000):
        path = Path(f"{name}.bin" if number == 1 else f"{name}-{number}.bin")
        if not path.exists():
            return path
    return Path(f"{name}.bin")


def _given(asked: Asked) -> tuple[str, ...]:
    words: list[str] = []
    for name in ("image", "backup", "layout"):
        path = getattr(asked, name)
        if path is not None:
            words += [f"--{name}", str(path)]
    return tuple(words)


def _line(command: str, first: Sequence[str], *rest: str) -> str:
    return shlex.join(["spiflash", command, *first, *rest])
