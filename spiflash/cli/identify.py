"""spiflash identify"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from spiflash.cli.options import bench_options, json_option, settings_from
from spiflash.cli.screen import show
from spiflash.jobs.connection import connect
from spiflash.report.identity import identity_json, identity_text


@click.command()
@bench_options
@json_option
def identify(as_json: bool, **options: Any) -> None:
    """Find out which chip is on the clip and what it says of itself. Changes nothing.

    \b
    Example:
      spiflash identify --adapter sim:heron
    """
    # What has to be said of the voltage stands in the answer itself.
    settings = replace(settings_from(options), announce=lambda _chip: None)
    with connect(settings) as found:
        shown = (
            found.chip,
            found.unique_id,
            found.registers,
            found.protection,
            found.bus.description,
        )
        show(identity_json(*shown), identity_text(*shown), as_json=as_json)
