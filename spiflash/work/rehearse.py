"""The whole job on a simulated board: what a person would see and do, step by step.

Nothing here is special to the rehearsal: the board is simulated, the adapter is simulated, and
everything between is the same code that works on a real bench.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.shelf import Shelf
from spiflash.errors import ShelfError
from spiflash.report.amounts import seconds
from spiflash.report.backup_text import backup_text, set_text
from spiflash.report.changes import plan_text, ranges_text
from spiflash.report.contact import ContactReport, contact_text
from spiflash.report.identity import identity_text
from spiflash.report.triage import Basis, Way, triage_text
from spiflash.work.backup import Backup, back_up
from spiflash.work.connection import Connection, Settings, connect
from spiflash.work.contact import make_contact
from spiflash.work.image import load_image
from spiflash.work.progress import Watcher
from spiflash.work.reading import disagreements
from spiflash.work.restore import restore
from spiflash.work.triage import Asked, Triaged, triage_chip
from spiflash.work.verify import Verified, ranges, verify

STOPPED_AT = 0x212000
"""Where the rehearsed SD-card update dies: inside the root file system."""


@dataclass(frozen=True, slots=True)
class Scene:
    """One step: what happens at the bench, which command it is, what the command shows."""

    title: str
    bench: str
    command: str
    shown: str


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """The outcome: the set that was made, what the failed update damaged, and the proof."""

    backup: Backup
    damaged: tuple[tuple[int, int], ...]
    erased_bytes: int
    proof: Verified


Teller = Callable[[Scene], None]


def rehearse(folder: Path, tell: Teller, watcher: Watcher) -> Rehearsal:
    """Run the rehearsal in `folder`, which must be empty or missing.

    Leaves the simulated board in `folder`/board and its backup set in `folder`/shelf. Raises
    `ShelfError` when the folder cannot be made.
    """
    board, shelf = folder / "board", Shelf(folder / "shelf")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise ShelfError(
            f"The folder {folder} cannot be made ({exc.strerror or exc}).",
            state="Nothing has been written.",
            remedy="Name a folder in which this user may write.",
        ) from exc
    here = f"sim:{board}"
    bench = ("--adapter", here, "--shelf", str(shelf.root))
    tell(_contact(make_contact(Settings(adapter=f"{here}?new=heron")), here))
    with connect(Settings(adapter=here)) as found:
        tell(_identity(found, here))
        made = back_up(found, shelf, watcher, board="rehearsal")
    tell(_backup(made, bench))
    image = load_image(made.set.path)
    with connect(Settings(adapter=f"{here}?card={STOPPED_AT:#x}")) as found:
        triaged = triage_chip(found, shelf, watcher, Asked(words=bench))
    tell(_damage(triaged, bench))
    damaged = ranges(disagreements([triaged.reading.contents, made.contents]))
    with connect(Settings(adapter=here)) as found:
        done = restore(found, shelf, image, watcher, agree=lambda work: True)
    tell(
        Scene(
            "Put back what is damaged",
            "The clip is on again. Only the sectors that differ are rewritten; the journal on "
            "the shelf keeps the work safe against a cut.",
            _command("restore", str(made.set.path), *bench),
            f"{plan_text(done.plan)}\nWritten and verified in {seconds(done.seconds)} of the "
            "bench's time.",
        )
    )
    with connect(Settings(adapter=here)) as found:
        proof = verify(found, image, watcher)
    tell(_end(proof, made, here))
    return Rehearsal(made, damaged, done.plan.erased_bytes, proof)


def _command(name: str, *words: str) -> str:
    """The command as it is typed."""
    return shlex.join(["spiflash", name, *words])


def _contact(found: ContactReport, here: str) -> Scene:
    return Scene(
        "Make contact",
        "The board is unplugged and its battery is out. The clip goes on with its pin 1 at the "
        "dot of the chip, then the adapter into USB.",
        _command("contact", "--adapter", here),
        contact_text(found),
    )


def _identity(found: Connection, here: str) -> Scene:
    return Scene(
        "Know the chip",
        "The name on the package and the voltage should agree with what the chip says.",
        _command("identify", "--adapter", here),
        identity_text(
            found.chip, found.unique_id, found.registers, found.protection, found.bus.description
        ),
    )


def _backup(made: Backup, bench: tuple[str, ...]) -> Scene:
    path = made.set.path
    text = backup_text(made.record, made.audit, path)
    return Scene(
        "Save the factory contents",
        "Nothing is written before this is done and verified.",
        _command("backup", "--board", "rehearsal", *bench),
        f"{text}\n{set_text(made.record, made.audit, path, made.set.page)}",
    )


def _damage(found: Triaged, bench: tuple[str, ...]) -> Scene:
    basis = Basis(found.backup, found.image, len(found.reading.passes), len(found.reading.unstable))
    ways = [Way(each.repair, each.plan, each.commands) for each in found.proposals]
    return Scene(
        "The SD-card update fails",
        f"The clip comes off and the card goes in. The power fails when the update has reached "
        f"{STOPPED_AT:06X}h; the board does not come up any more. The clip goes on again.",
        _command("triage", *bench),
        triage_text(found.triage, basis, ways),
    )


def _end(proof: Verified, made: Backup, here: str) -> Scene:
    return Scene(
        "Make sure",
        "The clip comes off, the battery goes in, and the board starts as it did before.",
        _command("verify", str(made.set.path), "--adapter", here),
        f"Equal: all {proof.compared} bytes, in {len(proof.reading.passes)} passes that agree."
        if proof.equal
        else f"Different  {ranges_text(proof.differing)}",
    )
