"""Environments rebuilt with other values: what `mkenvimage` makes of the same text decides."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.layout import Region, Role
from spiflash.dump.triage.environment import boots_nothing, env_block
from spiflash.dump.uboot_env import Environment, Variable, set_variables

REGION = Region("env", 0, 0x4000, Role.ENVIRONMENT)
LINES = ("bootcmd=run go", "bootdelay=2", "ethaddr=00:00:5e:00:53:10", "go=bootm 0x42000000")


def made(folder: Path, lines: tuple[str, ...], *options: str) -> bytes:
    (folder / "env.txt").write_text("\n".join(lines) + "\n")
    subprocess.run(
        ["mkenvimage", "-s", "0x4000", *options, "-o", "env.bin", "env.txt"],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    return (folder / "env.bin").read_bytes()


def block_of(contents: bytes) -> Environment:
    found = env_block(survey(contents), REGION)
    assert found is not None
    return found


@pytest.mark.needs("mkenvimage")
@pytest.mark.parametrize("options", [(), ("-b",), ("-r",), ("-p", "0x00")], ids=" ".join)
def test_changed_added_and_removed_variables(tmp_path: Path, options: tuple[str, ...]) -> None:
    old = made(tmp_path, LINES, *options)
    other = "ethaddr=00:00:5e:00:53:99"
    wanted = made(tmp_path, (*LINES[:2], other, LINES[3], "serial#=HG-1"), *options)
    block = block_of(old)
    assert (block.start, block.length) == (0, len(old))
    changed = set_variables(old, {b"ethaddr": b"00:00:5e:00:53:99", b"serial#": b"HG-1"})
    assert changed == wanted
    gone = made(tmp_path, (*LINES[:2], LINES[3]), *options)
    assert set_variables(old, {b"ethaddr": None}) == gone
    assert set_variables(old, {b"ethaddr": b"00:00:5e:00:53:10"}) == old


@pytest.mark.needs("mkenvimage")
def test_what_does_not_fit_is_refused(tmp_path: Path) -> None:
    old = made(tmp_path, LINES)
    with pytest.raises(ValueError, match="has room for"):
        set_variables(old, {b"long": b"x" * 0x4000})


def block(**variables: str) -> Environment:
    pairs = tuple(Variable(n.encode(), v.encode(), 0) for n, v in variables.items())
    return Environment(0, 0x4000, True, "little", None, pairs)


KERNEL = (Region("kernel", 0x70000, 0x190000, Role.KERNEL),)


@pytest.mark.parametrize(
    "variables",
    [
        {"bootdelay": "2"},
        {"bootcmd": " "},
        {"bootcmd": "run distro_boot"},
        {"bootcmd": "echo hello"},
        {"bootcmd": "run a", "a": "echo hello"},
        {"bootcmd": "sf probe; sf read 0x42000000 0x300000 0x190000; bootm 0x42000000"},
    ],
)
def test_environments_that_start_nothing(variables: dict[str, str]) -> None:
    assert boots_nothing(block(**variables), [], KERNEL)


@pytest.mark.parametrize(
    "variables",
    [
        {"bootcmd": "bootm 0x9f070000"},
        {"bootcmd": "run a", "a": "tftpboot && bootm"},
        {"bootcmd": "sf probe; sf read 0x42000000 0x70000 0x190000; bootm 0x42000000"},
        {"bootcmd": "sf read 0x42000000 0x500000 0x1000; bootm"},
        {"bootcmd": "run missing; run a", "a": "bootz 0x42000000"},
    ],
)
def test_environments_that_may_start_something(variables: dict[str, str]) -> None:
    """An image at 500000h was found on the flash."""
    assert boots_nothing(block(**variables), [0x500000], KERNEL) == ""
