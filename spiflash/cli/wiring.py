"""spiflash wiring"""

from __future__ import annotations

from dataclasses import asdict

import click

from spiflash.cli.options import json_option
from spiflash.cli.screen import show
from spiflash.report.cautions import CAUTIONS
from spiflash.report.wiring import wires, wiring_text

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
        "wires": [asdict(wire) for wire in wires(channel)],
        "cautions": list(CAUTIONS),
    }
    show(document, wiring_text(model, channel), as_json=as_json)
