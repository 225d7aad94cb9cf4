"""spiflash audit"""

from __future__ import annotations

from pathlib import Path

import click

from spiflash.cli.options import json_option
from spiflash.cli.screen import show
from spiflash.cli.values import Amount, PathGiven
from spiflash.jobs.audit import audit as audit_source
from spiflash.jobs.audit import save_layout, save_page
from spiflash.report.audit import audit_json, audit_text
from spiflash.report.audit_page import audit_page


@click.command()
@click.argument("source", type=PathGiven())
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file.")
@click.option(
    "--save",
    type=PathGiven(),
    metavar="FILE",
    help="Write the layout to a new file.",
)
@click.option("--show-secrets", is_flag=True, help="Print passphrases and keys as they are.")
@click.option("--page", type=PathGiven(), metavar="FILE", help="Write a page.")
@click.option(
    "--fits",
    type=Amount(),
    multiple=True,
    metavar="SIZE",
    help="Say whether it fits a chip of this size, such as 8M. May be given several times.",
)
@json_option
def audit(
    source: Path,
    layout: Path | None,
    save: Path | None,
    show_secrets: bool,
    page: Path | None,
    fits: tuple[int, ...],
    as_json: bool,
) -> None:
    """Say what is in SOURCE, a dump or a set, and what vouches for it.

    The exit status is 1 when a checksum inside it fails.

    \b
    Examples:
      spiflash audit factory.bin --page factory.html
      spiflash audit factory.bin --fits 4M --save layout.toml
    """
    done = audit_source(source, layout=layout, sizes=fits, show_secrets=show_secrets)
    found = done.audit
    if save is not None:
        save_layout(found.layout, save)
    if page is not None:
        save_page(audit_page(found, done.agreement), page)
    show(audit_json(found), audit_text(found).rstrip("\n"), as_json=as_json)
    click.get_current_context().exit(1 if found.coverage.damaged else 0)
