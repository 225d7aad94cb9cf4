"""Triage of the chip on the clip: read it, judge it, propose repairs with commands and times.

It is judged by this board's own backup, the newest set on the shelf that was made while nothing
was wrong, and by an image of the model. A damaged board's set is no source.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.dump.triage import Reference, Repair, Source, Triage, reference
from spiflash.dump.triage import triage as judge
from spiflash.files import write_new
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import load_image, load_layout
from spiflash.jobs.reading import Reading, read_chip
from spiflash.jobs.write import named_backup
from spiflash.jobs.write.work import TURNAROUND
from spiflash.plan import Plan, make_plan
from spiflash.plan.optimum import TransferCost
from spiflash.text import range_given


@dataclass(frozen=True, slots=True)
class Proposal:
    """A repair, the plan that carries it out, and the commands to give, in their order."""

    repair: Repair
    plan: Plan
    commands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unfinished:
    """An interrupted write to this chip, by a restore, a conversion or a batch: its journal, and
    the command that deals with it. `begun` and `image` are None for a journal that cannot be read;
    `job` names the batch that took its values back, so that the write can only be undone."""

    journal: Path
    begun: datetime | None
    image: str | None
    job: str | None
    command: str


@dataclass(frozen=True, slots=True)
class Triaged:
    """What was found out. `backup` and `image` are the paths of the sources that were used;
    `reading` is the evidence for what the chip holds. What is `unfinished` comes first: until
    then the chip is half written."""

    triage: Triage
    reading: Reading
    backup: Path | None
    image: Path | None
    proposals: tuple[Proposal, ...]
    unfinished: Unfinished | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person named: the model's image, this board's backup, a layout file, and the new file
    for the repaired contents. `wider` says after which repair: 0 is the smallest, each step more
    the next wider one, as far as there are any. `words` are the options of the bench, for the
    commands that are printed."""

    image: Path | None = None
    backup: Path | None = None
    layout: Path | None = None
    save: Path | None = None
    wider: int = 0
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OwnBackup:
    """A verified backup of this very board, from the time when it worked."""

    path: Path
    reference: Reference


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
    repaired contents cannot be saved, `ShelfError` when the journals cannot be read, and
    `InterruptedWorkError` after Ctrl-C.
    """
    asked = asked or Asked()
    unfinished = _unfinished(connection, shelf, asked)
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
    cost = TransferCost.at_clock(connection.ceiling, turnaround=TURNAROUND)
    geometry, board = connection.flash.geometry, _board(connection, found)
    proposals = tuple(
        Proposal(
            repair,
            make_plan(reading.contents, repair.applied(reading.contents), geometry, cost),
            commands(repair, found, own, asked, board, wider=number),
        )
        for number, repair in enumerate(found.repairs)
    )
    if asked.save is not None and found.repairs:
        chosen = found.repairs[min(asked.wider, len(found.repairs) - 1)]
        write_new(asked.save, chosen.applied(reading.contents))
    path = own.path if own is not None else None
    return Triaged(found, reading, path, asked.image, proposals, unfinished)


def _unfinished(connection: Connection, shelf: Shelf, asked: Asked) -> Unfinished | None:
    """The interrupted write to this chip; of a chip without a unique ID, to one of its kind."""
    journals = open_journals(shelf.journals)
    for journal in journals.of_chip(connection.identity):
        if not journal.in_use:
            state, job = journal.state, journal.withdrawn()
            way = "--resume" if job is None else "--undo"
            command = _line("restore", (way,), *asked.words)
            return Unfinished(journal.path, state.begun, state.image_name, job, command)
    for path, _ in journals.corrupt_of_chip(connection.identity):
        command = _line("restore", ("--resume",), *asked.words)
        return Unfinished(path, None, None, None, command)
    return None


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
    else by addresses. A merged image is called after the `board` it is for.
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
        regions += ["--region", name if by_name else range_given(start, end)]
    if asked.layout is not None:
        regions += ["--layout", str(asked.layout)]
    for start, end in repair.erase:
        regions += ["--erase-again", range_given(start, end)]
    lines.append(_line("restore", (str(source),), *regions, *asked.words))
    return tuple(lines)


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


def own_backup(
    connection: Connection,
    shelf: Shelf,
    chip: Reference,
    watcher: Watcher,
    *,
    named: Path | None = None,
) -> OwnBackup | None:
    """The backup to go by: the one that was named, or the newest on the shelf that is of this
    board and was made while nothing was wrong.

    A set that was made of a damaged board holds the damage, too, and what it cannot prove may be
    part of it: it is passed over when its own checksums, the boot command, or an older set of
    the same board show it. One that holds what the chip holds now is taken only if
    there is no other. A chip without a unique ID is recognised by what is its board's own.
    Raises `NoBackupError` for a named set that is of another chip or not verified.
    """
    if named is not None:
        return OwnBackup(named, reference(named_backup(named, connection).contents()))
    identity = connection.identity
    ours: list[tuple[str, OwnBackup]] = []
    known = {chip.contents: chip}
    for candidate in shelf.verified_of(identity):
        contents = candidate.contents()
        if contents not in known:
            known[contents] = reference(contents)
        found = OwnBackup(candidate.path, known[contents])
        if identity.unique_id is not None or _akin(found.reference, chip):
            ours.append((candidate.name, found))
    sets = [each.reference for _, each in ours]
    sound: dict[bytes, bool] = {}
    same: OwnBackup | None = None
    for name, found in ours:
        if not _sound(sets, found.reference, sound):
            watcher.say(f"{name} is of this chip, but has errors itself: not used")
        elif found.reference.contents == chip.contents:
            same = same or found
        else:
            return found
    return same


def _sound(sets: Sequence[Reference], candidate: Reference, known: dict[bytes, bool]) -> bool:
    """Whether a set was made while nothing was wrong: judged by itself, and by each older one that
    was. What has merely changed since is no damage. `sets` are all of the board's, the newest
    first; `known` keeps the answers.

    What an older set holds, too, is as old as that one: a set of the damaged board in between, made
    before it was repaired, is no evidence against it.
    """
    contents = candidate.contents
    if contents not in known:
        oldest = max(at for at, each in enumerate(sets) if each.contents == contents)
        known[contents] = not judge(candidate, own_backup=None).damaged and not any(
            judge(candidate, own_backup=each).damaged
            for each in sets[oldest + 1 :]
            if _sound(sets, each, known)
        )
    return known[contents]


def _akin(backup: Reference, chip: Reference) -> bool:
    """Whether both hold the same address, serial number or calibration."""

    def items(each: Reference) -> set[tuple[str, bytes]]:
        return {
            (item.kind, each.contents[item.start : item.end])
            for item in each.own
            if item.kind in ("mac", "serial", "calibration")
        }

    return bool(items(backup) & items(chip))
