"""The program `spiflash`: its commands, and what becomes of errors."""

from __future__ import annotations

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
from spiflash.cli.adapters import adapters
from spiflash.cli.audit import audit
from spiflash.cli.backup import backup
from spiflash.cli.chips import chips
from spiflash.cli.clone import clone
from spiflash.cli.compare import compare
from spiflash.cli.contact import contact
from spiflash.cli.convert import convert
from spiflash.cli.erase import erase
from spiflash.cli.identify import identify
from spiflash.cli.ledger import ledger
from spiflash.cli.prove import prove
from spiflash.cli.rehearse import rehearse
from spiflash.cli.restore import restore
from spiflash.cli.screen import begin, let_go, show_error
from spiflash.cli.stage import stage
from spiflash.cli.triage import triage
from spiflash.cli.verify import verify
from spiflash.cli.wiring import wiring
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

WRITING = frozenset({"convert", "restore", "erase", "clone"})
"""The commands that change a chip."""


@click.group()
@click.version_option(__version__, prog_name="spiflash")
def program() -> None:
    """Save, verify and rewrite SPI flash chips through an FTDI adapter.

    \b
    Without hardware, on a simulated board:
      spiflash rehearse
      spiflash backup --adapter sim:heron
    """


for _command in (
    adapters,
    wiring,
    contact,
    prove,
    identify,
    chips,
    backup,
    audit,
    compare,
    triage,
    stage,
    verify,
    convert,
    restore,
    erase,
    clone,
    ledger,
    rehearse,
):
    program.add_command(_command)


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
            "Stopped.", state="This command had not changed the chip; the bus is released."
        )
    return InterruptedWorkError(
        "Stopped.",
        state="The bus is released. Whatever was written is verified, or its journal is on the "
        "shelf.",
        remedy="'spiflash restore --resume' finishes it, or says that nothing is left to finish.",
    )


def _misused(exc: click.ClickException) -> SpiflashError:
    command = exc.ctx.command_path if isinstance(exc, click.UsageError) and exc.ctx else "spiflash"
    cause = exc.format_message()
    return UsageError(
        f"{cause[:1].upper()}{cause[1:].rstrip('.')}.",
        state="Nothing has been touched.",
        remedy=f"All options, and an example: {command} --help",
    )


def _declined() -> SpiflashError:
    return DeclinedError("Not done, as you said.", state="Nothing has been erased or written.")


def _internal(exc: Exception) -> SpiflashError:
    with tempfile.NamedTemporaryFile(
        "w", prefix="spiflash-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        traceback.print_exc(file=file)
    error = SpiflashError(
        f"spiflash itself made a mistake ({type(exc).__name__}: {exc}).",
        state="The bus is released. If a restore was under way, its journal is on the shelf.",
        remedy=f"Please report it with the file {file.name}.",
    )
    error.status = STATUS_INTERNAL
    return error
