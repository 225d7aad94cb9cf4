"""The program's entry, as `spiflash` and as `python -m spiflash`."""

from __future__ import annotations

import signal
from typing import NoReturn


def start() -> NoReturn:
    """Load the program and run it.

    Loading takes most of a second. Nothing is open until then, so Ctrl-C may simply end the
    process, without the traceback of whatever import it happened to hit.
    """
    hearing = signal.getsignal(signal.SIGINT)
    if hearing is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from spiflash.cli.main import main

    signal.signal(signal.SIGINT, hearing)
    main()


if __name__ == "__main__":
    start()
