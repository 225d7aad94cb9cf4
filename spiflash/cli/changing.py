"""What the commands that change a chip have in common."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any, TypeVar

import click

from spiflash.cli.options import OWN_BACKUP, at_option
from spiflash.cli.screen import fitted, show
from spiflash.cli.values import SourceGiven
from spiflash.errors import DeclinedError
from spiflash.jobs.write import Rewritten, Verify, Work, WriteOptions
from spiflash.report.changes import plan_json, plan_text, proof_text
from spiflash.report.plain import plain
from spiflash.text import counted, seconds

F = TypeVar("F", bound=Callable[..., Any])


def change_options(command: F) -> F:
    """Where to write, what to read back, and what a person may waive or agree to in advance."""
    for option in reversed(
        (
            at_option,
            click.option(
                "--verify",
                type=click.Choice([each.value for each in Verify]),
                default=Verify.CHANGED.value,
                show_default=True,
                help="What is read back: the sectors that were changed, or all of the chip in "
                "passes. The first sector that does not read back right makes it all in any case.",
            ),
            click.option("--yes", is_flag=True, help="Do not ask before the chip is changed."),
            click.option("--backup", type=SourceGiven(), metavar="SET", help=OWN_BACKUP),
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


def write_options(options: dict[str, Any]) -> WriteOptions:
    """How the chip is to be changed; takes its options out of `options`."""
    return WriteOptions(
        at=options.pop("at"),
        verify=Verify(options.pop("verify")),
        without_backup=options.pop("without_backup"),
        backup=options.pop("backup"),
        unprotect=options.pop("unprotect"),
        in_advance=options.pop("yes"),
    )


def question(options: WriteOptions, *, as_json: bool) -> Callable[[Work], bool]:
    """The question before the change."""
    return lambda work: consent(work, yes=options.in_advance, as_json=as_json)


def show_rewritten(done: Rewritten, what: str, *, as_json: bool) -> None:
    """The end of a restore or an erase."""
    document: dict[str, object] = {
        "done": what,
        "plan": plan_json(done.plan),
        "repaired": list(done.repaired),
        "proof": plain(done.proof),
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


def consent(work: Work, *, yes: bool, as_json: bool) -> bool:
    """Show the plan and ask; `yes` answers for the person.

    Raises `DeclinedError` when nobody can be asked.
    """
    if not as_json:
        click.echo(fitted(plan_text(work.plan), sys.stderr), err=True)
    if yes:
        return True
    if as_json or sys.stdin is None or not sys.stdin.isatty():
        raise DeclinedError(
            "This would change the chip, and nobody is there to be asked.",
            state="Nothing has been erased or written.",
            remedy="Give --yes to agree in advance.",
        )
    return click.confirm("Change the chip?", default=False, err=True)
