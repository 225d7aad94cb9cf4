"""Saved environments of every size and place, as `mkenvimage` makes them (Debian's u-boot-tools).

Offsets and sizes are those that CONFIG_ENV_OFFSET and CONFIG_ENV_SIZE allow: any number of bytes.
"""

from __future__ import annotations

import itertools
import random
import subprocess
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.finding import Verdict, environments
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.uboot_env import Environment, read_environment, set_variables

LINES = (
    *("arch=arm", "baudrate=115200", "bootcmd=run a", "bootdelay=2", "a=bootm 0x42000000"),
    *("ethaddr=00:00:5e:00:53:2a", "stdin=serial"),
)
SIZES = (300, 512, 1024, 1536, 2048, 3000, 3072, 9216, 0x1FF0, 266240, 524288, 1 << 20)
FLAGS = ((), ("-b",), ("-r",), ("-r", "-b"), ("-p", "0x00"), ("-r", "-p", "0x00"))


def made(folder: Path, size: int, *flags: str, lines: tuple[str, ...] = LINES) -> bytes:
    """What `mkenvimage` makes of `lines`."""
    (folder / "env.txt").write_text("\n".join(lines) + "\n")
    subprocess.run(
        ["mkenvimage", *flags, "-s", str(size), "-o", "env.bin", "env.txt"],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    return (folder / "env.bin").read_bytes()


def saved(contents: bytes) -> list[Environment]:
    return [each for each in environments(tuple(find_environments(contents))) if each.saved]


@pytest.mark.needs("mkenvimage")
@pytest.mark.parametrize("flags", FLAGS, ids=" ".join)
def test_any_size_at_any_place(tmp_path: Path, flags: tuple[str, ...]) -> None:
    """Where an environment stands and what is around it must not matter."""
    places = itertools.cycle((0, 0x1000, 0x3F00, 0x40200, 0x3FE10, 0x41404))
    around = itertools.cycle((b"\xff", b"\x00", None))
    for size in SIZES:
        at, filling = next(places), next(around)
        env = made(tmp_path, size, *flags)
        noise = random.Random(size).randbytes(at + 0x20000)
        before, after = (noise[:at], noise[at:]) if filling is None else (filling * at, b"\xff" * 9)
        found = saved(before + env + after)
        assert [(each.start, each.checksum_ok) for each in found] == [(at, True)], size
        # Where erased flash or more filler follows, the sum alone says where it ends.
        assert found[0].length == size
        assert found[0].redundant == ("-r" in flags)
        assert found[0].order == ("big" if "-b" in flags else "little")
        assert [each.name + b"=" + each.value for each in found[0].variables] == [
            line.encode() for line in LINES
        ]
        changed = set_variables(env, {b"ethaddr": b"00:00:5e:00:53:99", b"arch": None})
        lines = tuple(
            line.replace("53:2a", "53:99") for line in LINES if not line.startswith("arch")
        )
        assert changed == made(tmp_path, size, *flags, lines=lines)
        assert read_environment(changed).by_name[b"ethaddr"] == b"00:00:5e:00:53:99"


@pytest.mark.needs("mkenvimage")
@pytest.mark.parametrize("at", [0x8000, 0x8200, 0x83C0])
def test_a_broken_one_is_damaged_wherever_it_stands(tmp_path: Path, at: int) -> None:
    env = bytearray(made(tmp_path, 0x3000, "-p", "0x00"))
    env[30] ^= 4
    contents = b"\xff" * at + bytes(env) + b"\xff" * 0x4000
    (finding,) = (each for each in survey(contents) if each.kind == "environment")
    assert (finding.start, finding.verdict) == (at, Verdict.DAMAGED)


@pytest.mark.needs("mkenvimage")
@pytest.mark.parametrize("what", ["lines", "xml"])
def test_a_factory_s_text_before_an_environment_is_none(tmp_path: Path, what: str) -> None:
    """Its first word was the checksum, its lines and the blank after them the first variable."""
    text = {
        "lines": b"PRODUCT=HG8\nSN=HG-2019-0023\nMAC=00005E00532A\nREGION=EU\n",
        "xml": b'<?xml version="1.0"?>\n<unit><sn>HG-2019-0023</sn></unit>\n',
    }[what]
    env = made(tmp_path, 0x2000, "-p", "0x00")
    contents = text.ljust(0x4000, b"\xff") + env + b"\xff" * 0x2000
    found = [(e.start, e.verdict) for e in survey(contents) if e.kind == "environment"]
    assert found == [(0x4000, Verdict.VERIFIED)]


@pytest.mark.parametrize("shift", range(0, 4096, 321))
def test_defaults_in_a_loader_are_no_broken_environment(shift: int) -> None:
    """The defaults of a loader end in strings that cross a sector's boundary sooner or later."""
    text = "\0".join((*LINES, *(f"cmd_{n}=load mmc 0 $addr file{n}.bin" for n in range(200))))
    code = random.Random(shift).randbytes(0x6000 - shift)
    contents = code + text.encode() + b"\0\0" + random.Random(1).randbytes(0x6000)
    kinds = [(f.kind, f.verdict) for f in survey(contents) if "environment" in f.kind]
    assert kinds == [("default-environment", Verdict.CONSISTENT)]
