"""What the boot loader looks for, on the demo board and on made-up scripts."""

from __future__ import annotations

import struct
import subprocess
import zlib
from pathlib import Path

import pytest

from hwmocks.boards.heron import IMAGE_FILE, LOADER_FILE, heron_factory, heron_open
from spiflash.dump.hints import Hints, hints
from spiflash.dump.hints.script import followed, wanted
from spiflash.dump.survey import survey


def read(contents: bytes, show_secrets: bool = False) -> Hints:
    return hints(contents, survey(contents), show_secrets=show_secrets)


def environment(*variables: str) -> bytes:
    body = ("\0".join(variables) + "\0\0").encode().ljust(4092, b"\xff")
    return struct.pack("<I", zlib.crc32(body)) + body + b"\xff" * 4096


@pytest.mark.parametrize("contents", [heron_factory(), heron_open()])
def test_the_demo_board(contents: bytes) -> None:
    found = read(contents)
    assert {(each.file, each.medium) for each in found.loads} == {
        (LOADER_FILE, "SD card"),
        (IMAGE_FILE, "SD card"),
    }
    assert [each.origin for each in found.environments] == ["saved", "compiled into the boot code"]
    assert found.environments[0].at == 0x40000
    assert ("loadaddr", "0x41000000") in found.environments[0].addresses
    assert "root=/dev/mtdblock5" in found.environments[0].arguments
    assert found.environments[0].command[-1] == "bootm 0x42000000 - 0x43000000"
    assert ("ttyS0", 115200) in {(each.device, each.speed) for each in found.consoles}
    assert ("serial0", 115200) in {(each.device, each.speed) for each in found.consoles}
    assert any(each.text.startswith("U-Boot SPL 20") for each in found.versions)


def test_without_a_saved_environment_the_compiled_one_speaks() -> None:
    contents = bytearray(heron_factory())
    contents[0x40000:0x50000] = b"\xff" * 0x10000
    found = read(bytes(contents))
    assert [each.origin for each in found.environments] == ["compiled into the boot code"]
    assert {each.file for each in found.loads} == {LOADER_FILE, IMAGE_FILE}


@pytest.mark.parametrize(
    ("command", "file", "medium"),
    [
        ("fatload mmc 0:1 ${addr} up/${name}", "up/a.bin", "SD card"),
        ("ext4load usb 0 0x42000000 /boot/Image", "/boot/Image", "USB"),
        ("load mmc 1 $addr a.itb 0x1000", "a.itb", "SD card"),
        ("tftpboot ${addr} 10.0.0.1:a.img", "a.img", "network"),
        ("tftp a.img", "a.img", "network"),
        ("dhcp", "whatever the server names", "network"),
        ("nfs 0x42000000 10.0.0.1:/x", "/x", "network"),
        ("sysboot mmc 0:1 any ${addr} /extlinux/a.conf", "/extlinux/a.conf", "SD card"),
        ("fsload 0x42000000 uImage", "uImage", "flash file system"),
    ],
)
def test_commands_that_load_files(command: str, file: str, medium: str) -> None:
    hit = wanted(command, {"addr": "0x41000000", "name": "a.bin"})
    assert hit is not None
    assert (hit.file, hit.medium) == (file, medium)


@pytest.mark.parametrize("command", ["sf read 0x42000000 0 0x100", "fatload mmc 0:1", "echo load"])
def test_commands_that_load_none(command: str) -> None:
    assert wanted(command, {}) is None


def test_runs_are_followed_but_not_in_circles() -> None:
    variables = {"bootcmd": "run a; run gone", "a": "echo 1 && run b", "b": "run a; bootm"}
    assert followed("bootcmd", variables) == ("echo 1", "bootm", "run gone (not set)")


def test_secrets_are_masked_also_where_they_are_filled_in() -> None:
    contents = environment(
        "api_token=hush-hush-9", "bootargs=console=ttyS1 key=${api_token}",
        "bootcmd=wget ${loadaddr} http://x/${api_token}/a.img; tftpboot a.img",
        "wifi_psk=open-sesame-1",
    )  # fmt: skip
    masked = repr(read(contents))
    assert "hush-hush" not in masked
    assert "open-sesame" not in masked
    shown = repr(read(contents, show_secrets=True))
    assert "hush-hush-9" in shown
    assert "open-sesame-1" in shown


def test_loops_and_assignments_before_a_load() -> None:
    found = read(
        environment(
            "bootcmd=for f in a.img b.img; do load mmc 0:1 0x42000000 $f; done",
            "other=setenv fn c.img; fatload usb 0 0x42000000 ${fn}",
            "bootdelay=2",
        )
    )
    assert {"a.img", "b.img", "c.img"} <= {each.file for each in found.loads}


@pytest.mark.needs("mkimage")
def test_scripts_in_the_flash_are_read(tmp_path: Path) -> None:
    (tmp_path / "boot.cmd").write_text("setenv n upgrade.img\nif fatload mmc 0 $a $n; then x; fi\n")
    subprocess.run(
        ["mkimage", "-A", "arm", "-T", "script", "-C", "none", "-d", "boot.cmd", "boot.scr"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    contents = b"\xff" * 0x3000 + (tmp_path / "boot.scr").read_bytes() + b"\xff" * 0x1000
    (load,) = read(contents).loads
    assert (load.file, load.medium, load.at) == ("upgrade.img", "SD card", 0x3000)
