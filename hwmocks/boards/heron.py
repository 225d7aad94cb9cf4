"""Flash contents of *Heron*, the invented stream gauge of a volunteer watershed group.

A small Linux board with 8 MiB of SPI NOR flash. The pieces in `data/` were made by Debian's own
tools (`recipe.sh`); this file places them, and adds what differs from board to board: MAC
address, serial number and calibration. MAC addresses come from the range set aside for
documentation (RFC 7042, section 2.1.2: 00-00-5E-00-53-xx); everything else is invented.
"""

from __future__ import annotations

import functools
import lzma
import struct
import zlib
from dataclasses import dataclass
from importlib import resources

FLASH_SIZE = 8 << 20
"""Bytes of flash on the board."""

ERASE_BLOCK = 64 << 10
"""Bytes that the board's boot loader erases at a time."""

FACTORY_NUMBER = 0x17
"""The board that the factory image was read from."""

LOADER_FILE = "heronldr.bin"
IMAGE_FILE = "heronfw.img"


@dataclass(frozen=True, slots=True)
class Partition:
    """A named range of the flash: `size` bytes from `start`."""

    name: str
    start: int
    size: int

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.size


PARTITIONS = (
    Partition("boot", 0x000000, 0x040000),
    Partition("env", 0x040000, 0x010000),
    Partition("factory", 0x050000, 0x010000),
    Partition("dtb", 0x060000, 0x010000),
    Partition("kernel", 0x070000, 0x190000),
    Partition("rootfs", 0x200000, 0x200000),
    Partition("config", 0x400000, 0x040000),
    Partition("readings", 0x440000, 0x300000),
    Partition("spare", 0x740000, 0x0C0000),
)
"""The flash map, the same as in the board's `mtdparts` variable."""

_BY_NAME = {partition.name: partition for partition in PARTITIONS}


def heron_factory() -> bytes:
    """The 8388608 bytes of board number 17h as the factory left it, with readings logged since."""
    return _factory_with(_piece("factory-env.xz"), FACTORY_NUMBER)


def heron_variant(number: int) -> bytes:
    """The factory contents of another board of the batch.

    `number` (0 to 255) is the last byte of the MAC address and is part of the serial number.
    Environment, factory block and calibration differ from board to board, with correct CRCs.
    """
    if not 0 <= number <= 0xFF:
        raise ValueError(f"board number {number} is not in 0..255")
    return _factory_with(_environment_for(number), number)


def heron_open() -> bytes:
    """The 8388608 bytes of the open firmware for the same board: generic, without identity."""
    return _assemble(
        {
            "boot": _piece("open-boot.xz"),
            "env": _piece("open-env.xz"),
            "dtb": _piece("open.dtb"),
            "kernel": _piece("open-kernel.uimage"),
            "rootfs": _piece("open-rootfs.squashfs"),
        }
    )


def card_files() -> dict[str, bytes]:
    """The two files for an SD-card update, with the exact names that the boot loader loads."""
    return {LOADER_FILE: _piece("open-boot.xz"), IMAGE_FILE: heron_open()}


def failed_card_flash(
    before: bytes, image: bytes, stop: int, erase_block: int = ERASE_BLOCK
) -> bytes:
    """The flash after an SD-card update from `image` over `before` that stopped at address `stop`.

    The loader erases one block of `erase_block` bytes, programs it, and goes on to the next:
    `image` up to `stop`, blank to the end of the erased block, then the old contents. With `stop`
    at a block boundary the next block has just been erased and not yet programmed, unless the
    image ends there. Raises ValueError when `stop` lies outside the image or the image outside
    the flash.
    """
    if len(image) > len(before):
        raise ValueError("the image is larger than the flash")
    if not 0 <= stop <= len(image):
        raise ValueError(f"stop {stop:#x} lies outside the image of {len(image):#x} bytes")
    if stop == len(image):
        return image + before[stop:]
    erased = min((stop // erase_block + 1) * erase_block, len(before))
    return image[:stop] + b"\xff" * (erased - stop) + before[erased:]


def mac_address(number: int) -> str:
    """The MAC address of a board, in the environment's notation."""
    return f"00:00:5e:00:53:{number:02x}"


def serial_number(number: int) -> str:
    """The serial number of a board, as printed on its label."""
    return f"HG-2019-{number:04d}"


def _factory_with(environment: bytes, number: int) -> bytes:
    return _assemble(
        {
            "boot": _piece("factory-boot.xz"),
            "env": environment,
            "factory": _factory_block(number),
            "dtb": _piece("factory.dtb"),
            "kernel": _piece("factory-kernel.uimage"),
            "rootfs": _piece("factory-rootfs.squashfs"),
            "config": _piece("factory-config.xz"),
            "readings": _piece("factory-readings.xz"),
        }
    )


def _assemble(pieces: dict[str, bytes]) -> bytes:
    flash = bytearray(b"\xff" * FLASH_SIZE)
    for name, piece in pieces.items():
        partition = _BY_NAME[name]
        if len(piece) > partition.size:
            raise ValueError(f"{name} does not fit its partition")
        flash[partition.start : partition.start + len(piece)] = piece
    return bytes(flash)


def _environment_for(number: int) -> bytes:
    """The factory environment with another identity: CRC-32 (little endian), then variables."""
    old = _piece("factory-env.xz")
    end = old.index(b"\0\0", 4)
    variables = old[4:end].split(b"\0")
    own = {b"ethaddr": mac_address(number), b"serial#": serial_number(number)}
    for index, variable in enumerate(variables):
        name = variable.partition(b"=")[0]
        if name in own:
            variables[index] = name + b"=" + own[name].encode("ascii")
    body = (b"\0".join(variables) + b"\0\0").ljust(len(old) - 4, b"\xff")
    return struct.pack("<I", zlib.crc32(body)) + body


def _factory_block(number: int) -> bytes:
    """MAC and serial number at 0, calibration at 1000h; 64 KiB, the rest blank.

    Calibration: magic "HCAL", payload length, CRC-32 of the payload (big endian), then the
    payload: three polynomial coefficients of the pressure transducer and a zero offset in
    micrometres, as signed 32-bit numbers.
    """
    head = struct.pack(
        ">8sH6s16s",
        b"HERONFAC",
        1,
        bytes.fromhex(mac_address(number).replace(":", "")),
        serial_number(number).encode("ascii"),
    )
    payload = struct.pack(
        ">4i", 1_019_400 + 37 * number, -2150 + number, 11 + number % 5, -400 + 13 * number
    )
    calibration = struct.pack(">4sII", b"HCAL", len(payload), zlib.crc32(payload)) + payload
    block = bytearray(b"\xff" * _BY_NAME["factory"].size)
    block[: len(head)] = head
    block[0x1000 : 0x1000 + len(calibration)] = calibration
    return bytes(block)


@functools.cache
def _piece(name: str) -> bytes:
    stored = resources.files(__package__).joinpath("data", name).read_bytes()
    return lzma.decompress(stored) if name.endswith(".xz") else stored
