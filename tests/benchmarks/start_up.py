"""How long the program takes to start: processor seconds of commands that hardly do anything.

    python tests/benchmarks/start_up.py             the best of 10 runs of each
    python tests/benchmarks/start_up.py --runs 30

What is told of a command is its whole life, the start of Python included. "until the adapter" is
the time until the adapter is opened: what a person waits for before the first lamp blinks; the
rest of an identification on the simulated bench is mostly the simulation. Compiled files must be
kept (PYTHONDONTWRITEBYTECODE unset), and the machine be idle. The goal is 0.35 s for each.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

COMMANDS = {
    "python itself": ["-c", "pass"],
    "--help": ["-m", "spiflash", "--help"],
    "chips": ["-m", "spiflash", "chips", "W25Q64JV"],
    "until the adapter": [__file__, "--until-the-adapter"],
    "identify": ["-m", "spiflash", "identify", "--adapter", "sim:heron"],
}


def until_the_adapter() -> None:
    """Run `identify` and end where it would open the adapter."""
    from spiflash.bus import locate
    from spiflash.cli.main import run

    def opened(*_: object) -> None:
        os._exit(0)

    locate._open_simulated = opened  # type: ignore[assignment]
    run(["identify", "--adapter", "sim:heron"])


def seconds(words: Sequence[str]) -> tuple[float, float]:
    """(processor seconds, seconds) of one run."""
    environment = {key: value for key, value in os.environ.items() if key[:6] != "PYTHON"}
    began = time.monotonic()
    child = subprocess.Popen(
        [sys.executable, *words], stdout=subprocess.DEVNULL, cwd=ROOT, env=environment
    )
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0, words
    return used.ru_utime + used.ru_stime, time.monotonic() - began


def main() -> None:
    if sys.argv[1:] == ["--until-the-adapter"]:
        until_the_adapter()
        return
    parser = argparse.ArgumentParser(description="Processor time of short commands.")
    parser.add_argument("--runs", type=int, default=10, help="runs of each command")
    runs = parser.parse_args().runs
    for name, words in COMMANDS.items():
        seconds(words)  # compiles what is not compiled yet
        taken = [seconds(words) for _ in range(runs)]
        processor, wall = (min(column) for column in zip(*taken, strict=True))
        print(f"{name:18} {processor:.2f} s of processor time, {wall:.2f} s", flush=True)


if __name__ == "__main__":
    main()
