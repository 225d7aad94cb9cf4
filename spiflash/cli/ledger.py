"""spiflash ledger"""

from __future__ import annotations

import re
from pathlib import Path

import click

from spiflash.cli.options import json_option
from spiflash.cli.screen import show
from spiflash.cli.values import PathGiven
from spiflash.errors import LedgerError


@click.command()
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
@click.option("--check", is_flag=True, help="Follow the chain and name the first row that breaks.")
@click.option(
    "--expect", metavar="DIGEST", help="With --check: a digest noted earlier must be in the chain."
)
@json_option
def ledger(
    words: tuple[str, ...],
    where: str | None,
    job: str | None,
    full: bool,
    as_csv: bool,
    page: Path | None,
    check: bool,
    expect: str | None,
    as_json: bool,
) -> None:
    """List boards worked on: those in whose rows all WORDS are found.

    A word can be a label, a serial number, FAIL, or a part.

    \b
    Examples:
      spiflash ledger HG-2026-0007 --full
      spiflash ledger FAIL --job heron-open
      spiflash ledger --job heron-open --page batch.html
      spiflash ledger --check
    """
    from spiflash.archive.ledger import Ledger, default_path
    from spiflash.files import write_page
    from spiflash.report.ledger import (
        board_text,
        matching,
        readable,
        rows_csv,
        rows_json,
        rows_text,
    )
    from spiflash.report.ledger_page import batch_page

    if expect is not None and not check:
        raise click.UsageError("--expect goes with --check")
    if expect is not None and not re.fullmatch("[0-9a-f]{64}", expect.strip().lower()):
        raise click.UsageError(
            f"“{expect[:80]}” is no digest: it has {len(expect.strip())} characters, and a digest "
            "is 64 digits and letters a to f. It was mistyped or cut."
        )
    place = where or str(default_path())
    if "://" not in place and not Path(place).expanduser().exists():
        raise LedgerError(
            f"There is no ledger {place}.",
            state="Nothing was made.",
            remedy="'spiflash clone' makes it with the first board; another one is named with "
            "--ledger.",
        )
    with Ledger(place, read_only=True) as found:
        if check:
            _check(found, expect, as_json=as_json)
            return
        entries, unreadable = readable(found.rows())
    for problem in unreadable:
        click.echo(f"{problem}; 'spiflash ledger --check' looks at all of it.", err=True)
    chosen = matching(entries, words, job)
    if page is not None:
        write_page(page, batch_page(chosen, job or "All jobs"))
    if as_csv and not as_json:
        show({}, rows_csv(chosen), as_json=False)
        return
    show(rows_json(chosen), (board_text if full else rows_text)(chosen), as_json=as_json)


def _check(found: object, expect: str | None, *, as_json: bool) -> None:
    from spiflash.archive.ledger import Ledger, check_ledger
    from spiflash.report.clone import chain_text
    from spiflash.text import counted

    assert isinstance(found, Ledger)
    result = check_ledger(found)
    for problem in result.problems[1:]:
        click.echo(f"Also: {problem}.", err=True)
    if result.problems:
        holds = f"{counted(result.rows, 'row')} before that hold"
        raise LedgerError(
            f"The ledger was changed by other hands: {result.problems[0]}.",
            state=f"{holds}." if result.broken else f"Its {counted(result.rows, 'row')} hold.",
            remedy="Compare with a copy or a CSV export from earlier.",
        )
    wanted = None if expect is None else expect.strip().lower()
    if wanted is not None and wanted not in {row.digest for row in found.rows()}:
        raise LedgerError(
            f"None of the {counted(result.rows, 'row')} has the digest {wanted}.",
            state="The chain of the rows that are there holds.",
            remedy="Look whether the digest is right to the last letter. If it is, rows were cut "
            "off at the end, or this is another ledger: compare with a copy.",
        )
    if expect is None:
        text = chain_text(result.rows, result.head, result.broken)
    else:
        text = f"{result.rows} rows hold, the one with the digest {expect} among them."
    document: dict[str, object] = {"rows": result.rows, "head": result.head, "broken": ""}
    show(document, text, as_json=as_json)
