"""Options that several commands share, and what they turn into."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spiflash.bus.locate import url_from_now_on
from spiflash.bus.mpsse import Pins
from spiflash.cli.screen import remark
from spiflash.cli.values import Amount, Frequency, PathGiven, PinName, usual_root
from spiflash.errors import SpiflashError
from spiflash.files import JOURNALS
from spiflash.jobs.connection import Connection, Settings
from spiflash.nor.chip import Chip
from spiflash.report.bench import about_voltage, proven_sentence
from spiflash.text import printable

if TYPE_CHECKING:
    from spiflash.archive.adapters import AdapterRecord

F = TypeVar("F", bound=Callable[..., Any])

SECTIONS = {
    "Adapter and chip": (
        *("adapter", "clock", "part", "size", "trust_sfdp", "chips", "hold_high", "hold_low"),
    ),
    "Readings, files and output": (
        *("passes", "shelf", "trace", "trace_reads", "as_json", "_click_default_help"),
    ),
}
"""Options that many commands share, by the section of the help that lists them."""


class Command(click.Command):
    """A command whose help lists its own options first, then those that many commands share."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options: one list, or three where the command works with an adapter."""
        options = {each.name: each for each in self.get_params(ctx) if _is_listed(each, ctx)}
        sections = dict(SECTIONS) if "clock" in options else {}
        shared = {name for names in sections.values() for name in names}
        own = tuple(name for name in options if name is not None and name not in shared)
        for title, names in {"Options": own, **sections}.items():
            rows = [options[name].get_help_record(ctx) for name in names if name in options]
            if rows:
                with formatter.section(title):
                    formatter.write_dl([row for row in rows if row is not None])


def _is_listed(each: click.Parameter, ctx: click.Context) -> bool:
    return isinstance(each, click.Option) and each.get_help_record(ctx) is not None


OWN_BACKUP = (
    "The backup set of this board, where it is not on the shelf or the chip has no unique ID."
)
"""Help for --backup."""


def bench_options(command: F) -> F:
    """How to reach the chip: adapter, clock, part, chip tables, pins."""
    command = trace_options(command)
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
                help="Fastest SPI clock to use, such as 12M or 500k; auto finds out what works.",
            ),
            click.option(
                "--part", metavar="NAME", help="Treat the chip as this part of the chip table."
            ),
            click.option(
                "--size",
                type=Amount(),
                help="The chip's capacity, such as 8M: for a chip that nothing else describes, or "
                "to confirm one whose contents repeat.",
            ),
            click.option(
                "--trust-sfdp",
                is_flag=True,
                help="Allow writing a chip that is not in the chip table, by its own SFDP.",
            ),
            click.option(
                "--chips",
                type=PathGiven(),
                multiple=True,
                metavar="FILE",
                help="A chip table file of your own, searched before the built-in one.",
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


_READS = "spiflash.trace_reads"


def trace_options(command: F) -> F:
    """A record of what goes over USB."""

    def begin(context: click.Context, _: click.Parameter, path: Path | None) -> None:
        if path is not None and not context.resilient_parsing:
            from spiflash.bus.trace import recording

            context.with_resource(recording(path, data_read=context.meta[_READS]))

    def note(context: click.Context, _: click.Parameter, wanted: bool) -> None:
        context.meta[_READS] = wanted

    command = click.option(
        "--trace-reads",
        is_flag=True,
        is_eager=True,
        expose_value=False,
        callback=note,
        help="With --trace: record what was read from the chip, too. It may hold secrets.",
    )(command)
    return click.option(
        "--trace",
        type=PathGiven(),
        metavar="FILE",
        expose_value=False,
        callback=begin,
        help="Record every USB transfer with its time in FILE (pcap, link type 220), without what "
        "was read from the chip.",
    )(command)


def shelf_option(command: F) -> F:
    """Where backup sets are kept."""
    return click.option(
        "--shelf",
        envvar="SPIFLASH_SHELF",
        type=PathGiven(),
        is_eager=True,  # `SourceGiven` looks there for the label of a board
        metavar="FOLDER",
        help=f"Where backup sets are kept. [env: SPIFLASH_SHELF; default: "
        f"{usual_root() or 'none, because there is no home folder'}]",
    )(command)


def passes_option(command: F) -> F:
    """How often to read."""
    return click.option(
        "--passes",
        type=click.IntRange(2, 12),
        metavar="NUMBER",
        default=2,
        show_default=True,
        help="Complete readings, each with another opcode, clock, transfer length and direction.",
    )(command)


def board_options(command: F) -> F:
    """What work on a board's chip needs: the adapter, the shelf with its backups, the passes."""
    return bench_options(shelf_option(passes_option(command)))


def json_option(command: F) -> F:
    """Output for scripts."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON document on standard output."
    )(command)


def details_option(command: F) -> F:
    """All that was found, not only what decides."""
    return click.option("--details", is_flag=True, help="Print everything that was found.")(command)


def at_option(command: F) -> F:
    """Where an image belongs."""
    return click.option(
        "--at",
        type=Amount(),
        default=0,
        show_default=True,
        help="Address on the chip at which to begin, such as 40000h, 0x40000 or 256K.",
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
        announce=_once(announce_voltage),
    )


def announce_adapter(record: AdapterRecord | None) -> None:
    """Say whether this program's assumptions were tried on the adapter in use."""
    remark(proven_sentence(record))


def _once(announce: Callable[[Chip], None]) -> Callable[[Chip], None]:
    """The same for the first connection of a command; a later one is to the same chip."""
    said: list[Chip] = []

    def first(chip: Chip) -> None:
        if chip not in said:
            said.append(chip)
            announce(chip)

    return first


def announce_voltage(chip: Chip) -> None:
    """Say on standard error what must be said of this chip's supply, before anything else."""
    for line in about_voltage(chip):
        remark(line)


def interrupted_work(
    connection: Connection, shelf: Path | None, words: Sequence[str]
) -> Path | None:
    """The journal of a write to this chip that was interrupted, told on standard error; `words` are
    the options that the command which finishes it needs."""
    root = shelf or usual_root()
    if root is None or not _has_journals(root):
        return None
    from spiflash.archive.journal import open_journals

    identity = connection.identity
    try:
        found = open_journals(root / JOURNALS)
    except SpiflashError:
        return None  # a command that only looks needs no shelf
    for each in found.of_chip(identity):
        if each.in_use:
            continue
        job = each.withdrawn()
        way = "--resume" if job is None else "--undo"
        why = "Finish it first" if job is None else f"The batch {job} gave it up: undo it first"
        chip = "this chip" if identity.unique_hex else "a chip of this kind, perhaps this one,"
        remark(
            f"INTERRUPTED WORK: writing {printable(each.state.image_name)} to {chip} was "
            f"interrupted on {each.state.begun:%Y-%m-%d %H:%M}. {printable(why)}:\n"
            f"    {shlex.join(['spiflash', 'restore', way, *words])}"
        )
        return each.path
    return None


def _has_journals(root: Path) -> bool:
    try:
        return any(os.scandir(root / JOURNALS))
    except OSError:
        return False


def words_given(options: dict[str, Any], shelf: Path | None = None) -> tuple[str, ...]:
    """The options on the command line that the next command needs too, for the same board and
    shelf."""
    source = click.get_current_context().get_parameter_source
    given = click.core.ParameterSource.COMMANDLINE
    adapter = options.get("adapter")
    found = [
        ("adapter", adapter and url_from_now_on(adapter)),
        ("part", options.get("part")),
        ("shelf", shelf),
    ]
    return tuple(
        word
        for name, value in found
        if value is not None and source(name) is given
        for word in (f"--{name}", str(value))
    )


def ledger_given(where: str | None) -> tuple[str, ...]:
    """The option that the next command on the same ledger needs. A database's URL may hold a
    password, so it is not printed."""
    source = click.get_current_context().get_parameter_source
    if where is None or source("where") is not click.core.ParameterSource.COMMANDLINE:
        return ()
    return ("--ledger", "URL" if "://" in where else where)
