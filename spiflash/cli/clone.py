"""spiflash clone"""

from __future__ import annotations

import platform
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spiflash.cli.options import (
    Command,
    json_option,
    ledger_given,
    settings_from,
    shelf_option,
    trace_options,
)
from spiflash.cli.screen import answer, fitted, remark, show
from spiflash.cli.values import Frequency, PathGiven, PinName, shelf_from
from spiflash.errors import BoardsFailedError, CloneJobError, DeclinedError
from spiflash.text import counted

if TYPE_CHECKING:
    from spiflash.archive.shelf import LedgerNote
    from spiflash.jobs.clone import Job
    from spiflash.jobs.clone.target import Checked

# The database library takes a third of a second to load: only the two commands that need it
# import it.


def _show_example(context: click.Context, option: click.Parameter, wanted: bool) -> None:
    if wanted and not context.resilient_parsing:
        from spiflash.jobs.clone.job_file import example_text

        # As it is, like JSON: a remark that was folded would be no remark any more.
        answer(example_text(), as_json=True)
        context.exit()


@click.command(cls=Command)
@click.argument("job", type=PathGiven())
@click.option(
    "--example",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_example,
    help="Print a job file in which every key is explained, to edit; needs no JOB.",
)
@click.option("--check", "only_check", is_flag=True, help="Check the job without a board.")
@click.option(
    "--adapter",
    multiple=True,
    envvar="SPIFLASH_ADAPTER",
    metavar="URL",
    help="Adapter to use; give it once for each adapter. sim:FOLDER/* are the simulated boards in "
    "FOLDER, one after the other. [env: SPIFLASH_ADAPTER]",
)
@click.option(
    "--ledger",
    "where",
    envvar="SPIFLASH_LEDGER",
    metavar="FILE|URL",
    help="Where the ledger is: an SQLite file or postgresql://… [env: SPIFLASH_LEDGER]",
)
@shelf_option
@click.option(
    "--again",
    type=click.Choice(["ask", "skip", "redo"]),
    default="ask",
    show_default=True,
    help="What to do with a finished board; without a terminal, ask means skip.",
)
@click.option(
    "--count", type=click.IntRange(1), metavar="NUMBER", help="Stop after this many good boards."
)
@click.option(
    "--clock", type=Frequency(), default="auto", help="Fastest SPI clock to use, such as 12M."
)
@click.option("--part", metavar="NAME", help="Treat the chip as this part of the chip table.")
@click.option("--chips", type=PathGiven(), multiple=True, metavar="FILE", help="Chip table.")
@click.option("--hold-high", type=PinName(), multiple=True, help="Drive a spare pin high.")
@click.option("--hold-low", type=PinName(), multiple=True, help="Drive a spare pin low.")
@click.option(
    "--unprotect", is_flag=True, help="Clear block protection while the board is written."
)
@trace_options
@click.option(
    "--bench", default=platform.node, metavar="NAME", help="Name of this bench in the ledger."
)
@json_option
def clone(
    job: Path,
    only_check: bool,
    adapter: tuple[str, ...],
    where: str | None,
    shelf: Path | None,
    again: str,
    count: int | None,
    unprotect: bool,
    bench: str,
    as_json: bool,
    **options: Any,
) -> None:
    """Write one image to board after board; each keeps its own data.

    Put the clip on, wait for PASS or FAIL, take it off, go on to the next board. Ctrl-C finishes
    the boards on the clips; a second Ctrl-C stops at once, and those boards are continued when they
    are put on again.

    JOB is a text file (TOML): which image, what each board keeps, which values it gets. Start
    with the one that --example prints: it is for the simulated board, and explains every key.

    \b
    Examples:
      spiflash clone --example > job.toml
      spiflash clone job.toml --check
      spiflash clone job.toml --adapter 'sim:boards/*'
    """
    from spiflash.archive.ledger import Ledger
    from spiflash.archive.ledger.rows import check_ledger, last_of_each
    from spiflash.archive.ledger.store import default_path
    from spiflash.cli.clone_screen import CloneScreen
    from spiflash.jobs.clone.board import other_ledger, refuse_older
    from spiflash.jobs.clone.context import Context, answer_no
    from spiflash.jobs.clone.job_file import load_job
    from spiflash.jobs.clone.runner import Runner, station_for
    from spiflash.jobs.clone.target import check_job, made_by
    from spiflash.nor.identify import chip_table
    from spiflash.report.bench import about_voltage
    from spiflash.report.clone import batch_tone, chain_text, summary_text
    from spiflash.report.pages import set_page

    settings = settings_from({**options, "adapter": None, "size": None, "trust_sfdp": False})
    table = chip_table(settings.tables)
    work = load_job(job)
    if only_check and (where is None or ("://" not in where and not Path(where).exists())):
        _show_check(work, check_job(work, table), as_json=as_json)
        return
    with Ledger(where or default_path()) as ledger:
        checked = check_job(work, table, ledger)
        if only_check:
            _show_check(work, checked, as_json=as_json)
            return
        if not checked.sound:
            first = checked.problems[0]
            raise _unsound(f"{job}, line {first.line}: {first.text}.")
        if len(set(adapter)) < len(adapter):
            raise click.UsageError("The same adapter is given twice.")
        stations = [station_for(url, settings.pins) for url in adapter or (None,)]
        screen = CloneScreen(
            [station.name for station in stations],
            wanted=work.boards,
            before=len(made_by(work, ledger)) if work.boards else 0,
        )
        asks = again == "ask" and sys.stdin.isatty() and not as_json
        context = Context(
            work,
            ledger,
            shelf_from(shelf),
            table,
            bench,
            about_voltage,
            set_page,
            screen.again if asks else lambda station, record: again == "redo",
            screen.same if asks else answer_no,
            part=settings.part,
            ceiling=settings.ceiling,
            unprotect=unprotect,
        )
        context.shelf.prepare()
        refuse_older(ledger, context.shelf)
        _ask_about_another_ledger(other_ledger(work, ledger, context.shelf), asks=asks)
        runner = Runner(context, stations, screen, count or 0)
        screen.stopping = runner.stopping
        done = runner.run()
        screen.end()
        chain = check_ledger(ledger.store)
        made = len(made_by(work, ledger))
    document = {
        "records": [{"number": i, **_plain(each)} for i, each in enumerate(done.records, 1)],
        "left_alone": [each.key for each in done.skipped],
        "errors": [error.cause for error in done.errors],
        "ledger": {
            "rows": chain.rows,
            "head": chain.head,
            "broken": chain.broken,
            "problems": list(chain.problems),
        },
    }
    boards = last_of_each(done.records)
    text = summary_text(boards, len(done.skipped), made, work.boards)
    text += "\n" + chain_text(
        chain.rows, chain.head, chain.broken, chain.problems, ledger_given(where)
    )
    show(document, text, as_json=as_json, tone=batch_tone(boards))
    if done.errors:
        raise done.errors[0]
    failed = sum(not each.good for each in boards)
    if failed:
        raise BoardsFailedError(
            f"{failed} of {counted(len(boards), 'board')} failed.",
            state="Values that may be on a board stay with it; others went back to the list.",
            remedy="'spiflash ledger FAIL' says why. Put these boards on again.",
        )


def _ask_about_another_ledger(other: LedgerNote | None, *, asks: bool) -> None:
    """Say that the job's boards are in another ledger; raise `DeclinedError` where a person who can
    be asked does not want to begin anew."""
    if other is None:
        return
    remark(
        f"The job {other.job} was worked on before with another ledger, {other.name}. This one "
        "does not know which values those boards have, and gives them to others again. Name that "
        "ledger with --ledger."
    )
    question = "Begin anew with this ledger all the same?"
    if asks and not click.confirm(fitted(question, sys.stderr), default=False, err=True):
        raise DeclinedError("Cancelled.", state="No board was written to.", remedy="")


def _plain(record: Any) -> dict[str, object]:
    import json

    found = json.loads(record.to_json())
    assert isinstance(found, dict)
    return found


def _unsound(cause: str) -> CloneJobError:
    return CloneJobError(
        cause,
        state="No board was written to.",
        remedy="Correct the job; 'spiflash clone JOB --check' lists all errors.",
    )


def _first_board(job: Job, checked: Checked) -> list[tuple[str, str]]:
    """What the next new board gets, where that is written, and what it keeps."""
    from spiflash.text import address, span

    size = len(job.image.contents)
    rows = []
    for rule in job.values:
        if rule.name in checked.first:
            places = [f"variable {rule.variable}"] if rule.variable else []
            places += [f"at {address(rule.place.start, size)}"] if rule.place else []
            rows.append((rule.name, f"{checked.first[rule.name]} ({', '.join(places)})"))
    rows += [("label", checked.label)] if checked.label else []
    kept = [f"{each.name} {span(each.start, each.end, size)}" for each in job.keep]
    kept += [f"variable {name}" for rule in job.environments for name in rule.keep]
    return [*rows, *([("keeps", ", ".join(kept))] if kept else [])]


def _show_check(job: Job, checked: Checked, *, as_json: bool) -> None:
    from spiflash.report.clone import check_text

    problems = [(each.line, each.text) for each in checked.problems]
    document: dict[str, object] = {
        "job": job.name,
        "sound": checked.sound,
        "problems": [{"line": line, "text": text} for line, text in problems],
        "remarks": list(checked.remarks),
        "listed": checked.listed,
        "free": checked.free,
        "values": [{"name": n, "first": a, "last": b} for n, a, b in checked.samples],
        "first": dict(checked.first),
        "label": checked.label,
    }
    text = check_text(
        job.source,
        problems,
        checked.remarks,
        checked.listed,
        checked.free,
        checked.samples,
        _first_board(job, checked),
    )
    show(document, text, as_json=as_json, tone="good" if checked.sound else "bad")
    if not checked.sound:
        raise _unsound(f"{job.source} has {counted(len(problems), 'error')}.")
