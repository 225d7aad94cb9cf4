"""spiflash rehearse"""

from __future__ import annotations

import os
import shlex
import tempfile
import textwrap
from pathlib import Path

import click

from spiflash.cli.options import json_option
from spiflash.cli.screen import Bars, answer, show
from spiflash.cli.values import PathGiven
from spiflash.errors import UsageError, VerifyError
from spiflash.work.rehearse import Rehearsal, Scene
from spiflash.work.rehearse import rehearse as rehearse_in


@click.command()
@click.option(
    "--keep",
    type=PathGiven(),
    metavar="FOLDER",
    help="Keep the simulated board and its shelf in this new folder, to go on with.",
)
@json_option
def rehearse(keep: Path | None, as_json: bool) -> None:
    """Go through the whole job on a simulated board.

    Contact, backup, an update that fails, triage, recovery, verification.

    \b
    Example:
      spiflash rehearse --keep ./practice
    """
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
    end = "Rehearsal over: the board holds its factory contents again, byte for byte."
    if kept:
        words = ["--adapter", f"sim:{folder / 'board'}", "--shelf", str(folder / "shelf")]
        end += f"\nGo on with it: {shlex.join(words)}"
    else:
        end += "\nThe simulated board is gone; --keep FOLDER keeps it."
    show(_document(result, folder if kept else None), end, as_json=as_json)
    if not result.proof.equal:
        raise VerifyError("The rehearsal did not end with the factory contents.")


def _told(number: int, scene: Scene) -> str:
    bench = textwrap.fill(scene.bench, 78)
    shown = textwrap.indent(scene.shown, "  ")
    return f"{number}. {scene.title}\n{bench}\n\n  > {scene.command}\n{shown}\n"


def _document(result: Rehearsal, folder: Path | None) -> dict[str, object]:
    return {
        "verified": result.backup.record.verified,
        "sha256": result.backup.record.sha256,
        "damaged": [list(pair) for pair in result.damaged],
        "erased_bytes": result.erased_bytes,
        "restored": result.proof.equal,
        "folder": str(folder) if folder else None,
    }
