"""The program `spiflash`: its commands, and what happens to errors."""

from __future__ import annotations

import importlib
import signal
import socket
import sys
import tempfile
import threading
import time
import traceback
from types import FrameType
from typing import NoReturn

import click

from spiflash import __version__
from spiflash.cli.screen import begin, let_go, show_error
from spiflash.errors import DeclinedError, InterruptedWorkError, SpiflashError, UsageError

STATUS_INTERNAL = 70
"""Exit status of an error in this program itself (EX_SOFTWARE of sysexits.h)."""

STATUS_NO_READER = 141
"""Exit status when the reader of our output has gone, as a shell reports SIGPIPE (128 + 13)."""

STOPPERS = frozenset(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
"""Signals that end the program in an orderly way."""

A_MOMENT = 0.5
"""Seconds that stopping may take without a word."""

WRITING = frozenset({"convert", "restore", "erase", "clone", "prove"})
"""The commands that change a chip."""


COMMANDS: dict[str, tuple[str, str]] = {
    "adapters": ("bench", "List the FTDI adapters that are plugged in."),
    "wiring": ("bench", "Show which adapter pin goes to which pin of the flash chip."),
    "contact": ("bench", "Check the clip: the clocks that work, or the pin to look at."),
    "prove": ("prove", "Test on your bench what spiflash assumes about the adapter."),
    "identify": ("bench", "Find out which chip is on the clip and what it says of itself."),
    "chips": ("chips", "Look up parts in the chip table by name, maker or JEDEC ID."),
    "backup": ("backup", "Read the chip in several passes and keep a verified backup set."),
    "shelf": ("shelf", "List the backup sets on the shelf, and interrupted work."),
    "audit": ("audit", "Say what a dump or set holds, and what its checksums prove."),
    "compare": ("audit", "Say how B differs from A: two files or sets, or one and the chip."),
    "triage": ("triage", "Say what is wrong with the chip, and what the smallest repair is."),
    "stage": ("triage", "Put the files for an SD-card update on a mounted card."),
    "verify": ("backup", "Compare the chip with an image file or a backup set."),
    "convert": ("convert", "Write an image to one board, which keeps its own data."),
    "restore": ("restore", "Write an image file or a set to the chip, and verify it."),
    "erase": ("restore", "Erase the chip, or a part of it, and verify that it is blank."),
    "clone": ("clone", "Write one image to board after board; each keeps its own data."),
    "ledger": ("ledger", "List the boards worked on, and what each of them got."),
    "rehearse": ("rehearse", "Practise the whole job on simulated boards."),
}
"""The commands in the order of the work: the module of spiflash/cli that holds each, loaded only
when it is used, and the first sentence of its help."""


class Commands(click.Group):
    """The commands of `COMMANDS`."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Their names, in the order of the work."""
        return list(COMMANDS)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The same, with the command that was probably meant in the error."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            from difflib import get_close_matches

            meant = [f"Did you mean '{each}'?" for each in get_close_matches(name, COMMANDS, 1)]
            ctx.fail(" ".join([f"No such command '{name}'.", *meant]))
        return super().resolve_command(ctx, args)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command with this name; loads its module."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"spiflash.cli.{COMMANDS[cmd_name][0]}")
        command = getattr(module, cmd_name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of all commands, without loading any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_text) for name, (_, help_text) in COMMANDS.items()])


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="spiflash")
def program() -> None:
    """Save, verify and rewrite SPI NOR flash chips through an FTDI adapter.

    \b
    Without hardware, on a simulated board:
      spiflash rehearse
      spiflash backup --adapter sim:heron
    """


def main() -> NoReturn:
    """Run the program; every way out releases the bus and gives an exit status."""
    _announce_stop()
    for each in STOPPERS - {signal.SIGINT}:
        # A signal that the caller has us ignore, as nohup does, stays ignored.
        if signal.getsignal(each) is not signal.SIG_IGN:
            signal.signal(each, _stop)
    status = run(sys.argv[1:])
    # All is done and said: nothing may change the exit status any more.
    for each in STOPPERS:
        signal.signal(each, signal.SIG_IGN)
    sys.exit(status)


def _announce_stop() -> None:
    """Say that the program is stopping where that takes longer than a moment.

    Python hears Ctrl-C only when the USB request under way has ended, which takes seconds with an
    adapter that stopped answering. The signal's number is written to a socket at once, though.
    """
    reader, writer = socket.socketpair()
    writer.setblocking(False)
    signal.set_wakeup_fd(writer.detach(), warn_on_full_buffer=False)

    def listen() -> None:
        while reader.recv(1)[0] not in STOPPERS:
            continue
        time.sleep(A_MOMENT)
        click.echo("\nStopping: waiting for the adapter …", err=True)

    threading.Thread(target=listen, daemon=True).start()


def _stop(signum: int, frame: FrameType | None) -> NoReturn:
    # Treated like Ctrl-C, so that the bus is released on the way out.
    raise KeyboardInterrupt


def run(arguments: list[str]) -> int:
    """Run one command; the exit status."""
    as_json = "--json" in arguments
    begin()
    try:
        result = program.main(arguments, prog_name="spiflash", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except SpiflashError as error:
        show_error(error, as_json=as_json)
        return error.status
    except click.exceptions.Exit as exc:
        return exc.exit_code
    except click.Abort as exc:
        # click makes this of Ctrl-C at a question, and of Ctrl-C anywhere.
        interrupted = isinstance(exc.__cause__ or exc.__context__, KeyboardInterrupt)
        return _end(_stopped(arguments) if interrupted else _declined(), as_json)
    except KeyboardInterrupt:
        return _end(_stopped(arguments), as_json)
    except click.exceptions.NoArgsIsHelpError as exc:
        exc.show()
        return exc.exit_code
    except click.ClickException as exc:
        return _end(_misused(exc), as_json)
    except (BrokenPipeError, SystemExit):
        # Whoever read our output has gone (click makes SystemExit of it): nothing is left to
        # say to them.
        let_go()
        return STATUS_NO_READER
    except Exception as exc:
        return _end(_internal(exc), as_json)


def _end(error: SpiflashError, as_json: bool) -> int:
    show_error(error, as_json=as_json)
    return error.status


def _stopped(arguments: list[str]) -> SpiflashError:
    if WRITING.isdisjoint(arguments):
        return InterruptedWorkError(
            "Stopped.", state="This command did not change the chip. The adapter is released."
        )
    return InterruptedWorkError(
        "Stopped.",
        state="The adapter is released. What was written is verified, or its journal is on the "
        "shelf.",
        remedy="'spiflash restore --resume' finishes the work, or says that nothing is unfinished.",
    )


def _misused(exc: click.ClickException) -> SpiflashError:
    command = exc.ctx.command_path if isinstance(exc, click.UsageError) and exc.ctx else "spiflash"
    cause = exc.format_message().rstrip(".")
    cause = cause[:1].upper() + cause[1:]
    return UsageError(
        # The sentence may end with a question in brackets: which option was meant.
        cause if cause.endswith(("?", ")")) else f"{cause}.",
        remedy=f"All options, and an example: {command} --help",
    )


def _declined() -> SpiflashError:
    return DeclinedError("Cancelled.", state="Nothing was erased or written.")


def _internal(exc: Exception) -> SpiflashError:
    with tempfile.NamedTemporaryFile(
        "w", prefix="spiflash-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        traceback.print_exc(file=file)
    error = SpiflashError(
        f"Internal error (bug): {type(exc).__name__}: {exc}.",
        state="The adapter is released. If a write was under way, its journal is on the shelf.",
        remedy=f"Please report it with the file {file.name}.",
    )
    error.status = STATUS_INTERNAL
    return error
