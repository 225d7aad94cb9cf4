"""spiflash compare"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from spiflash.cli.options import bench_options, json_option, passes_option, settings_from
from spiflash.cli.screen import Bars, show
from spiflash.cli.values import PathGiven
from spiflash.jobs.audit import load_layout
from spiflash.jobs.compare import compare_chip, compare_files
from spiflash.jobs.connection import connect
from spiflash.report.compare import compare_json, compare_text


@click.command()
@click.argument("a", type=PathGiven())
@click.argument("b", type=PathGiven(), required=False)
@click.option("--chip", "with_chip", is_flag=True, help="Compare with the chip on the clip.")
@click.option("--layout", type=PathGiven(), metavar="FILE", help="Layout file.")
@click.option("--show-secrets", is_flag=True, help="Print passphrases and keys as they are.")
@bench_options
@passes_option
@json_option
def compare(
    a: Path,
    b: Path | None,
    with_chip: bool,
    layout: Path | None,
    show_secrets: bool,
    passes: int,
    as_json: bool,
    **options: Any,
) -> None:
    """Say how B differs from A: files, sets, or the chip as B.

    Changes nothing. The exit status is 0 when both are equal and 1 when they are not.

    \b
    Examples:
      spiflash compare factory.bin later.bin
      spiflash compare factory.bin --chip --adapter sim:heron
    """
    settings = settings_from(options)
    if with_chip == (b is not None):
        raise click.UsageError("Give either B or --chip.")
    regions = load_layout(layout) if layout is not None else None
    if b is not None:
        found = compare_files(a, b, layout=regions, show_secrets=show_secrets)
        other = str(b)
    else:
        with connect(settings) as connection:
            found = compare_chip(
                a, connection, Bars(), passes=passes, layout=regions, show_secrets=show_secrets
            )
            other = f"the chip, {connection.chip.name}"
    show(compare_json(found, str(a), other), compare_text(found, str(a), other), as_json=as_json)
    click.get_current_context().exit(0 if found.equal else 1)
