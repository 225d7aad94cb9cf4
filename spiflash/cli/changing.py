"""What the commands that change a chip have in common."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any, TypeVar

import click

from spiflash.cli.options import OWN_BACKUP
from spiflash.cli.screen import remark, show
from spiflash.cli.values import SourceGiven
from spiflash.errors import DeclinedError
from spiflash.jobs.write import Rewritten, Verify, Work, WriteOptions
from spiflash.plan import Plan
from spiflash.report.changes import plan_json, plan_text, rewritten_text
from spiflash.report.plain import plain

F = TypeVar("F", bound=Callable[..., Any])


plan_option = click.option(
    "--plan", "only_plan", is_flag=True, help="Show what would be done, and stop there."
)


def after_plan(plan: Plan) -> str:
    """The end of a plan: the next step, where there is anything to do."""
    step = "\n\nNext steps\n  To write it, give the same command without --plan."
    return step if plan.steps else ""


verify_option = click.option(
    "--verify",
    type=click.Choice([each.value for each in Verify]),
    default=Verify.CHANGED.value,
    show_default=True,
    help="What is read back: the changed sectors, or the whole chip in passes. One sector that "
    "does not read back correctly makes it the whole chip in any case.",
)
yes_option = click.option("--yes", is_flag=True, help="Do not ask before the chip is written.")
backup_option = click.option("--backup", type=SourceGiven(), metavar="SET", help=OWN_BACKUP)
unprotect_option = click.option(
    "--unprotect",
    is_flag=True,
    help="Clear the chip's block protection for the time of the work, then restore it.",
)


def change_options(command: F) -> F:
    """What to read back, and what a person may waive or agree to in advance."""
    for option in (
        click.option(
            "--without-backup",
            is_flag=True,
            help="Write although no backup of this chip exists.",
        ),
        unprotect_option,
        backup_option,
        verify_option,
        yes_option,
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


def show_rewritten(done: Rewritten, what: str, said: str, *, as_json: bool) -> None:
    """The end of a restore or an erase: `what` for scripts, `said` for people."""
    document: dict[str, object] = {
        "done": what,
        "plan": plan_json(done.plan),
        "repaired": list(done.repaired),
        "proof": plain(done.proof),
        "seconds": done.seconds,
        "verified": True,
    }
    show(document, rewritten_text(done, said), as_json=as_json, tone="good")


def consent(work: Work, *, yes: bool, as_json: bool) -> bool:
    """Show the plan and ask; `yes` answers for the person.

    Raises `DeclinedError` when nobody can be asked.
    """
    if not as_json:
        remark(plan_text(work.plan, work))
    if yes:
        return True
    if as_json or sys.stdin is None or not sys.stdin.isatty():
        raise DeclinedError(
            "This changes the chip, and there is no terminal to ask on.",
            state="Nothing was erased or written.",
            remedy="Give --yes to agree in advance.",
        )
    return click.confirm("Write to the chip?", default=False, err=True)
