"""Audits of boot loaders as Debian builds them: every binary of its u-boot-* packages.

    python tests/benchmarks/loader_binaries.py FOLDER

FOLDER holds the packages as files; `apt-get download u-boot-sunxi:armhf …` fetches them, after
`dpkg --add-architecture`. Each binary is audited as it is, and again at 256 KiB within blank flash.
Nothing in them is broken: every DAMAGED finding is a false alarm. Prints one line a package, each
false alarm, and the sums; exit status 1 when there is one.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from spiflash.dump.audit import examine
from spiflash.dump.finding import Verdict

SMALLEST, LARGEST = 4096, 16 << 20
BLANK = 256 << 10


def binaries(folder: Path) -> list[Path]:
    """What a board can be flashed with: no text, links or documentation."""
    return sorted(
        path
        for path in (folder / "usr" / "lib").rglob("*")
        if path.is_file() and not path.is_symlink() and SMALLEST <= path.stat().st_size <= LARGEST
    )


def alarms(contents: bytes, name: str) -> list[str]:
    """What an audit finds damaged."""
    found = examine(contents, name)
    return [
        f"{each.title} at {each.start:X}h: {'; '.join(each.checks)}"
        for each in found.findings
        if each.verdict is Verdict.DAMAGED
    ]


def main() -> int:
    packages = sorted(Path(sys.argv[1]).glob("*.deb"))
    audited = false = 0
    for package in packages:
        with tempfile.TemporaryDirectory() as folder:
            subprocess.run(["dpkg-deb", "-x", package, folder], check=True)
            files = binaries(Path(folder))
            for path in files:
                raw = path.read_bytes()
                name = str(path.relative_to(folder))
                for contents in (raw, b"\xff" * BLANK + raw + b"\xff" * (-len(raw) % BLANK)):
                    said = alarms(contents, name)
                    false += bool(said)
                    audited += 1
                    for each in said:
                        print(f"  FALSE ALARM {name} ({len(contents)} bytes): {each}")
        print(f"{package.name.split('_')[0]}: {len(files)} binaries", flush=True)
    print(f"{audited} audits of {audited // 2} binaries, false alarms: {false}")
    return 1 if false or not audited else 0


if __name__ == "__main__":
    sys.exit(main())
