"""spiflash rehearse: the whole job on simulated boards, as a person would see and do it.

Nothing here is special to the rehearsal: the board is simulated, the adapter is simulated, and
everything between is the same code that works on a real bench.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
import tempfile
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click

from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import practice_files
from spiflash.cli.options import Command, json_option
from spiflash.cli.screen import Bars, answer, show
from spiflash.cli.values import PathGiven
from spiflash.dump.audit import survey
from spiflash.dump.layout.find import find_layouts
from spiflash.errors import ShelfError, UsageError, VerifyError
from spiflash.files import write_new
from spiflash.jobs import Watcher
from spiflash.jobs.backup import Verified, verify
from spiflash.jobs.connection import Connection, Settings, connect
from spiflash.jobs.contact import make_contact
from spiflash.jobs.convert import Asked, Prepared, convert, prepare, save_job
from spiflash.jobs.image import load_image, save_layout
from spiflash.jobs.triage import Asked as TriageAsked
from spiflash.jobs.triage import triage_chip
from spiflash.jobs.write import Rewritten, restore
from spiflash.report.backup import verify_text
from spiflash.report.bench import contact_text
from spiflash.report.changes import conversion_end, plan_text, proposal_text, rewritten_text
from spiflash.report.chips import identity_text
from spiflash.report.pages import set_page
from spiflash.report.triage import triage_text
from spiflash.spans import differing, sector_spans
from spiflash.text import address

JOB = "clone-job.toml"
"""The job that converting the first board leaves for the others."""

STOPPED_AT = 0x212000
"""Where the rehearsed SD-card update dies: inside the root file system."""


@dataclass(frozen=True, slots=True)
class Scene:
    """One step: what happens at the bench, and which command it is."""

    title: str
    bench: str
    command: str


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """The outcome: the conversion with its set, what the failed update damaged, and the proof
    that the board holds its factory contents again."""

    prepared: Prepared
    damaged: tuple[tuple[int, int], ...]
    erased_bytes: int
    proof: Verified


Teller = Callable[[Scene | str], None]
"""Told each step before its work, and then, as text, what its command shows."""


@click.command(cls=Command)
@click.option(
    "--keep",
    type=PathGiven(),
    metavar="FOLDER",
    help="Keep the simulated boards, their shelf and the image in this new folder.",
)
@click.option(
    "--save",
    type=PathGiven(),
    metavar="DIR",
    help="Only write files to practise with: the open image, its layout, the files for a card.",
)
@json_option
def rehearse(keep: Path | None, save: Path | None, as_json: bool) -> None:
    """Practise the whole job on simulated boards.

    Contact, conversion, an update that fails, triage, back to the factory contents, two clones.

    To practise one fault at a time, add a setting to the URL of a simulated board, for any command.
    clip= is a bad contact; brick= damages the board each time it is given.

    \b
    clip=   loose-miso, loose-mosi, loose-select, dead-clock, no-power,
            intermittent, noise, long-wires, other-master
    brick=  intact, erased, interrupted, interrupted-over-blank,
            interrupted-in-a-region, half-erased, cut-off, wrong-offset,
            byte-swapped, another-boards, other-processor, bad-checksum,
            boots-nothing, bit-rot, file-system, own-data-lost

    \b
    Examples:
      spiflash rehearse --keep ./practice
      spiflash rehearse --save ./files
      spiflash contact --adapter 'sim:./board?new=heron&clip=loose-miso'
      spiflash triage --adapter 'sim:./board?brick=half-erased'
    """
    if save is not None:
        if keep is not None:
            raise click.UsageError("give --keep or --save, not both")
        save_practice(save)
        show({"saved": str(save)}, _saved_text(save), as_json=as_json)
        return
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="spiflash-rehearsal-") as folder:
            _rehearse(Path(folder), as_json=as_json, kept=False)
        return
    try:
        taken = os.path.lexists(keep) and any(keep.iterdir())
    except OSError as exc:
        raise UsageError(
            f"{keep} cannot be used as a folder ({exc.strerror or exc}).",
            remedy="Name a new folder.",
        ) from exc
    if taken:
        raise UsageError(
            f"The folder {keep} is not empty.",
            remedy="Name a new folder.",
        )
    _rehearse(keep, as_json=as_json, kept=True)


def _rehearse(folder: Path, *, as_json: bool, kept: bool) -> None:
    number = 0

    def tell(what: Scene | str) -> None:
        nonlocal number
        text = f"{what}\n"
        if isinstance(what, Scene):
            number += 1
            text = _told(number, what)
        if not as_json:
            answer(text)

    result = play(folder, tell, Bars())
    clones = _clone_two(folder, tell)
    end = (
        "Rehearsal finished: the board holds its factory contents again, byte for byte. Two other "
        "boards hold the open image, each with its own data."
    )
    if kept:
        words = ["--adapter", f"sim:{folder / 'board'}", "--shelf", str(folder / "shelf")]
        end += f"\nThe boards are kept. To use them, add to a command:\n  {shlex.join(words)}"
    else:
        end += "\nThe simulated boards are deleted; --keep FOLDER keeps them."
    show({**_document(result, folder if kept else None), "cloned": clones}, end, as_json=as_json)
    if not result.proof.equal:
        raise VerifyError("The rehearsal did not end with the factory contents.")


def _clone_two(folder: Path, tell: Teller) -> int:
    """Clone two more boards with the job that the conversion left, by the command itself; how
    many are good."""
    from spiflash.cli.clone import clone

    for number in (2, 3):
        with connect(
            Settings(adapter=f"sim:{folder / 'boards' / str(number)}?new=heron&board={number}")
        ):
            pass
    words = [
        str(folder / JOB),
        *("--adapter", f"sim:{folder / 'boards'}/*"),
        *("--shelf", str(folder / "shelf"), "--ledger", str(folder / "ledger.db")),
    ]
    tell(
        Scene(
            "Clone two more",
            "Two other boards get the same image, one after the other; each keeps its own data.",
            shlex.join(["spiflash", "clone", *words]),
        )
    )
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(io.StringIO()):
        clone.main([*words, "--json"], standalone_mode=False)
    good = len(json.loads(said.getvalue())["records"])  # a failed one is an error
    tell(f"{good} boards passed, each with its own addresses, serial number and settings.")
    return good


def _saved_text(folder: Path) -> str:
    image = shlex.quote(str(folder / "open.bin"))
    return "\n".join(
        (
            f"In {folder}:",
            "  open.bin          the open image for the whole flash of the simulated board",
            "  open-layout.toml  its layout, as 'spiflash audit --save' writes it",
            "  card/             files for an SD-card update, by the names the loader looks for",
            "",
            "Next steps",
            "  Convert a simulated board:",
            f"    spiflash convert {image} --adapter 'sim:./board?new=heron'",
        )
    )


def _told(number: int, scene: Scene) -> str:
    bench = textwrap.fill(scene.bench, 78)
    gap = "\n" if number > 1 else ""
    return f"{gap}{number}. {scene.title}\n{bench}\n\n> {scene.command}"


def _document(result: Rehearsed, folder: Path | None) -> dict[str, object]:
    return {
        "verified": result.prepared.set.record.verified,
        "sha256": result.prepared.set.record.sha256,
        "lost": len(result.prepared.proposal.lost),
        "damaged": [list(pair) for pair in result.damaged],
        "erased_bytes": result.erased_bytes,
        "restored": result.proof.equal,
        "folder": str(folder) if folder else None,
    }


def play(folder: Path, tell: Teller, watcher: Watcher) -> Rehearsed:
    """Run the rehearsal in `folder`, which must be empty or missing.

    Leaves the simulated board in `folder`/board, its backup set in `folder`/shelf, the image and
    the clone job beside them. Raises `ShelfError` when the folder cannot be made.
    """
    board, shelf = folder / "board", Shelf(folder / "shelf")
    save_practice(folder)
    open_image, job = folder / "open.bin", folder / JOB
    here = f"sim:{board}"
    reach = ("--adapter", here)
    bench = (*reach, "--shelf", str(shelf.root))
    tell(
        Scene(
            "Check the clip",
            "The board is unplugged and its battery is out. The adapter goes into USB first, so "
            "that 'contact' makes all its pins inputs; then the clip goes on, its pin 1 at the "
            "chip's dot.",
            _command("contact", *reach),
        )
    )
    tell(contact_text(make_contact(Settings(adapter=f"{here}?new=heron")), words=reach))
    tell(
        Scene(
            "Identify the chip",
            "The name on the package and the voltage should match what the chip answers.",
            _command("identify", *reach),
        )
    )
    with connect(Settings(adapter=here)) as found:
        tell(_identity(found, reach))
        tell(
            Scene(
                "Convert the board",
                "The factory contents are saved and verified first. Then the open image is "
                "written; the board keeps its own data.",
                _command(
                    *("convert", str(open_image), "--board", "rehearsal"),
                    *("--save-job", str(job), *bench),
                ),
            )
        )
        asked = Asked(label="rehearsal")
        prepared = prepare(found, shelf, load_image(open_image), asked, watcher, page=set_page)
        converted = convert(found, shelf, prepared, watcher, agree=lambda work: True)
    save_job(prepared, open_image, job)
    tell(_converted(prepared, converted, bench))
    image = load_image(prepared.set.path)
    tell(
        Scene(
            "A later update fails",
            "The clip comes off and the board starts. Months later an SD card goes in, and the "
            f"power fails when the update has reached {address(STOPPED_AT)}. The board does not "
            "start any more. The clip goes on again.",
            _command("triage", *bench),
        )
    )
    with connect(Settings(adapter=f"{here}?card={STOPPED_AT:#x}")) as found:
        triaged = triage_chip(found, shelf, watcher, TriageAsked(words=bench))
    tell(triage_text(triaged))
    damaged = tuple(sector_spans(differing(triaged.reading.contents, prepared.proposal.made)))
    tell(
        Scene(
            "Go back to the factory contents",
            "The clip is still on. The whole backup set is written back: what the board held when "
            "it came. Only sectors that differ are rewritten, and a journal on the shelf keeps the "
            "work safe if it is interrupted.",
            _command("restore", str(prepared.set.path), *bench),
        )
    )
    with connect(Settings(adapter=here)) as found:
        done = restore(found, shelf, image, watcher, agree=lambda work: True)
    held = f"the chip holds {prepared.set.path}"
    tell(f"{plan_text(done.plan)}\n{rewritten_text(done, held)}")
    tell(
        Scene(
            "Verify",
            "Before the clip comes off, the chip is read once more and compared with the set. Then "
            "the board starts as it did before.",
            _command("verify", str(prepared.set.path), *reach),
        )
    )
    with connect(Settings(adapter=here)) as found:
        proof = verify(found, image, watcher)
    tell(verify_text(proof, str(prepared.set.path), ""))
    return Rehearsed(prepared, damaged, done.plan.erased_bytes, proof)


def save_practice(folder: Path) -> None:
    """Write what can be practised with: the open image, its layout, and the files for a card.

    Raises `ShelfError` when the folder cannot be made, `OutputError` for a file that exists.
    """
    files = practice_files()
    try:
        for name in files:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise ShelfError(
            f"The folder {folder} cannot be made ({exc.strerror or exc}).",
            state="Nothing has been written.",
            remedy="Name a folder in which this user may write.",
        ) from exc
    for name, contents in files.items():
        write_new(folder / name, contents)
    image = files["open.bin"]
    save_layout(find_layouts(image, survey(image))[0].layout, folder / "open-layout.toml")


def _command(name: str, *words: str) -> str:
    """The command as it is typed."""
    return shlex.join(["spiflash", name, *words])


def _identity(found: Connection, words: tuple[str, ...]) -> str:
    return identity_text(
        *(found.chip, found.unique_id, found.registers, found.protection, found.bus.description),
        words,
    )


def _converted(prepared: Prepared, done: Rewritten, bench: tuple[str, ...]) -> str:
    text = proposal_text(
        prepared.board,
        prepared.image,
        prepared.proposal,
        prepared.concerns,
        prepared.refused,
        backup=f"{prepared.set.path} (taken just now, verified)",
    )
    back = _command("restore", str(prepared.set.path), *bench)
    end = conversion_end(prepared.proposal, done, page="", back=back)
    return f"{text}\n\n{plan_text(done.plan)}\n\n{end}"
