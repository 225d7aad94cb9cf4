"""Triage of the chip on the clip: read it, judge it, propose repairs with commands and times."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.files import write_file
from spiflash.archive.shelf import Shelf
from spiflash.dump.layout import Layout
from spiflash.dump.triage import Reference, Repair, Source, Triage, reference
from spiflash.dump.triage import triage as judge
from spiflash.errors import OutputError
from spiflash.plan import Plan, TransferCost, make_plan
from spiflash.work.audit import load_layout
from spiflash.work.connection import Connection
from spiflash.work.image import load_image
from spiflash.work.progress import Watcher
from spiflash.work.reading import Reading, read_only
from spiflash.work.rewrite import TURNAROUND
from spiflash.work.sources import own_backup


@dataclass(frozen=True, slots=True)
class Proposal:
    """A repair, the plan that carries it out, and the commands to give, in their order."""

    repair: Repair
    plan: Plan
    commands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Triaged:
    """What was found out. `backup` and `image` are the paths of the sources that were used;
    `reading` is the evidence for what the chip holds."""

    triage: Triage
    reading: Reading
    backup: Path | None
    image: Path | None
    proposals: tuple[Proposal, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person named: the model's image, this board's backup, a layout file, where the
    repaired contents are to go; `words` are the options of the bench, for the commands."""

    image: Path | None = None
    backup: Path | None = None
    layout: Path | None = None
    save: Path | None = None
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
    layout = load_layout(asked.layout) if asked.layout is not None else None
    model = None
    if asked.image is not None:
        model = reference(load_image(asked.image).contents, layout)
    reading = read_only(connection, passes, watcher, "Start the triage again when you are ready.")
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
            commands(repair, found.layout, path, model, asked),
        )
        for repair in found.repairs
    )
    if asked.save is not None and found.repairs:
        save_contents(found.repairs[0].applied(reading.contents), asked.save)
    return Triaged(found, reading, path, asked.image, proposals)


def commands(
    repair: Repair, layout: Layout, backup: Path | None, model: Reference | None, asked: Asked
) -> tuple[str, ...]:
    """The commands that carry a repair out.

    Regions go by their names where `restore` will find the same layout, else by addresses.
    """
    lines: list[str] = []
    source = backup
    if repair.source is not Source.OWN or source is None:
        source = asked.save or Path("repaired.bin")
        if asked.save is None:
            lines.append(_line("triage", _given(asked), "--save", str(source), *asked.words))
    if repair.rescue or repair.source is not Source.OWN:
        # `restore` writes only over what is saved; this is that, and the only copy.
        lines.append(_line("backup", (), "--board", "before-repair", *asked.words))
    named = repair.source is Source.OWN or (model is not None and model.layout == layout)
    if asked.layout is not None:
        named = True
    regions: list[str] = []
    for name, (start, end) in zip(repair.regions, repair.ranges, strict=True):
        known = named and any(each.name == name for each in layout.named)
        regions += ["--region", name if known else f"{start:#x}+{end - start:#x}"]
    if asked.layout is not None:
        regions += ["--layout", str(asked.layout)]
    lines.append(_line("restore", (str(source),), *regions, *asked.words))
    return tuple(lines)


def _given(asked: Asked) -> tuple[str, ...]:
    words: list[str] = []
    for name in ("image", "backup", "layout"):
        path = getattr(asked, name)
        if path is not None:
            words += [f"--{name}", str(path)]
    return tuple(words)


def _line(command: str, first: Sequence[str], *rest: str) -> str:
    return shlex.join(["spiflash", command, *first, *rest])


def save_contents(contents: bytes, path: Path) -> None:
    """Write repaired contents to a new file, readable for its owner alone.

    Raises `OutputError`, also when the file exists already.
    """
    try:
        write_file(path, (contents,))
    except FileExistsError as exc:
        raise OutputError(
            f"{path} exists already.",
            state="It was not overwritten, and the chip was only read.",
            remedy="Choose another name, or remove it first.",
        ) from exc
    except OSError as exc:
        raise OutputError(
            f"{path} cannot be written ({exc.strerror or exc}).",
            state="The chip was only read.",
            remedy="Check the path and the permissions.",
        ) from exc
