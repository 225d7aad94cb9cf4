"""A machine that speaks, is damaged, falls silent, is repaired over its own bus, speaks again.

The machine is QEMU's ast2500-evb, which runs what its boot flash holds. The boot program is
ours: eight ARM instructions that send a banner to the console UART. Encodings: ARM Architecture
Reference Manual, ARMv5, A3 and A4 (from memory; `test_binutils_agree` lets GNU's assembler say).
UART5 of the AST2500 at 1E784000h, 16550-like with its transmit register first: QEMU's
hw/arm/aspeed_soc (memory map).
"""

from __future__ import annotations

import struct
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

from hwmocks.boards.heron import failed_card_flash, heron_factory, heron_open
from spiflash.archive.shelf import Shelf
from spiflash.dump.triage import Kind, Source
from spiflash.jobs.backup import back_up
from spiflash.jobs.connection import connected
from spiflash.jobs.image import load_image, only_regions
from spiflash.jobs.triage import Asked, Triaged, triage_chip
from spiflash.jobs.write import WriteOptions, restore
from spiflash.nor.identify import chip_table, identify
from spiflash.nor.probe import probe
from tests.job_rig import WATCHER
from tests.references.qemu import MACHINE, PROGRAM, start_qemu

pytestmark = pytest.mark.needs("qemu-system-arm")

MODEL = "w25q64"
BANNER = b"Heron boot program, reporting from flash\r\n"
UART5 = 0x1E784000

SOURCE = """
        ldr   r0, =0x1e784000
        adr   r1, banner
next:   ldrb  r2, [r1], #1
        cmp   r2, #0
        strneb r2, [r0]
        bne   next
end:    b     end
        .ltorg
banner:
"""
PROGRAM_WORDS = (
    0xE59F0014,  # ldr r0, [pc, #20]: the literal behind the code
    0xE28F1014,  # add r1, pc, #20: the banner behind the literal
    0xE4D12001,  # ldrb r2, [r1], #1
    0xE3520000,  # cmp r2, #0
    0x15C02000,  # strbne r2, [r0]
    0x1AFFFFFB,  # bne three instructions back
    0xEAFFFFFE,  # b to itself
    UART5,
)

SPEAKS_WITHIN = 20.0
SILENT_FOR = 3.0
"""Seconds. A machine that speaks does so within a fraction of a second."""


def boot_program() -> bytes:
    return struct.pack(f"<{len(PROGRAM_WORDS)}I", *PROGRAM_WORDS) + BANNER + b"\0"


def board() -> bytes:
    """Heron's flash with a boot loader that this machine can run, in front of the banner and
    the scripts of the real one."""
    factory = heron_factory()
    return boot_program() + factory[len(boot_program()) :]


def heard(image: Path, patience: float, wanted: bytes = b"") -> bytes:
    """What the machine says on its console from power-up on, within `patience` seconds or
    until it has said `wanted`."""
    with tempfile.TemporaryDirectory(prefix="console-") as folder:
        console = Path(folder, "console")
        process = subprocess.Popen(
            [
                PROGRAM,
                *("-M", f"{MACHINE},fmc-model={MODEL}"),
                *("-accel", "tcg", "-display", "none", "-nodefaults", "-monitor", "none"),
                *("-serial", f"file:{console}"),
                *("-drive", f"file={image},if=mtd,format=raw,snapshot=on"),
            ],
            stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        try:
            end = time.monotonic() + patience
            while time.monotonic() < end:
                assert process.poll() is None, process.stderr and process.stderr.read()
                said = console.read_bytes() if console.exists() else b""
                if wanted and wanted in said:
                    break
                time.sleep(0.05)
            return console.read_bytes()
        finally:
            process.kill()
            process.wait()
            if process.stderr is not None:
                process.stderr.close()


def judged(image: Path, shelf: Shelf, asked: Asked) -> Triaged:
    with start_qemu(MODEL, image) as bus:
        chip = identify(probe(bus), chip_table())
        with connected(bus, chip) as connection:
            return triage_chip(connection, shelf, WATCHER, asked)


def repaired(image: Path, shelf: Shelf, backup: Path, found: Triaged) -> None:
    """Carry out the first proposal the way `spiflash restore SET --region …` does."""
    repair = found.proposals[0].repair
    with start_qemu(MODEL, image) as bus:
        chip = identify(probe(bus), chip_table())
        with connected(bus, chip) as connection:
            restore(
                connection,
                shelf,
                only_regions(load_image(backup), repair.regions),
                WATCHER,
                WriteOptions(backup=backup),
                agree=lambda work: True,
            )


def test_silenced_and_brought_back(tmp_path: Path) -> None:
    image, shelf = tmp_path / "flash.img", Shelf(tmp_path / "shelf")
    good = board()
    image.write_bytes(good)
    assert BANNER in heard(image, SPEAKS_WITHIN, BANNER)
    with start_qemu(MODEL, image) as bus:
        chip = identify(probe(bus), chip_table())
        with connected(bus, chip) as connection:
            saved = back_up(connection, shelf, WATCHER).set.path

    # The update has erased the first block and not yet programmed it.
    stopped = 0x1F00
    update = bytearray(heron_open())
    update[: len(boot_program())] = b"\xff" * len(boot_program())
    image.write_bytes(failed_card_flash(good, bytes(update), stopped))
    assert heard(image, SILENT_FOR) == b""

    found = judged(image, shelf, Asked(backup=saved))
    assert found.triage.kind is Kind.INTERRUPTED
    assert found.triage.stop is not None
    assert found.triage.stop // 4096 == stopped // 4096
    assert found.proposals[0].repair.source is Source.OWN
    assert found.proposals[0].repair.regions == ("boot",)
    repaired(image, shelf, saved, found)
    assert image.read_bytes()[: len(good)] == good
    assert BANNER in heard(image, SPEAKS_WITHIN, BANNER)


@pytest.mark.needs("arm-none-eabi-as", "arm-none-eabi-objcopy")
def test_binutils_agree(tmp_path: Path) -> None:
    """GNU's assembler makes the same bytes of the source."""
    (tmp_path / "boot.s").write_text(".syntax divided\n.arm\n" + SOURCE)
    for command in (
        ["arm-none-eabi-as", "-march=armv5te", "-o", "boot.o", "boot.s"],
        ["arm-none-eabi-objcopy", "-O", "binary", "boot.o", "boot.bin"],
    ):
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    assert (tmp_path / "boot.bin").read_bytes() == boot_program()[: 4 * len(PROGRAM_WORDS)]
