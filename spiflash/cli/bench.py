"""spiflash adapters, wiring, contact, identify: what is on the bench. Nothing is changed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import click

from spiflash.bus.locate import list_adapters
from spiflash.bus.usb import no_access
from spiflash.cli.options import (
    announce_adapter,
    bench_options,
    json_option,
    settings_from,
    trace_options,
)
from spiflash.cli.screen import show
from spiflash.errors import ChipAbsentError, UnstableReadError
from spiflash.jobs.connection import connect
from spiflash.jobs.contact import make_contact
from spiflash.report.bench import CAUTIONS, contact_json, contact_text, wires, wiring_text
from spiflash.report.chips import identity_json, identity_text
from spiflash.report.plain import plain
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
    document: dict[str, object] = {"adapters": plain(found)}
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


MODELS = {
    "FT232H": "A",
    "FT2232H": "AB",
    "FT4232H": "AB",
    "FT4232HA": "AB",
    "FT2232C": "A",
    "FT2232D": "A",
}
"""Adapters and their SPI channels."""


@click.command()
@click.argument("model", type=click.Choice(list(MODELS), case_sensitive=False), default="FT232H")
@click.option(
    "--channel", type=click.Choice(["A", "B"], case_sensitive=False), default="A", show_default=True
)
@json_option
def wiring(model: str, channel: str, as_json: bool) -> None:
    """Show which adapter pin goes to which pin of the flash chip.

    \b
    Example:
      spiflash wiring FT2232H --channel B
    """
    if channel not in MODELS[model]:
        raise click.UsageError(f"the {model} has no SPI engine on channel {channel}")
    document: dict[str, object] = {
        "model": model,
        "channel": channel,
        "wires": plain(wires(channel)),
        "cautions": list(CAUTIONS),
    }
    show(document, wiring_text(model, channel), as_json=as_json)


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


@click.command()
@bench_options
@json_option
def identify(as_json: bool, **options: Any) -> None:
    """Find out which chip is on the clip and what it says of itself. Changes nothing.

    \b
    Example:
      spiflash identify --adapter sim:heron
    """
    with connect(settings_from(options)) as found:
        shown = (
            found.chip,
            found.unique_id,
            found.registers,
            found.protection,
            found.bus.description,
        )
        show(identity_json(*shown), identity_text(*shown), as_json=as_json)
