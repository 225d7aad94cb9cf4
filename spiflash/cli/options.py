"""Options that several commands share, and what they turn into."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from spiflash.archive.shelf import Shelf, default_root
from spiflash.bus.mpsse import Pins
from spiflash.work.connection import Settings

F = TypeVar("F", bound=Callable[..., Any])

_UNITS = {"": 1.0, "k": 1e3, "m": 1e6}

CLOCKS = (1e3, 200e6)
"""Hertz: what can be meant by a clock. At 1 kHz a pass over 8 MiB takes 19 hours, and no SPI
flash chip is specified for 200 MHz on one wire (common practice, no source)."""

LABEL_LIMIT = 100
"""Characters of a board's label: what fits a sticker, and a line of a report."""


class Frequency(click.ParamType[float | None]):
    """A clock such as 12M, 12MHz, 500k or 2000000; "auto" becomes None."""

    name = "clock"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | None:
        """Hertz."""
        if isinstance(value, float) or value == "auto":
            return value if isinstance(value, float) else None
        found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([kKmM]?)(?:[hH][zZ])?", str(value).strip())
        hertz = float(found[1]) * _UNITS[found[2].lower()] if found else 0.0
        if not CLOCKS[0] <= hertz <= CLOCKS[1]:
            self.fail(
                f"'{value}' is not a clock from 1k to 200M: write auto, 12M, 500k or 2000000",
                param,
                ctx,
            )
        return hertz


class Amount(click.ParamType[int]):
    """An address or length such as 0x40000, 262144, 256K or 4M."""

    name = "bytes"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Bytes."""
        if isinstance(value, int):
            return value
        text = str(value).strip()
        found = re.fullmatch(r"([0-9]{1,12})([kKmM]?)|0[xX][0-9a-fA-F]{1,12}", text)
        if found is None:
            self.fail(f"'{value}' is not a number of bytes: write 0x40000, 256K or 4M", param, ctx)
        if found[1] is None:
            return int(text, 16)
        return int(found[1]) << {"": 0, "k": 10, "m": 20}[found[2].lower()]


class PathGiven(click.Path):
    """A path; an empty one, as an unset shell variable leaves it, would be the folder one is in.

    Whether it exists and may be read is left to whoever opens it: they can say what that means.
    """

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path."""
        if not os.fspath(value):
            self.fail("the path is empty", param, ctx)
        return super().convert(value, param, ctx)


class Label(click.ParamType[str]):
    """What a person writes on a board: one short line of text."""

    name = "label"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The label, without blanks around it."""
        try:
            # In a locale without UTF-8, Python hands over undecoded bytes as surrogates.
            text = os.fsencode(value).decode().strip()
        except UnicodeError:
            self.fail("the label is not UTF-8 text", param, ctx)
        if not text.isprintable() or len(text) > LABEL_LIMIT:
            self.fail(
                f"a label is one line of at most {LABEL_LIMIT} characters, without control "
                "characters",
                param,
                ctx,
            )
        return text


class PinName(click.ParamType[int]):
    """D4 to D7, as a bit mask."""

    name = "pin"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The mask of the pin."""
        if isinstance(value, int):
            return value
        found = re.fullmatch(r"[dD]([4-7])", str(value).strip())
        if found is None:
            self.fail(f"'{value}' is not a spare pin: D4, D5, D6 or D7", param, ctx)
        return 1 << int(found[1])


def bench_options(command: F) -> F:
    """How to reach the chip: adapter, clock, part, chip tables, pins."""
    for option in reversed(
        (
            click.option(
                "--adapter",
                envvar="SPIFLASH_ADAPTER",
                metavar="URL",
                help="Adapter to use: ftdi://… as 'spiflash adapters' lists it, or sim:heron. "
                "Not needed when only one is plugged in. [env: SPIFLASH_ADAPTER]",
            ),
            click.option(
                "--clock",
                type=Frequency(),
                default="auto",
                show_default=True,
                help="Fastest SPI clock to use, such as 12M or 500k; auto tries what works.",
            ),
            click.option("--part", metavar="NAME", help="Insist on this part of the chip table."),
            click.option(
                "--size",
                type=Amount(),
                help="State the capacity, such as 8M: to read a chip that nothing else describes, "
                "or to confirm one whose contents repeat.",
            ),
            click.option(
                "--trust-sfdp",
                is_flag=True,
                help="Let a chip be written that is not in the chip table, by what its own SFDP "
                "says.",
            ),
            click.option(
                "--chips",
                type=PathGiven(),
                multiple=True,
                metavar="FILE",
                help="A chip table file of your own, used before the built-in one.",
            ),
            click.option(
                "--hold-high",
                type=PinName(),
                multiple=True,
                help="Drive a spare pin high: D4 wired to WP#, D5 wired to HOLD#.",
            ),
            click.option(
                "--hold-low",
                type=PinName(),
                multiple=True,
                help="Drive a spare pin low: D6 wired to the board's reset.",
            ),
        )
    ):
        command = option(command)
    return command


def _usual_root() -> Path | None:
    """Where the shelf usually is; None for a user without a home folder."""
    try:
        root = default_root()
    except RuntimeError:
        return None
    # A relative place would be another one from wherever the next command is run.
    return root if root.is_absolute() else None


def shelf_option(command: F) -> F:
    """Where backup sets are kept."""
    return click.option(
        "--shelf",
        envvar="SPIFLASH_SHELF",
        type=PathGiven(),
        metavar="FOLDER",
        help=f"Where backup sets are kept. [env: SPIFLASH_SHELF; default: "
        f"{_usual_root() or 'none, as there is no home folder'}]",
    )(command)


def passes_option(command: F) -> F:
    """How often to read."""
    return click.option(
        "--passes",
        type=click.IntRange(2, 12),
        default=2,
        show_default=True,
        help="Complete readings, each with another opcode, clock, transfer length and direction.",
    )(command)


def json_option(command: F) -> F:
    """Output for scripts."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON document on standard output."
    )(command)


def at_option(command: F) -> F:
    """Where an image belongs."""
    return click.option(
        "--at",
        type=Amount(),
        default=0,
        show_default="0",
        help="Address on the chip at which the image begins, such as 0x40000 or 256K.",
    )(command)


def settings_from(options: dict[str, Any]) -> Settings:
    """The bench settings; takes its options out of `options`.

    Raises click.UsageError for pins that contradict each other.
    """
    high = low = 0
    for mask in options.pop("hold_high"):
        high |= mask
    for mask in options.pop("hold_low"):
        low |= mask
    try:
        pins = Pins(high, low)
    except ValueError as exc:
        raise click.UsageError(str(exc)) from exc
    return Settings(
        adapter=options.pop("adapter"),
        part=options.pop("part"),
        tables=tuple(options.pop("chips")),
        ceiling=options.pop("clock"),
        pins=pins,
        size=options.pop("size"),
        trust_sfdp=options.pop("trust_sfdp"),
    )


def shelf_from(path: Path | None) -> Shelf:
    """The shelf at `path`, or at its usual place.

    Raises click.UsageError when there is no usual place.
    """
    root = path or _usual_root()
    if root is None:
        raise click.UsageError("there is no home folder to keep the shelf in; name one: --shelf")
    return Shelf(root)
