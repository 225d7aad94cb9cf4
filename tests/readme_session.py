"""The first session of the README, printed by the commands it shows.

    python tests/readme_session.py            prints the block
    python tests/readme_session.py --write    puts it into README.md

`tests/jobs/test_readme.py` runs the same commands and compares.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
START, END = "<!-- session:start -->", "<!-- session:end -->"

COMMANDS = (
    "identify --adapter sim:gauge?new=heron",
    "backup --adapter sim:gauge --shelf shelf --board gauge-23",
    "rehearse --save files",
    "convert files/open.bin --adapter sim:gauge --shelf shelf --yes",
)
"""What is typed; SET stands for the name of the set that the backup makes."""

_STAMP = re.compile(r"\d{4}-\d\d-\d\d-\d{6}")


def run(command: str, folder: Path) -> str:
    """What the command prints on standard output, run in `folder`."""
    done = subprocess.run(
        [sys.executable, "-m", "spiflash", *command.split()],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80"},
        capture_output=True,
        text=True,
        check=True,
        stdin=subprocess.DEVNULL,
    )
    return done.stdout


def lasting(text: str) -> str:
    """The text without what changes from run to run: the time of day in a name."""
    return _STAMP.sub("2026-11-25-101500", text)


def session() -> str:
    """The block between the two marks of the README."""
    shown: list[str] = ["```console"]
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        for command in COMMANDS:
            sets = [each for each in folder.glob("shelf/*") if each.name != "journals"]
            if sets:
                command = command.replace("SET", sets[0].name)
            output = lasting(run(command, folder).replace(str(folder), "."))
            shown += [f"$ spiflash {lasting(command)}", *output.splitlines(), ""]
    while shown[-1] == "":
        shown.pop()
    return "\n".join([*shown, "```"])


def main() -> None:
    block = session()
    if sys.argv[1:] == ["--write"]:
        text = README.read_text(encoding="utf-8")
        head, _, rest = text.partition(START)
        _, _, tail = rest.partition(END)
        README.write_text(f"{head}{START}\n{block}\n{END}{tail}", encoding="utf-8")
    else:
        print(block)


if __name__ == "__main__":
    main()
