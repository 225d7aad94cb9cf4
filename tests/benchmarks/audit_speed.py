"""How long a survey takes: processor seconds for a 16 MiB dump as boards have it.

    python tests/benchmarks/audit_speed.py
    python tests/benchmarks/audit_speed.py --hostile

Boot code with a banner, an environment, a kernel (legacy image around xz), a SquashFS (xz) and a
JFFS2, made with mkimage, mkenvimage, mksquashfs and mkfs.jffs2 from this machine's own programs
and libraries. Prints the time of the survey, of the coverage, and the headline.
With --hostile: dumps that claim as much work as they can, each with the processor time and memory
of the whole command. The goal is 12 s and 6 times the size and 150 MB: 246 MB (235 MiB) for these.
"""

from __future__ import annotations

import bz2
import gzip
import lzma
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from spiflash.dump.audit import survey
from spiflash.dump.coverage import coverage

MIB = 1 << 20
ROOT = Path(__file__).resolve().parents[2]


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


def _filled(piece: bytes) -> bytes:
    return (piece * (16 * MIB // len(piece) + 1))[: 16 * MIB]


def _trx() -> bytes:
    size = 16 * MIB
    heads = (
        struct.pack("<4sIIHH4I", b"HDR0", size - at, 7, 0, 1, 28, 0, 0, 0)
        for at in range(0, size, 32)
    )
    return b"".join(heads)


def _tree() -> bytes:
    strings, body = b"a\0", bytearray(struct.pack(">2I", 1, 0))
    for number in range(90_000):
        body += struct.pack(">I", 1) + b"n%06x\0" % number + struct.pack(">I", 2)
    body += struct.pack(">2I", 2, 9)
    total, ends = 56 + len(body) + len(strings), 56 + len(body)
    head = struct.pack(">10I", 0xD00DFEED, total, 56, ends, 40, 17, 16, 0, 2, len(body))
    return _filled(head + bytes(16) + bytes(body) + strings + bytes(-total % 4))


def _environment(variables: bytes, size: int) -> bytes:
    body = variables.ljust(size - 4, b"\0")
    return _filled(zlib.crc32(body).to_bytes(4, "little") + body)


def _chain() -> bytes:
    lines = b"".join(
        b"a%d=run a%d a%d a%d; load mmc 0 $x f%d\0" % (n, n + 1, n + 2, n + 3, n)
        for n in range(3000)
    )
    return _environment(b"bootcmd=run a0 a1\0baudrate=1\0" + lines, 256 << 10)


def _references() -> bytes:
    lines = b"".join(
        b"a%d=" % n + b"$a%d " % (n + 1) * 300 + b"; load mmc 0 $x $a%d\0" % (n + 1)
        for n in range(250)
    )
    return _environment(b"bootcmd=run a0\0" + lines, 512 << 10)


def _text() -> bytes:
    words = [b"heron", b"bootcmd=run", b"key=", b"pass", b"0x42000000", b"00:00:5e:00:53:01", b"\n"]
    return b" ".join(random.Random(3).choices(words, k=4 * MIB))[: 16 * MIB]


HOSTILE: dict[str, Callable[[], bytes]] = {
    "random": lambda: random.Random(9).randbytes(16 * MIB),
    "text": _text,
    "trx headers": _trx,
    "wide device trees": _tree,
    "run chains": _chain,
    "nested references": _references,
    "gzip of zeros": lambda: _filled(gzip.compress(bytes(40 * MIB))),
    "xz of zeros": lambda: _filled(lzma.compress(bytes(40 * MIB))),
    "bzip2 of zeros": lambda: _filled(bz2.compress(bytes(40 * MIB))),
    "settings": lambda: _filled(b"wpa_psk=abcdef0123456789\nfoo=bar\n"),
    "jffs2 markers": lambda: _filled(_marker()),
}


def _marker() -> bytes:
    head = struct.pack("<HHI", 0x1985, 0x2003, 12)
    return head + (zlib.crc32(head, 0xFFFFFFFF) ^ 0xFFFFFFFF).to_bytes(4, "little")


def hostile() -> None:
    """Processor time and greatest memory of `spiflash audit --page` for each hostile dump."""
    with tempfile.TemporaryDirectory() as folder:
        for name in HOSTILE:
            path = Path(folder) / "dump.bin"
            # Made by a process of its own: the memory of this one would be counted as the child's.
            run(sys.executable, __file__, "--make", name, path)
            page = Path(folder) / "page.html"
            command = [sys.executable, "-m", "spiflash", "audit", str(path), "--page", str(page)]
            # What os.wait4 says of the child covers its whole life, the start of Python included.
            child = subprocess.Popen(command, stdout=subprocess.DEVNULL, cwd=ROOT)
            _, status, used = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            seconds = used.ru_utime + used.ru_stime
            print(f"{name:18} {seconds:5.1f} s  {used.ru_maxrss >> 10:4} MiB", flush=True)
            assert child.returncode in (0, 1), f"{name}: status {child.returncode}"


def main() -> None:
    if sys.argv[1:2] == ["--make"]:
        Path(sys.argv[3]).write_bytes(HOSTILE[sys.argv[2]]())
        return
    if "--hostile" in sys.argv[1:]:
        hostile()
        return
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
