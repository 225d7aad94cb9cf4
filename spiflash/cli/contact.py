"""spiflash contact"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from spiflash.cli.options import bench_options, json_option, settings_from
from spiflash.cli.screen import announce_adapter, show
from spiflash.errors import ChipAbsentError, UnstableReadError
from spiflash.jobs.contact import make_contact
from spiflash.report.contact import contact_json, contact_text


@click.command()
@bench_options
@json_option
def contact(as_json: bool, **options: Any) -> None:
    """Check the clip: the clocks that work, or the pin to look at.

    The exit status is 0 only when nothing is wrong. Nothing is changed on the chip.

    \b
    Example:
      spiflash contact --adapter sim:heron
    """
    found = make_contact(replace(settings_from(options), announce_adapter=announce_adapter))
    show(contact_json(found), contact_text(found), as_json=as_json)
    if found.good:
        return
    kind = ChipAbsentError if found.chip is None else UnstableReadError
    raise kind(
        found.faults[0].sign if found.faults else found.refusal,
        state="Nothing has been changed.",
        remedy="Put the contact right and look again before you go on.",
    )
