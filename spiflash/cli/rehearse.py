"""spiflash rehearse"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shlex
import tempfile
import textwrap
from collections.abc import Callable
from pathlib import Path

import click

from spiflash.cli.options import json_option
from spiflash.cli.screen import Bars, answer, show
from spiflash.cli.values import PathGiven
from spiflash.errors import UsageError, VerifyError
from spiflash.jobs.connection import Settings, connect
from spiflash.jobs.rehearse import JOB, Rehearsal, Scene, save_practice
from spiflash.jobs.rehearse import rehearse as rehearse_in


@click.command()
@click.option(
    "--keep",
    type=PathGiven(),
    metavar="FOLDER",
    help="Keep the simulated boards, their shelf and the image in this new folder, to go on with.",
)
@click.option(
    "--save",
    type=PathGiven(),
    metavar="DIR",
    help="Only write what can be practised with: the open image, its layout, the files for a card.",
)
@json_option
def rehearse(keep: Path | None, save: Path | None, as_json: bool) -> None:
    """Go through the whole job on simulated boards.

    Contact, conversion, an update that fails, triage, the way back, two clones.

    \b
    Examples:
      spiflash rehearse --keep ./practice
      spiflash rehearse --save ./files
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
            state="Nothing has been touched.",
            remedy="Name a new folder.",
        ) from exc
    if taken:
        raise UsageError(
            f"The folder {keep} is not empty.",
            state="Nothing has been touched.",
            remedy="Name a new folder.",
        )
    _rehearse(keep, as_json=as_json, kept=True)


def _rehearse(folder: Path, *, as_json: bool, kept: bool) -> None:
    number = 0

    def tell(scene: Scene) -> None:
        nonlocal number
        number += 1
        if not as_json:
            answer(_told(number, scene))

    result = rehearse_in(folder, tell, Bars())
    clones = _clone_two(folder, tell)
    end = (
        "Rehearsal over: the board holds its factory contents again, byte for byte; two others "
        "hold the open image, each with what is its own."
    )
    if kept:
        words = ["--adapter", f"sim:{folder / 'board'}", "--shelf", str(folder / "shelf")]
        end += f"\nGo on with it: {shlex.join(words)}"
    else:
        end += "\nThe simulated boards are gone; --keep FOLDER keeps them."
    show({**_document(result, folder if kept else None), "cloned": clones}, end, as_json=as_json)
    if not result.proof.equal:
        raise VerifyError("The rehearsal did not end with the factory contents.")


def _clone_two(folder: Path, tell: Callable[[Scene], None]) -> int:
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
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(io.StringIO()):
        clone.main([*words, "--json"], standalone_mode=False)
    good = len(json.loads(said.getvalue())["records"])  # a failed one is an error
    tell(
        Scene(
            "Clone two more",
            "Two other boards get the same image, one after the other, each keeping its own.",
            shlex.join(["spiflash", "clone", *words]),
            f"{good} boards are good, each with its own addresses, serial number and settings.",
        )
    )
    return good


def _saved_text(folder: Path) -> str:
    image = shlex.quote(str(folder / "open.bin"))
    return "\n".join(
        (
            f"In {folder}:",
            "  open.bin          the open image for the whole flash of the simulated board",
            "  open-layout.toml  its layout, as 'spiflash audit --save' writes it",
            "  card/             what the SD-card road needs, by the names the loader looks for",
            "",
            "Convert a simulated board:",
            f"  spiflash convert {image} --adapter 'sim:./board?new=heron'",
        )
    )


def _told(number: int, scene: Scene) -> str:
    bench = textwrap.fill(scene.bench, 78)
    shown = textwrap.indent(scene.shown, "  ")
    return f"{number}. {scene.title}\n{bench}\n\n  > {scene.command}\n{shown}\n"


def _document(result: Rehearsal, folder: Path | None) -> dict[str, object]:
    return {
        "verified": result.prepared.set.record.verified,
        "sha256": result.prepared.set.record.sha256,
        "lost": len(result.prepared.proposal.lost),
        "damaged": [list(pair) for pair in result.damaged],
        "erased_bytes": result.erased_bytes,
        "restored": result.proof.equal,
        "folder": str(folder) if folder else None,
    }
