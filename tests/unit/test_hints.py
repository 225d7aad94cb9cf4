"""What the boot loader looks for, on the demo board and on made-up scripts."""

from __future__ import annotations

import struct
import subprocess
import zlib
from pathlib import Path

import pytest

from hwmocks.boards.heron import IMAGE_FILE, LOADER_FILE, heron_factory, heron_open
from spiflash.dump.audit import survey
from spiflash.dump.boot_script import Onto, followed, wanted, written
from spiflash.dump.hints import Hints, hints
from spiflash.dump.layout import Layout, Region


def read(contents: bytes, show_secrets: bool = False) -> Hints:
    return hints(survey(contents), show_secrets=show_secrets)


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
        ("dhcp", "the file that the server names", "network"),
        ("nfs 0x42000000 10.0.0.1:/x", "/x", "network"),
        ("sysboot mmc 0:1 any ${addr} /extlinux/a.conf", "/extlinux/a.conf", "SD card"),
        ("fsload 0x42000000 uImage", "uImage", "flash file system"),
    ],
)
def test_commands_that_load_files(command: str, file: str, medium: str) -> None:
    hit = wanted(command, {"addr": "0x41000000", "name": "a.bin"})
    assert hit is not None
    assert (hit.file, hit.medium) == (file, medium)


@pytest.mark.parametrize(
    "command",
    [
        "sf read 0x42000000 0 0x100", "fatload mmc 0:1", "echo load",
        "load the file now please", "loads of setup.bin images were tried", "sysboot is not there",
    ],
)  # fmt: skip
def test_commands_that_load_none(command: str) -> None:
    assert wanted(command, {}) is None


def test_runs_are_followed_but_not_in_circles() -> None:
    variables = {"bootcmd": "run a; run gone", "a": "echo 1 && run b", "b": "run a; bootm"}
    steps = followed("bootcmd", variables)
    assert [str(each) for each in steps] == ["echo 1", "bootm", "run gone (not set)"]
    assert [each.missing for each in steps] == ["", "", "gone"]


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
    (tmp_path / "boot.cmd").write_text(
        "setenv n upgrade.img\nif fatload mmc 0 $a $n; then x; fi\nsf write $a 0x70000 1000\n"
    )
    subprocess.run(
        ["mkimage", "-A", "arm", "-T", "script", "-C", "none", "-d", "boot.cmd", "boot.scr"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    contents = b"\xff" * 0x3000 + (tmp_path / "boot.scr").read_bytes() + b"\xff" * 0x1000
    found = read(contents)
    (load,), (write,) = found.loads, found.writes
    assert (load.file, load.medium, load.at) == ("upgrade.img", "SD card", 0x3000)
    assert (write.at, write.to.address, write.to.length) == (0x3000, 0x70000, 0x1000)


@pytest.mark.parametrize(
    "text",
    [
        b"\0setup.bin\0", b"\nsetup.bin\n", b"\0Error: no setup.bin found\0", b"\0boot.img\0",
        b"\0fatload mmc 0 0x41000000 up.img\0", b"\0usage: tftp addr file.bin\0",
    ],
)  # fmt: skip
@pytest.mark.parametrize("banner", [b"", b"U-Boot 2024.04 (May 18 2024 - 10:00:00)\0"])
def test_text_in_a_program_names_no_boot_file(text: bytes, banner: bytes) -> None:
    """It may be an error message or a help text: only a script says what is loaded."""
    contents = (bytes(512) + banner + bytes(512) + text + bytes(512)).ljust(1 << 16, b"\xff")
    assert read(contents).loads == ()
    saved = environment("bootcmd=tftp a.img", "help=see setup.bin", "baudrate=9600")
    (load,) = read(contents + saved).loads
    assert load.file == "a.img"


LAYOUT = Layout(1 << 23, (Region("boot", 0, 0x50000), Region("kernel", 0x50000, 0x200000)))


@pytest.mark.parametrize(
    ("command", "onto", "place", "length"),
    [
        ("sf write 0x42000000 0x50000 0x10000", Onto.SPI, 0x50000, 0x10000),
        ("sf write ${loadaddr} 50000 ${filesize}", Onto.SPI, 0x50000, None),
        ("sf update $loadaddr $koff +0x1234", Onto.SPI, 0x60000, 0x1234),
        ("sf write $loadaddr kernel $filesize", Onto.SPI, 0x50000, None),
        ("sf write $loadaddr $nowhere 100", Onto.SPI, None, 0x100),
        ("mtd write kernel $loadaddr", Onto.PARTITION, 0x50000, None),
        ("mtd write.raw kernel $loadaddr 0x1000 0x2000", Onto.PARTITION, 0x51000, 0x2000),
        ("mtd write nor0 $loadaddr 0x1000 0x2000", Onto.PARTITION, 0x1000, 0x2000),
        ("mtd write elsewhere $loadaddr", Onto.PARTITION, None, None),
        ("nand write 0x42000000 0x50000 0x800", Onto.NAND, None, 0x800),
        ("cp.b 0x81000000 0x9f050000 0x10000", Onto.MEMORY, None, 0x10000),
        ("cp.l $loadaddr bf050000 40", Onto.MEMORY, None, 0x100),
    ],
)
def test_where_commands_write(
    command: str, onto: Onto, place: int | None, length: int | None
) -> None:
    """Order of arguments: U-Boot 2023.01, doc/usage/cmd and the help texts of sf, mtd, nand and
    cp (from memory)."""
    hit = written(command, {"loadaddr": "0x41000000", "koff": "0x60000"})
    assert hit is not None
    assert (hit.onto, hit.place(LAYOUT), hit.length) == (onto, place, length)


@pytest.mark.parametrize(
    "command",
    ["sf read 0x42000000 0 0x100", "sf erase 0 0x1000", "mtd list", "sf", "cp.b a", "sfwrite 1 2 3",
     "nand read 1 2 3", "copy that"],
)  # fmt: skip
def test_commands_that_write_nothing(command: str) -> None:
    assert written(command, {}) is None


def test_scripts_say_where_they_write() -> None:
    found = read(
        environment(
            "bootcmd=run up_kernel", "koff=0x50000", "loadaddr=0x41000000",
            "up_kernel=tftp $loadaddr k.img; if sf probe; then sf write $loadaddr $koff 0x200; fi",
            "up_boot=for o in 0 0x8000; do sf update $loadaddr $o $filesize; done",
        )
    )  # fmt: skip
    writes = {
        (each.script, each.to.address, each.to.length, each.to.stated) for each in found.writes
    }
    assert {
        ("up_kernel", 0x50000, 0x200, "0x200"),
        ("up_boot", 0, None, "$filesize"),
        ("up_boot", 0x8000, None, "$filesize"),
    } <= writes
