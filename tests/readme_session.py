"""The parts of README.md that are made: what commands print, and the table of exit statuses.

    python tests/readme_session.py            prints the parts
    python tests/readme_session.py --write    puts them into README.md

Each part stands between `<!-- NAME:start -->` and `<!-- NAME:end -->`. The three sessions run one
after the other in one folder, each command in a process of its own, as a reader would type them.
`tests/jobs/test_readme.py` runs the same commands and compares.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Collection
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))
README = ROOT / "README.md"

SESSIONS = {
    "convert": (
        "spiflash identify --adapter 'sim:gauge?new=heron'",
        "spiflash backup --adapter sim:gauge --shelf shelf --board gauge-23",
        "spiflash rehearse --save files",
        "spiflash convert files/open.bin --adapter sim:gauge --shelf shelf --yes",
    ),
    "unbrick": (
        "spiflash triage --adapter 'sim:gauge?card=0x212000' --shelf shelf --image files/open.bin",
        "PRINTED spiflash restore --yes",
        "spiflash verify SET --adapter sim:gauge",
    ),
    "batch": (
        "spiflash clone --example > files/job.toml",
        "spiflash clone files/job.toml --check",
        "spiflash identify --adapter 'sim:boards/1?new=heron&board=1' > /dev/null",
        "spiflash identify --adapter 'sim:boards/2?new=heron&board=2' > /dev/null",
        "spiflash clone files/job.toml --adapter 'sim:boards/*' --ledger batch.db --shelf shelf",
        "spiflash ledger --ledger batch.db --page batch.html",
    ),
}
"""What is typed. SET is the first set on the shelf; PRINTED COMMAND OPTIONS is the line beginning
with COMMAND that the session printed last, with OPTIONS."""

MASKS = (
    (re.compile(r"\d{4}-\d\d-\d\d-\d{6}"), "2026-11-25-101500"),
    (re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d"), "2026-11-25 10:15"),
    (re.compile(r"^  [0-9a-f]{64}$", re.MULTILINE), "  " + "3b9f02c1" * 8),
)
"""What changes from run to run, and what the README shows instead: the time of day in a name or a
row, and the ledger's last digest, which covers the time."""

MARK = "<!-- {}:{} -->"


def run(command: str, folder: Path) -> str:
    """What a command prints on standard output, run in `folder`; "> FILE" is obeyed."""
    typed, _, target = command.partition(" > ")
    name, *arguments = shlex.split(typed)
    assert name == "spiflash"
    done = subprocess.run(
        [sys.executable, "-m", "spiflash", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80"},
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(f"{command}: exit status {done.returncode}\n{done.stdout}{done.stderr}")
    if not target:
        return done.stdout
    (folder / target).write_text(done.stdout, encoding="utf-8")
    return ""


def lasting(text: str) -> str:
    """The text without what changes from run to run."""
    for pattern, shown in MASKS:
        text = pattern.sub(shown, text)
    return text


def sessions(names: Collection[str] = tuple(SESSIONS)) -> dict[str, str]:
    """Each of these sessions as a block of Markdown, by its name; "convert" comes first always."""
    blocks = {}
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        printed: list[str] = []
        for name, commands in SESSIONS.items():
            if name not in names:
                continue
            shown = ["```console"]
            for command in commands:
                command = _filled_in(command, folder, printed)
                lines = run(command, folder).replace(str(folder), ".").splitlines()
                printed += lines
                shown += [lasting(line) for line in (f"$ {command}", *lines)]
                shown += [""] if lines else []
            while not shown[-1]:
                shown.pop()
            blocks[name] = "\n".join([*shown, "```"])
    return blocks


def _filled_in(command: str, folder: Path, printed: list[str]) -> str:
    if command.startswith("PRINTED "):
        words = command.split()[1:]
        start = " ".join(word for word in words if not word.startswith("-"))
        options = "".join(f" {word}" for word in words if word.startswith("-"))
        lines = [line.strip() for line in printed if line.strip().startswith(start + " ")]
        return lines[-1] + options
    if " SET " in command:
        sets = sorted(each.parent for each in folder.glob("shelf/*/bagit.txt"))
        command = command.replace("SET", str(sets[0].relative_to(folder)))
    return command


def statuses() -> str:
    """The table of exit statuses: of every error, by the first sentence of its description."""
    from spiflash import errors

    rows = {
        0: "Done, and proven; for `compare`, `verify`, `audit` and `triage`: nothing found",
        1: "Done, with a finding: the dumps differ, a checksum fails, the board is damaged, a "
        "test of `prove` does not hold",
        3: "`triage`: no fault found, but something could not be checked",
        70: "Internal error (a bug): please report it",
        141: "Whoever read the output stopped reading",
    }
    for each in vars(errors).values():
        if isinstance(each, type) and issubclass(each, errors.SpiflashError):
            first = " ".join((each.__doc__ or "").split()).split(". ")[0].split(";")[0]
            if "status" in vars(each) and each is not errors.SpiflashError:
                rows[each.status] = first.rstrip(".")
    return "\n".join(
        ["| status | meaning |", "| --- | --- |", *(f"| {n} | {rows[n]} |" for n in sorted(rows))]
    )


def parts() -> dict[str, str]:
    """Every made part of the README, by its name."""
    return {**sessions(), "statuses": statuses()}


def shown(name: str, readme: str) -> str:
    """The part between its two marks."""
    return readme.partition(MARK.format(name, "start"))[2].partition(MARK.format(name, "end"))[0]


def main() -> None:
    made = parts()
    if sys.argv[1:] == ["--write"]:
        text = README.read_text(encoding="utf-8")
        for name, part in made.items():
            text = text.replace(MARK.format(name, "start") + shown(name, text), "%PART%", 1)
            text = text.replace("%PART%", f"{MARK.format(name, 'start')}\n{part}\n")
        README.write_text(text, encoding="utf-8")
    else:
        for name, part in made.items():
            print(f"{MARK.format(name, 'start')}\n{part}\n{MARK.format(name, 'end')}\n")


if __name__ == "__main__":
    main()
