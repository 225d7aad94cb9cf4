"""Environments edited by us, held against mkenvimage and fw_printenv.

Sources: `mkenvimage` of Debian's u-boot-tools, `fw_printenv` of Debian's libubootenv-tool. Both
are written by others from U-Boot's definition of the environment.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_open, mac_address, serial_number
from spiflash.dump.uboot_env import read_environment, set_variables, stored
from tests.clone_rig.judge import printed

CHANGES = {"ethaddr": mac_address(0x42), "serial#": serial_number(0x42), "bootdelay": "1"}


def made(text: dict[str, str], size: int, folder: Path, *options: str) -> bytes:
    source, target = folder / "env.txt", folder / "env.bin"
    source.write_text("".join(f"{name}={value}\n" for name, value in text.items()))
    subprocess.run(
        ["mkenvimage", *options, "-s", str(size), "-o", target, source],
        check=True,
        capture_output=True,
    )
    return target.read_bytes()


@pytest.mark.needs("mkenvimage")
@pytest.mark.parametrize("options", [(), ("-b",), ("-r",), ("-r", "-b"), ("-p", "0x00")])
@pytest.mark.parametrize("size", [0x1000, 0x2000, 0x10000])
def test_equals_what_mkenvimage_makes(options: tuple[str, ...], size: int, tmp_path: Path) -> None:
    old = {"baudrate": "115200", "bootdelay": "3", "bootcmd": "run a; run b", "ethaddr": "x"}
    new = set_variables(made(old, size, tmp_path, *options), stored(CHANGES))
    assert new == made({**old, **CHANGES}, size, tmp_path, *options)


@pytest.mark.needs("fw_printenv")
def test_fw_printenv_sees_the_boards_own_values(tmp_path: Path) -> None:
    flash = bytearray(heron_open())
    old = {
        name.decode(): value.decode()
        for name, value in read_environment(bytes(flash[0x40000:0x50000])).by_name.items()
    }
    flash[0x40000:0x50000] = set_variables(bytes(flash[0x40000:0x50000]), stored(CHANGES))
    assert printed(bytes(flash), tmp_path) == {**old, **CHANGES}


@pytest.mark.needs("fw_printenv")
def test_fw_printenv_refuses_a_wrong_checksum(tmp_path: Path) -> None:
    """Otherwise the test above, and the judge of the batches, would prove nothing."""
    flash = bytearray(heron_open())
    flash[0x40000] ^= 1
    try:
        seen = printed(bytes(flash), tmp_path)
    except AssertionError:
        return
    assert "bootcmd" not in seen
