"""What the commands that change a chip have in common."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from spiflash.cli.screen import show
from spiflash.report.amounts import counted, seconds
from spiflash.report.changes import plan_json, proof_json, proof_text
from spiflash.work.rewrite import Rewritten
from spiflash.work.rewrite_proof import Verify

F = TypeVar("F", bound=Callable[..., Any])


def leave_options(command: F) -> F:
    """What a person may waive or agree to in advance."""
    for option in reversed(
        (
            click.option("--yes", is_flag=True, help="Do not ask before the chip is changed."),
            click.option(
                "--backup",
                type=click.Path(path_type=Path),
                metavar="SET",
                help="The backup set of this board, when it is not on the shelf or the chip has "
                "no unique ID.",
            ),
            click.option(
                "--without-backup",
                is_flag=True,
                help="Write although there is no backup to go back to.",
            ),
            click.option(
                "--unprotect",
                is_flag=True,
                help="Lift the chip's block protection for the time of the work, and put it back.",
            ),
        )
    ):
        command = option(command)
    return command


def verify_option(command: F) -> F:
    """How much is read back."""
    return click.option(
        "--verify",
        type=click.Choice([each.value for each in Verify]),
        default=Verify.CHANGED.value,
        show_default=True,
        help="What is read back: the sectors that were changed, or all of the chip in passes. "
        "The first sector that does not read back right makes it all in any case.",
    )(command)


def show_rewritten(done: Rewritten, what: str, *, as_json: bool) -> None:
    """The end of a restore or an erase."""
    document: dict[str, object] = {
        "done": what,
        "plan": plan_json(done.plan),
        "repaired": list(done.repaired),
        "proof": proof_json(done.proof) if done.proof else None,
        "seconds": done.seconds,
        "verified": True,
    }
    if not done.plan.steps:
        text = "Nothing to do: the chip holds this already, and the passes agree on it."
    else:
        text = f"{what}. {proof_text(done.proof)}" if done.proof else f"{what}."
        text += f" {seconds(done.seconds)} in all."
        if done.repaired:
            text += (
                f"\n{counted(len(done.repaired), 'sector')} had to be written again: the chip "
                "may be near the end of its life, or the supply is weak."
            )
    show(document, text, as_json=as_json)
