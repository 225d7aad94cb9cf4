"""How long a survey takes: processor seconds for a 16 MiB dump as boards have it.

    python tests/benchmarks/audit_speed.py

Boot code with a banner, an environment, a kernel (legacy image around xz), a SquashFS (xz) and a
JFFS2, made with mkimage, mkenvimage, mksquashfs and mkfs.jffs2 from this machine's own programs
and libraries. Prints the time of the survey, of the coverage, and the headline.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from spiflash.dump.coverage import coverage
from spiflash.dump.survey import survey

MIB = 1 << 20


def run(*command: str | Path) -> bytes:
    return subprocess.run(command, check=True, capture_output=True).stdout


def fill(folder: Path, size: int, skip: int) -> Path:
    """A folder of real programs and libraries, `size` bytes of them."""
    folder.mkdir()
    pool = sorted(Path("/usr/bin").iterdir()) + sorted(Path("/usr/lib").rglob("*.so*"))
    files = [path for path in pool if path.is_file() and not path.is_symlink()][skip:]
    taken = 0
    for number, path in enumerate(files):
        if taken >= size:
            break
        if path.stat().st_size <= size - taken:
            shutil.copyfile(path, folder / f"{number}-{path.name}")
            taken += path.stat().st_size
    return folder


def dump(folder: Path) -> bytes:
    """16 MiB: boot code and environment, kernel at 512 KiB, root at 4 MiB, files at 13 MiB."""
    contents = bytearray(b"\xff" * 16 * MIB)

    def put(at: int, piece: bytes, limit: int) -> None:
        assert len(piece) <= limit, f"{len(piece)} bytes do not fit in {limit}"
        contents[at : at + len(piece)] = piece

    (folder / "env.txt").write_text("bootcmd=run spi\nbootdelay=3\nbaudrate=115200\n")
    run("mkenvimage", "-s", "65536", "-o", folder / "env", folder / "env.txt")
    boot = random.Random(1).randbytes(200_000) + b"U-Boot 2024.04 (May 18 2024)\0"
    put(0, boot, 256 << 10)
    put(256 << 10, (folder / "env").read_bytes(), 64 << 10)
    kernel = b"".join(path.read_bytes() for path in fill(folder / "k", 8 * MIB, 0).iterdir())
    (folder / "kernel").write_bytes(kernel)
    run("xz", "-k", "-3", "--check=crc32", folder / "kernel")
    run("mkimage", "-A", "arm", "-T", "kernel", "-C", "none", "-d", folder / "kernel.xz",
        folder / "uimage")  # fmt: skip
    put(512 << 10, (folder / "uimage").read_bytes(), 7 * MIB // 2)
    root = fill(folder / "root", 32 * MIB, 400)
    run("mksquashfs", root, folder / "squashfs", "-comp", "xz", "-nopad", "-quiet")
    put(4 * MIB, (folder / "squashfs").read_bytes(), 9 * MIB)
    data = fill(folder / "data", 4 * MIB, 900)
    run("mkfs.jffs2", "-l", "-e", "64KiB", "-d", data, "-o", folder / "jffs2")
    put(13 * MIB, (folder / "jffs2").read_bytes(), 3 * MIB)
    return bytes(contents)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        contents = dump(Path(folder))
    begin = time.process_time()
    findings = survey(contents)
    middle = time.process_time()
    result = coverage(contents, findings)
    end = time.process_time()
    for each in findings:
        if each.length >= 100_000:
            print(f"{each.start:08X}h {each.length:9} {each.verdict.value:10} {each.title}")
    print(result.headline)
    print(f"survey {middle - begin:.2f} s, coverage {end - middle:.2f} s of processor time")


if __name__ == "__main__":
    main()
