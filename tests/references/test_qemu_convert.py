"""A real boot loader, converted, comes up with the environment that was carried over.

The loader is U-Boot as Debian's u-boot-qemu ships it for QEMU's "virt" machine (qemu_arm). It is
in the first flash bank and looks for its environment, 256 KiB with a CRC-32, at the start of the
second (CONFIG_ENV_ADDR and CONFIG_ENV_SIZE of its configuration, in the same package). The board's
one chip is QEMU's w25q64; what it holds from its environment partition on is the second bank.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
import zlib
from pathlib import Path

import pytest

from spiflash.archive.shelf import Shelf
from spiflash.dump.board_data import Fate
from spiflash.jobs.connection import connected
from spiflash.jobs.convert import Asked, convert, prepare
from spiflash.jobs.image import Image
from spiflash.nor.identify import chip_table, identify
from spiflash.nor.probe import probe
from tests.job_rig import WATCHER
from tests.references.qemu import PROGRAM, start_qemu

pytestmark = pytest.mark.needs(PROGRAM)

LOADER = Path("/usr/lib/u-boot/qemu_arm/u-boot.bin")
MODEL = "w25q64"
SIZE, BANK = 8 << 20, 64 << 20
ENV, ENV_SIZE, FACTORY = 0x100000, 0x40000, 0x140000
PARTS = "mtdparts=flash:1m(u-boot),256k(u-boot-env),64k(factory),-(spare)"
OWN = {"ethaddr": "00:00:5e:00:53:a7", "serial#": "HG-2021-0167"}
PATIENCE = 60.0
FULL = os.environ.get("SPIFLASH_SWEEP") == "full"


def flash(variables: dict[str, str], factory: bytes = b"") -> bytes:
    text = b"".join(f"{name}={value}\0".encode() for name, value in variables.items()) + b"\0"
    body = text.ljust(ENV_SIZE - 4, b"\xff")
    contents = bytearray(b"\xff" * SIZE)
    loader = LOADER.read_bytes()
    contents[: len(loader)] = loader
    contents[ENV : ENV + ENV_SIZE] = zlib.crc32(body).to_bytes(4, "little") + body
    contents[FACTORY : FACTORY + len(factory)] = factory
    return bytes(contents)


def heard(contents: bytes, wanted: str) -> str:
    """What the machine says on its console until it has said `wanted`."""
    with tempfile.TemporaryDirectory(prefix="console-") as temporary:
        folder = Path(temporary)
        console = folder / "console"
        for name, start, end in (("bank0", 0, ENV), ("bank1", ENV, SIZE)):
            with (folder / name).open("wb") as file:
                file.write(contents[start:end])
                file.truncate(BANK)
        process = subprocess.Popen(
            [
                *(PROGRAM, "-M", "virt", "-m", "64", "-display", "none", "-nodefaults"),
                *("-monitor", "none", "-serial", f"file:{console}"),
                *(
                    word
                    for unit in (0, 1)
                    for word in (
                        "-drive",
                        f"if=pflash,format=raw,unit={unit},file={folder}/bank{unit},snapshot=on",
                    )
                ),
            ],
            stdin=subprocess.DEVNULL,
        )
        try:
            end_of_patience = time.monotonic() + PATIENCE
            said = ""
            while wanted not in said and time.monotonic() < end_of_patience:
                assert process.poll() is None
                said = console.read_text("latin-1") if console.exists() else ""
                time.sleep(0.05)
            return said
        finally:
            process.kill()
            process.wait()


def test_the_loader_comes_up_with_what_was_carried_over(tmp_path: Path) -> None:
    if not LOADER.exists():
        assert "CI" not in os.environ, "Debian's u-boot-qemu is not installed"
        pytest.skip("needs Debian's u-boot-qemu")
    chip_file, shelf = tmp_path / "flash.img", Shelf(tmp_path / "shelf")
    calibration = bytes(range(200))
    common = {"bootdelay": "0", "mtdparts": PARTS}
    factory = flash({**common, "bootcmd": "echo factory firmware", **OWN}, calibration)
    image = flash({**common, "bootcmd": "printenv ethaddr serial#; echo open firmware"})
    if FULL:
        assert "factory firmware" in heard(factory, "factory firmware")
        assert '"ethaddr" not defined' in heard(image, "open firmware")

    chip_file.write_bytes(factory)
    with start_qemu(MODEL, chip_file) as bus:
        chip = identify(probe(bus), chip_table())
        with connected(bus, chip) as connection:
            prepared = prepare(connection, shelf, Image("open.bin", image), Asked(), WATCHER)
            assert prepared.refused == ()
            convert(connection, shelf, prepared, WATCHER, agree=lambda work: True)
    fates = {e.variable: e.fate for e in prepared.proposal.decisions if e.variable}
    assert fates == dict.fromkeys(OWN, Fate.VARIABLE)
    held = chip_file.read_bytes()[:SIZE]
    assert held[FACTORY : FACTORY + 200] == calibration
    said = heard(held, "open firmware")
    assert "Loading Environment from Flash... OK" in said
    for name, value in OWN.items():
        assert f"{name}={value}" in said
    assert "factory firmware" not in said
