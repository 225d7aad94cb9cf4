"""spiflash adapters, wiring, contact, identify: what is on the bench. Nothing is changed."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from spiflash.bus.locate import list_adapters
from spiflash.bus.usb import without_engine
from spiflash.cli.options import (
    Command,
    announce_adapter,
    bench_options,
    details_option,
    interrupted_work,
    json_option,
    settings_from,
    shelf_option,
    trace_options,
    words_given,
)
from spiflash.cli.screen import show
from spiflash.errors import ChipAbsentError, UnstableReadError
from spiflash.jobs.connection import connect
from spiflash.report import next_steps
from spiflash.report.bench import (
    CAUTIONS,
    contact_headline,
    contact_json,
    contact_text,
    wires,
    wiring_text,
)
from spiflash.report.chips import identity_headline, identity_json, identity_text
from spiflash.report.plain import plain
from spiflash.text import clock


@click.command(cls=Command)
@json_option
@trace_options
def adapters(as_json: bool) -> None:
    """List the FTDI adapters that are plugged in.

    One line for each SPI channel, with the URL that --adapter takes. CANNOT BE OPENED marks a
    device that this user may not open, or that does not answer; the others still work.

    On Linux a channel is a serial port (/dev/ttyUSB…) until spiflash uses it. Unplug the adapter
    and plug it in again to use the serial port afterwards.

    \b
    Example:
      spiflash adapters
    """
    found = list_adapters()
    document: dict[str, object] = {"adapters": plain(found)}
    if found:
        lines = [
            f"{each.url}   {each.model} channel {each.channel}, up to {clock(each.top_hz)}"
            + ("" if each.access else "   CANNOT BE OPENED")
            for each in found
        ]
        refusals = [str(each.refusal) for each in found if each.refusal and each.channel == "A"]
        lines += [line for refusal in refusals for line in ("", refusal)]
        usable = next((each for each in found if each.access), found[0])
        steps = [("Check the clip", shlex.join(["spiflash", "contact", "--adapter", usable.url]))]
    else:
        lines = [f"No FTDI adapter with an SPI engine is plugged in. {without_engine()}".rstrip()]
        steps = [("Work on a simulated board", "spiflash identify --adapter sim:heron")]
    text = "\n".join([*lines, *next_steps(steps)])
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


@click.command(cls=Command)
@click.argument(
    "model",
    type=click.Choice(list(MODELS), case_sensitive=False),
    default="FT232H",
    metavar="[MODEL]",
)
@click.option(
    "--channel",
    type=click.Choice(["A", "B"], case_sensitive=False),
    default="A",
    show_default=True,
    help="The channel of the adapter that the clip is wired to.",
)
@json_option
def wiring(model: str, channel: str, as_json: bool) -> None:
    """Show which adapter pin goes to which pin of the flash chip.

    MODEL is FT232H (the one shown without it), FT2232H, FT4232H, FT4232HA, FT2232C or FT2232D.

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


@click.command(cls=Command)
@details_option
@bench_options
@json_option
def contact(details: bool, as_json: bool, **options: Any) -> None:
    """Check the clip: the clocks that work, or the pin to look at.

    The exit status is 0 only when nothing is wrong. Nothing is changed on the chip.

    \b
    Example:
      spiflash contact --adapter sim:heron
    """
    from spiflash.jobs.contact import make_contact

    words = words_given(options)
    found = make_contact(replace(settings_from(options), announce_adapter=announce_adapter))
    text = contact_text(found, details=details, words=words)
    show(contact_json(found), text, as_json=as_json, tone=contact_headline(found).tone)
    if not found.good:
        kind = ChipAbsentError if found.chip is None else UnstableReadError
        click.get_current_context().exit(kind.status)


@click.command(cls=Command)
@bench_options
@shelf_option
@json_option
def identify(shelf: Path | None, as_json: bool, **options: Any) -> None:
    """Find out which chip is on the clip and what it says of itself. Changes nothing.

    \b
    Example:
      spiflash identify --adapter sim:heron
    """
    words = words_given(options, shelf)
    with connect(settings_from(options)) as found:
        journal = interrupted_work(found, shelf, words)
        shown = (
            found.chip,
            found.unique_id,
            found.registers,
            found.protection,
            found.bus.description,
        )
        document = {**identity_json(*shown), "open_journal": plain(journal)}
        tone = identity_headline(found.chip, found.protection).tone
        show(document, identity_text(*shown, words), as_json=as_json, tone=tone)
