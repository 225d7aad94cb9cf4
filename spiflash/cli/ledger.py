"""spiflash ledger"""

from __future__ import annotations

import contextlib
import platform
import re
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from spiflash.cli.options import Command, json_option, ledger_given
from spiflash.cli.screen import fitted, remark, show
from spiflash.cli.values import PathGiven
from spiflash.errors import DeclinedError, LedgerError
from spiflash.text import clean, counted

if TYPE_CHECKING:
    from spiflash.archive.ledger import Ledger
    from spiflash.report.ledger import Entry


@click.command(cls=Command)
@click.argument("words", nargs=-1)
@click.option(
    "--ledger",
    "where",
    envvar="SPIFLASH_LEDGER",
    metavar="FILE|URL",
    help="Where the ledger is: an SQLite file or postgresql://… [env: SPIFLASH_LEDGER]",
)
@click.option("--job", metavar="NAME", help="Only the boards of this job.")
@click.option("--full", is_flag=True, help="Everything about each board, not one line.")
@click.option("--csv", "as_csv", is_flag=True, help="Print as CSV.")
@click.option("--page", type=PathGiven(), metavar="FILE", help="Write a page about the batch.")
@click.option("--labels", type=PathGiven(), metavar="FILE", help="Write a page of labels to print.")
@click.option("--check", is_flag=True, help="Check the whole ledger, and name what was altered.")
@click.option(
    "--expect", metavar="DIGEST", help="With --check: this digest must be one of the rows'."
)
@click.option("--scrap", is_flag=True, help="Record a board as scrapped, and free its values.")
@click.option("--yes", is_flag=True, help="With --scrap: do not ask.")
@json_option
def ledger(
    words: tuple[str, ...],
    where: str | None,
    job: str | None,
    full: bool,
    as_csv: bool,
    page: Path | None,
    labels: Path | None,
    check: bool,
    expect: str | None,
    scrap: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """List the boards worked on, and what each of them got.

    With WORDS, only the boards in whose rows all of them are found. A word can be a label, a serial
    number, FAIL, or a part. COLUMN=WORD searches one column of the CSV form, such as unique_id or
    part.

    --scrap is for one board that is destroyed: its serial numbers and addresses go back to the
    list, and the next board gets them.

    \b
    Examples:
      spiflash ledger HG-2026-0007 --full
      spiflash ledger FAIL --job heron-open
      spiflash ledger part=W25Q64JV result=PASS
      spiflash ledger --job heron-open --page batch.html
      spiflash ledger --job heron-open --labels labels.html
      spiflash ledger serial=HG-2026-0007 --scrap
      spiflash ledger --check
    """
    from spiflash.archive.ledger import Ledger
    from spiflash.archive.ledger.store import default_path

    if expect is not None and not check:
        raise click.UsageError("--expect goes with --check")
    if expect is not None and not re.fullmatch("[0-9a-f]{64}", expect.strip().lower()):
        raise click.UsageError(
            f"“{expect[:80]}” is not a digest: it has {len(expect.strip())} characters; a digest "
            "has 64 digits and letters a to f. It was mistyped, or only a part was copied."
        )
    if scrap and (not words or check or as_csv):
        raise click.UsageError("--scrap needs WORDS that name one board, and goes without --check")
    place = where or str(default_path())
    with Ledger(place, read_only=True) as found:
        if check:
            _check(found, expect, ledger_given(where), as_json=as_json)
        elif not scrap:
            _show(found, words, job, page, labels, full=full, as_csv=as_csv, as_json=as_json)
    if scrap:
        with Ledger(place) as found:
            _scrap(found, words, job, yes=yes, as_json=as_json)


def _show(
    found: Ledger,
    words: tuple[str, ...],
    job: str | None,
    page: Path | None,
    labels: Path | None,
    *,
    full: bool,
    as_csv: bool,
    as_json: bool,
) -> None:
    from spiflash.files import write_page
    from spiflash.report.ledger import (
        batch_page,
        board_text,
        labels_page,
        newest_of_each,
        rows_csv,
        rows_json,
        rows_text,
        unfinished_text,
    )

    everything, held = _entries(found)
    chosen, waiting = _chosen([*everything, *held], words, job)
    title = job or "All jobs"
    written = []
    if page is not None:
        write_page(page, batch_page(chosen, title))
        written.append(f"Page about {counted(len(chosen), 'row')}: {page}")
    if labels is not None:
        # By all rows: a board that was scrapped or has failed since gets none.
        newest = {each.number for each in newest_of_each(everything)}
        good = [each for each in chosen if each.number in newest and each.record.good]
        write_page(labels, labels_page(good, title))
        written.append(f"Page of {counted(len(good), 'label')}: {labels}")
    if as_csv or as_json:
        for line in written:
            remark(line)
        show(rows_json(chosen, waiting), rows_csv(chosen), as_json=as_json)
        return
    texts = [(board_text if full else rows_text)(chosen), unfinished_text(waiting), *written]
    if waiting and not chosen:
        del texts[0]
    show({}, "\n".join(filter(None, texts)), as_json=False)


def _entries(found: Ledger) -> tuple[list[Entry], list[Entry]]:
    """All rows that can be read, and boards in hand."""
    from spiflash.report.ledger import readable, unfinished

    rows, unreadable = readable(found.rows())
    for problem in unreadable:
        remark(f"{problem}; see 'spiflash ledger --check'.")
    # An older version had another table of these, and what was altered is for --check to name.
    with contextlib.suppress(LedgerError):
        return rows, unfinished(found.all_in_hand())
    return rows, []


def _chosen(
    entries: Sequence[Entry], words: Sequence[str], job: str | None
) -> tuple[list[Entry], list[Entry]]:
    """The rows and the boards in hand that match."""
    from spiflash.report.ledger import matching

    try:
        found = matching(entries, words, job)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    return [e for e in found if e.number], [e for e in found if not e.number]


# -- scrapped boards -----------------------------------------------------------------------


def _scrap(
    found: Ledger, words: tuple[str, ...], job: str | None, *, yes: bool, as_json: bool
) -> None:
    from spiflash.report.ledger import newest_of_each

    # Of a board that was interrupted before its first row there is only what is in hand of it.
    everything, held = _entries(found)
    chosen, waiting = _chosen([*everything, *held], words, job)
    names = {each.record.key: each.record.label for each in [*waiting, *chosen]}
    keys = sorted(names.keys() - {""})
    # One that was scrapped before has values in its rows that may be another board's now.
    last = newest_of_each([*everything, *held])
    scrapped = {each.record.key for each in last if each.record.scrapped}
    keys = [key for key in keys if key not in scrapped] or keys
    if not keys:
        raise _cannot_scrap("No board matches.")
    if len(keys) > 1:
        shown = ", ".join(f"{clean(names[key] or key, 60)} (key={key})" for key in keys[:4])
        raise _cannot_scrap(f"{len(keys)} boards match: {shown}{' …' if len(keys) > 4 else ''}.")
    (key,) = keys
    values = found.drawn(key)
    if not values:
        raise _cannot_scrap("This board has no values that could go back to the list.")
    name = clean(names.get(key) or key, 80)
    shown = clean(", ".join(values), 300)
    remark(f"{name} is to be recorded as scrapped. It has these values: {shown}.")
    if not yes:
        _ask(as_json=as_json)
    row = found.scrap(key, platform.node(), datetime.now(UTC).astimezone().replace(microsecond=0))
    document = {"row": row.number, "key": key, "values": list(values)}
    text = f"SCRAPPED: {name}, in row {row.number}. Back on the list: {shown}."
    show(document, text, as_json=as_json)


def _ask(*, as_json: bool) -> None:
    """Raise `DeclinedError` unless a person agrees."""
    if as_json or sys.stdin is None or not sys.stdin.isatty():
        raise DeclinedError(
            "This needs a person's word that the board is destroyed.",
            state="The ledger was not changed.",
            remedy="Run it at a terminal, or add --yes.",
        )
    question = (
        "Is this board destroyed, so that it will never be used again? The next board gets its "
        "values; if both are used, two devices have one identity."
    )
    if not click.confirm(fitted(question, sys.stderr), default=False, err=True):
        raise DeclinedError("Cancelled.", state="The ledger was not changed.", remedy="")


def _cannot_scrap(cause: str) -> LedgerError:
    return LedgerError(
        cause,
        state="The ledger was not changed.",
        remedy="Name one board, for example by its label or with key=…; 'spiflash ledger --full' "
        "lists them.",
    )


# -- checking ------------------------------------------------------------------------------


def _check(found: Ledger, expect: str | None, words: Sequence[str], *, as_json: bool) -> None:
    from spiflash.archive.ledger.rows import check_ledger
    from spiflash.report.clone import chain_text

    result = check_ledger(found.store)
    for problem in result.problems[1:]:
        remark(f"Also: {problem}.")
    rows = counted(result.rows, "row")
    if result.problems:
        raise LedgerError(
            f"The ledger was altered outside spiflash: {result.problems[0]}.",
            state=f"Intact{' before that' if result.broken else ''}: {rows}.",
            remedy="Compare with a copy or a CSV export from earlier.",
        )
    wanted = None if expect is None else expect.strip().lower()
    if wanted is not None and wanted not in {row.digest for row in found.rows()}:
        raise LedgerError(
            f"None of the {rows} has the digest {wanted}.",
            state="The rows that are there are intact.",
            remedy="This may be a typing mistake: compare the digest with your note, letter by "
            "letter. If it is correct, rows were deleted at the end, or this is another ledger.",
        )
    if expect is None:
        text = chain_text(result.rows, result.head, result.broken, words=words)
    else:
        text = f"Ledger OK: {rows}, and one of them has the digest {wanted}."
    document: dict[str, object] = {"rows": result.rows, "head": result.head, "broken": ""}
    show(document, text, as_json=as_json, tone="good")
