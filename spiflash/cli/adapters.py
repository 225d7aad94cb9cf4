"""spiflash adapters"""

from __future__ import annotations

import click

from spiflash.bus.locate import list_adapters
from spiflash.bus.usb import no_access
from spiflash.cli.options import json_option, trace_options
from spiflash.cli.screen import show
from spiflash.text import clock


@click.command()
@json_option
@trace_options
def adapters(as_json: bool) -> None:
    """List the FTDI adapters that are plugged in.

    One line for each SPI channel, with the URL that --adapter takes. NO ACCESS marks a device
    that this user may not open; the others work all the same.

    On Linux a channel is a serial port (/dev/ttyUSB…) until spiflash uses it. Unplug the adapter
    and plug it in again to use the serial port afterwards.

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
                "access": each.access,
            }
            for each in found
        ]
    }
    if found:
        text = "\n".join(
            f"{each.url}   {each.model} channel {each.channel}, up to {clock(each.top_hz)}"
            + ("" if each.access else "   NO ACCESS")
            for each in found
        )
        closed = next((each for each in found if not each.access), None)
        if closed is not None:
            text += f"\n\n{no_access(closed.url)}"
    else:
        text = (
            "No FTDI adapter with an SPI engine is plugged in.\n"
            "A simulated board is always there: --adapter sim:heron"
        )
    show(document, text, as_json=as_json)
