"""How many files a reader has to open to follow one thing through the program.

    python tests/benchmarks/four_ways.py            the four figures
    python tests/benchmarks/four_ways.py --list     the files as well

Four commands are run on the simulated bench, each in a process of its own, and every file of
spiflash/ counts in which a function or method ran. Everything is imported first and does not
count: neither definitions, nor what runs while a module is imported, nor what a dataclass or a
library generates, since that has no line in our files. Templates are not counted.

    backup      the bytes of a backup: a simulated board to a set on the shelf
    restore     an image of a restore: a file to the chip, where half a region differs
    page        a dump to its page: an audit with its page and its layout
    batch       a board of a batch: one board cloned, with its row in the ledger
"""

from __future__ import annotations

import argparse
import collections
import importlib
import json
import os
import pkgutil
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from types import CodeType, FrameType

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

PACKAGE = ROOT / "spiflash"
IS_FUNCTION = 1
"""CO_OPTIMIZED: set for functions, not for the bodies of modules and classes (inspect's docs)."""

WAYS = {
    "backup": "backup --adapter sim:fresh?new=heron --shelf shelf --board gauge-23",
    "restore": "restore changed.bin --adapter sim:gauge --shelf shelf --yes",
    "page": "audit factory.bin --page factory.html --save layout.toml",
    "batch": "clone job.toml --adapter sim:boards/* --ledger ledger.db --shelf shelf",
}


def spiflash(command: str, folder: Path) -> str:
    """Run a command as its user would, without looking; what it prints."""
    done = subprocess.run(
        [sys.executable, "-m", "spiflash", *command.split()],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    if done.returncode:
        raise SystemExit(f"{command}: exit status {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


def prepare(folder: Path) -> None:
    """A board with a set on the shelf, a changed image, a batch of one with its image."""
    spiflash("backup --adapter sim:gauge?new=heron --shelf shelf --board one", folder)
    (contents,) = folder.glob("shelf/*_one/data/flash.bin")
    factory = contents.read_bytes()
    (folder / "factory.bin").write_bytes(factory)
    changed = bytearray(factory)
    changed[0x400000:0x404000] = bytes(range(256)) * 64
    (folder / "changed.bin").write_bytes(changed)
    (folder / "job.toml").write_text(spiflash("clone --example", folder), encoding="utf-8")
    spiflash("backup --adapter sim:master?new=heron&card=0x800000 --shelf . --board master", folder)
    (master,) = folder.glob("*_master/data/flash.bin")
    (folder / "open.bin").write_bytes(master.read_bytes())
    spiflash("identify --adapter sim:boards/1?new=heron&board=1", folder)


def record(arguments: list[str], result: Path) -> None:
    """Run one command in this process and write the files whose functions ran to `result`."""
    for module in pkgutil.walk_packages([str(PACKAGE)], "spiflash."):
        if module.name != "spiflash.__main__":
            importlib.import_module(module.name)
    from spiflash.__main__ import start

    seen: set[CodeType] = set()

    def note(frame: FrameType, event: str, argument: object) -> None:
        seen.add(frame.f_code)

    sys.argv[1:] = arguments
    threading.settrace(note)
    sys.settrace(note)
    try:
        start()
    finally:
        sys.settrace(None)
        threading.settrace(None)
        files = {Path(code.co_filename) for code in seen if code.co_flags & IS_FUNCTION}
        ours = sorted(
            str(file.relative_to(ROOT))
            for file in files
            if file.is_relative_to(PACKAGE) and file.suffix == ".py"
        )
        result.write_text(json.dumps(ours), encoding="utf-8")


def files_of(command: str, folder: Path) -> list[str]:
    result = folder / "files.json"
    child = [sys.executable, __file__, "--record", str(result), *command.split()]
    done = subprocess.run(
        child, cwd=folder, capture_output=True, text=True, stdin=subprocess.DEVNULL
    )
    if done.returncode:
        raise SystemExit(f"{command}: exit status {done.returncode}\n{done.stdout}{done.stderr}")
    return list(json.loads(result.read_text("utf-8")))


def main() -> None:
    if sys.argv[1:2] == ["--record"]:
        record(sys.argv[3:], Path(sys.argv[2]))
        return
    parser = argparse.ArgumentParser(description="Files whose code runs in four ways.")
    parser.add_argument("--list", action="store_true", help="print the files as well")
    shown = parser.parse_args()
    total = len(list(PACKAGE.rglob("*.py")))
    print(f"spiflash/ has {total} files")
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        prepare(folder)
        for name, command in WAYS.items():
            files = files_of(command, folder)
            rooms = collections.Counter(
                parts[1] if len(parts := Path(each).parts) > 2 else "root" for each in files
            )
            spread = "  ".join(f"{room} {count}" for room, count in sorted(rooms.items()))
            print(f"{name:8} {len(files):4}   {spread}")
            if shown.list:
                print(*(f"           {each}" for each in files), sep="\n")


if __name__ == "__main__":
    main()
