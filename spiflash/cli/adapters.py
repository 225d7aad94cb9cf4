"""spiflash adapters"""

from __future__ import annotations

import click

from spiflash.cli.options import json_option
from spiflash.cli.screen import show
from spiflash.report.amounts import clock
from spiflash.work.adapters import list_adapters


@click.command()
@json_option
def adapters(as_json: bool) -> None:
    """List the FTDI adapters that are plugged in.

    One line for each SPI channel, with the URL that --adapter takes.

    \b
    Example:
      spiflash adapters
    """
    found = list_adapters()
    document: dict[str, object] = {
        "adapters": [
            {
                "url": each.url,
                "model": each.model,
                "channel": each.channel,
                "serial": each.serial,
                "top_clock_hz": each.top_hz,
            }
            for each in found
        ]
    }
    if found:
        text = "\n".join(
            f"{each.url}   {each.model} channel {each.channel}, up to {clock(each.top_hz)}"
            for each in found
        )
    else:
        text = (
            "No FTDI adapter with an SPI engine is plugged in.\n"
            "A simulated board is always there: --adapter sim:heron"
        )
    show(document, text, as_json=as_json)
