"""The program's entry, as `spiflash` and as `python -m spiflash`."""

from __future__ import annotations

import signal
from typing import NoReturn


def start() -> NoReturn:
    """Load the program and run it.

    Nothing is open while the program loads, so Ctrl-C then simply ends the process, without the
    traceback of an import.
    """
    hearing = signal.getsignal(signal.SIGINT)
    if hearing is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from spiflash.cli.main import main

    signal.signal(signal.SIGINT, hearing)
    main()


if __name__ == "__main__":
    start()
