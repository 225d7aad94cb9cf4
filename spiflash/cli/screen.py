"""Printing: progress on standard error, results on standard output, questions, errors."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

import click
from tqdm import tqdm

from spiflash.archive.adapters import AdapterRecord
from spiflash.archive.files import printable
from spiflash.cli.folding import folded
from spiflash.errors import DeclinedError, OutputError, SpiflashError
from spiflash.jobs import Advance
from spiflash.jobs.write.rewrite import Work
from spiflash.nor.chip import Chip
from spiflash.report.cautions import about_voltage
from spiflash.report.changes import plan_text
from spiflash.report.prove import proven_sentence


class Bars:
    """A bar a step on standard error: bytes, rate, time left. Only on a terminal."""

    @contextmanager
    def step(self, title: str, total: int) -> Iterator[Advance]:
        """Show one step; the bar stays when it is finished."""
        with tqdm(
            total=total,
            desc=title,
            unit="iB",
            unit_scale=True,
            unit_divisor=1024,
            file=sys.stderr,
            disable=None,
            dynamic_ncols=True,
            bar_format="{desc:<24} {percentage:3.0f} % {bar} {n_fmt}iB of {total_fmt}iB, "
            "{rate_fmt}, {remaining} left",
        ) as bar:

            def advance(count: int) -> None:
                bar.update(count)

            yield advance

    def say(self, text: str) -> None:
        """A remark between the bars."""
        tqdm.write(fitted(text, sys.stderr), file=sys.stderr)


_answered = False


def begin() -> None:
    """Forget what an earlier command in this process printed, and make both streams safe.

    A terminal without UTF-8, or a file name that is not text, must not end the program:
    characters that a stream cannot encode are shown as "?".
    """
    global _answered
    _answered = False
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def fitted(text: str, stream: TextIO | None) -> str:
    """`text` folded to the width of the terminal, where `stream` is one."""
    if stream is None or not stream.isatty():
        return text
    return folded(text, shutil.get_terminal_size().columns)


def answer(text: str, *, as_json: bool = False) -> None:
    """Print the result, whole, on standard output; JSON as it is, text to fit the terminal.

    Raises `OutputError` when it does not get there. A reader that has gone away is no error of
    ours: that stays a `BrokenPipeError`.
    """
    global _answered
    _answered = True
    try:
        click.echo((text if as_json else fitted(text, sys.stdout)).removesuffix("\n"))
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as exc:
        let_go()
        raise OutputError(
            f"The result cannot be written to standard output ({exc.strerror or exc}).",
            state="The work itself is done; only its result is not shown.",
            remedy="Make room there, or send the output elsewhere, then repeat.",
        ) from exc


def let_go() -> None:
    """Send standard output nowhere from now on: what is still buffered for it must not fail
    once more at exit, and change the exit status there."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def show(document: dict[str, object], text: str, *, as_json: bool) -> None:
    """The result: one JSON document, or text."""
    answer(json.dumps(document, indent=2) if as_json else text, as_json=as_json)


def announce_adapter(record: AdapterRecord | None) -> None:
    """Say whether this program's assumptions were tried on the adapter in use."""
    click.echo(fitted(proven_sentence(record), sys.stderr), err=True)


def announce_voltage(chip: Chip) -> None:
    """Say on standard error what must be said of this chip's supply, before anything else."""
    for line in about_voltage(chip):
        click.echo(fitted(line, sys.stderr), err=True)


def show_error(error: SpiflashError, *, as_json: bool = False) -> None:
    """Cause, state and next step, a line each, on standard error; also as JSON when asked and
    when no result has been printed: there is one document on standard output, never two."""
    if as_json and not _answered:
        document = {
            "error": type(error).__name__,
            "status": error.status,
            "cause": error.cause,
            "state": error.state,
            "remedy": error.remedy,
        }
        try:
            click.echo(json.dumps(document, indent=2))
        except OSError:
            let_go()
    for part in (error.cause, error.state, error.remedy):
        # File names and labels are quoted in errors: nothing in them may act on the terminal.
        for line in part.split("\n") if part else ():
            click.echo(fitted(printable(line), sys.stderr), err=True)


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
