"""Printing: progress on standard error, results on standard output, questions, errors."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import sys
import textwrap
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

import click

from spiflash.errors import OutputError, SpiflashError
from spiflash.jobs import BYTES, Advance
from spiflash.text import printable, rounded

_COMMAND = re.compile(r"\s*(> |spiflash |sha256sum )")
_HANGING = re.compile(r"(\s*(?:[*-] |\d+\. )?)(?:\S+(?: \S+)?(?: {2,}|: +))?")
_STEP = 4
_DEEPEST = 3
"""A continuation line is indented by at most one third of the width."""

_LONGEST_LABEL = 10
"""Characters of a label with a colon; what is longer is a verdict."""

_NARROWEST = 20
"""Columns left for text, however narrow the terminal."""


GREEN, AMBER, RED = 28, 130, 160
"""Colours of the 256-colour table that can be read on a light and on a dark terminal; the yellow
and the bright green of the first sixteen vanish on white."""

_TONES = {"good": GREEN, "mixed": AMBER, "bad": RED}
_BAD = re.compile(
    r"\b(?:STOP|DAMAGED|NOT VERIFIED|CANNOT BE OPENED|FAIL(?:ED|S)?|LOST|UNSTABLE|INTERRUPTED)\b"
)
_DOUBTFUL = re.compile(r"\bNOT CHECKED\b")


class Bars:
    """A bar a step on standard error: how much is done, the rate, the time left. Only on a
    terminal."""

    @contextmanager
    def step(self, title: str, total: int, counting: str = BYTES) -> Iterator[Advance]:
        """Show one step; the bar stays when it is finished. A step with nothing to do has
        none."""
        from tqdm import tqdm

        def done(count: int) -> str:
            if counting != BYTES:
                return f"{count:,} of {total:,} {counting}"
            rate = count / max(time.monotonic() - begun, 1e-6)
            return f"{rounded(count)} of {rounded(total)}, {rounded(rate)}/s"

        begun = time.monotonic()
        with tqdm(
            total=total,
            desc=title,
            file=sys.stderr,
            disable=None if total else True,  # None: only where it is no terminal
            dynamic_ncols=True,
            bar_format="{desc:<24} {percentage:3.0f} % {bar} {remaining} left{postfix}",
        ) as bar:

            def advance(count: int) -> None:
                bar.set_postfix_str(done(int(bar.n) + count), refresh=False)
                bar.update(count)

            yield advance

    def say(self, text: str) -> None:
        """A remark between the bars. That nobody reads it any more is no reason to stop in the
        middle of a write."""
        from tqdm import tqdm

        with contextlib.suppress(OSError):
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


def folded(text: str, width: int) -> str:
    """`text` with no line longer than `width` columns where a blank allows it.

    What continues a line stands under its text: after a bullet, or after the label that two blanks
    or a colon end; two columns in where a verdict begins the line. Commands stay
    in one line, so that they can be copied.
    """
    return "\n".join(_line(line, width) for line in text.split("\n"))


def _line(line: str, width: int) -> str:
    if len(line) <= width or _COMMAND.match(line):
        return line
    found = _HANGING.match(line)
    assert found is not None  # every part of the pattern may be empty
    hang = start = found.end()  # the text begins behind its label, even if it is one long path
    if found[0].endswith(": ") and hang - len(found[1]) > _LONGEST_LABEL:
        hang = len(found[1]) + _STEP // 2  # a verdict
    elif hang > width // _DEEPEST:
        hang = len(found[1]) + _STEP
        start = len(line) - len(line.lstrip())
    return "\n".join(
        textwrap.wrap(
            line[start:],
            max(width, hang + _NARROWEST),
            initial_indent=line[:start],
            subsequent_indent=" " * hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
    )


def _colours(stream: TextIO | None) -> bool:
    """Whether `stream` is a terminal that shows colours, and nobody set NO_COLOR."""
    if stream is None or not stream.isatty():
        return False
    return os.environ.get("TERM") != "dumb" and not os.environ.get("NO_COLOR")


def _red(text: str, stream: TextIO | None) -> str:
    return click.style(text, fg=RED, bold=True) if _colours(stream) else text


def coloured(text: str, stream: TextIO | None, tone: str = "") -> str:
    """`text` with colours where `stream` shows them: the verdict, which ends at the first colon, by
    its `tone`; words for a fault wherever they stand."""
    if not _colours(stream):
        return text
    head, colon, rest = text.partition(":") if tone in _TONES else ("", "", text)
    rest = _BAD.sub(lambda found: click.style(found[0], fg=RED, bold=True), rest)
    rest = _DOUBTFUL.sub(lambda found: click.style(found[0], fg=AMBER), rest)
    if not tone:
        return rest
    return click.style(head + colon, fg=_TONES[tone], bold=True) + rest


def remark(text: str) -> None:
    """A line on standard error beside the result."""
    click.echo(coloured(fitted(text, sys.stderr), sys.stderr), err=True)


def answer(text: str, *, as_json: bool = False, tone: str = "") -> None:
    """Print the result, whole, on standard output; JSON as it is, text to fit the terminal, its
    verdict coloured by `tone` ("good", "mixed" or "bad").

    Raises `OutputError` when it does not get there. A reader that has gone away is no error of
    ours: that stays a `BrokenPipeError`.
    """
    global _answered
    _answered = True
    try:
        if not as_json:
            text = coloured(fitted(text, sys.stdout), sys.stdout, tone)
        click.echo(text.removesuffix("\n"))
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


def let_go(stream: TextIO | None = None) -> None:
    """Send standard output, or another stream, nowhere from now on: what is still buffered for it
    must not fail once more at exit, and change the exit status there."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, (stream or sys.stdout).fileno())
        os.close(nowhere)


def show(document: dict[str, object], text: str, *, as_json: bool, tone: str = "") -> None:
    """The result: one JSON document, or text with a verdict of this `tone`."""
    answer(json.dumps(document, indent=2) if as_json else text, as_json=as_json, tone=tone)


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
    # File names and labels are quoted in errors: nothing in them may act on the terminal.
    lines = [
        fitted(printable(line), sys.stderr)
        for part in (error.cause, error.state, error.remedy)
        for line in (part.split("\n") if part else ())
    ]
    try:
        for number, line in enumerate(lines):
            click.echo(line if number else _red(line, sys.stderr), err=True)
    except OSError:
        # Nobody reads it; the exit status still tells.
        let_go(sys.stderr)
