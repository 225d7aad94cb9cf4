"""The known truth about a damaged board, and the pieces to build one from."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from hwmocks.boards.heron import PARTITIONS, mac_address, serial_number

BLANK = b"\xff"

PLACE = {partition.name: (partition.start, partition.end) for partition in PARTITIONS}


class Draw(random.Random):
    """What a brick draws at random; `board` is this board's number, None for any."""

    board: int | None = None


@dataclass(frozen=True, slots=True)
class Brick:
    """A damaged chip and the truth about it.

    `backup` is what the board held while it worked: also what a repair from it must give.
    `image` is a known-good image of the model (another board's dump, or the open firmware), and
    `rebuilt` what a repair from that must give: the image's firmware, and of the board's own what
    still exists on the chip. `own` says what does: "factory" (the region, with the calibration)
    and "variables" (MAC address and serial number, wherever they stand). `stop` is the address at
    which a write stopped, or None.
    """

    kind: str
    contents: bytes
    backup: bytes
    image: bytes
    rebuilt: bytes
    own: frozenset[str]
    stop: int | None = None


BOTH = frozenset({"factory", "variables"})
VARIABLES = frozenset({"variables"})
NOTHING: frozenset[str] = frozenset()


def put(contents: bytes, start: int, data: bytes) -> bytes:
    return contents[:start] + data + contents[start + len(data) :]


def piece_of(contents: bytes, name: str) -> bytes:
    start, end = PLACE[name]
    return contents[start:end]


def environment(old: bytes, change: Callable[[dict[bytes, bytes]], None]) -> bytes:
    """An environment (CRC-32 in little endian, then variables) with other variables."""
    end = old.index(b"\0\0", 4)
    lines = (line.partition(b"=") for line in old[4:end].split(b"\0"))
    variables = {name: value for name, _, value in lines}
    change(variables)
    text = b"".join(name + b"=" + value + b"\0" for name, value in variables.items())
    body = (text + b"\0").ljust(len(old) - 4, old[-1:])
    return struct.pack("<I", zlib.crc32(body)) + body


def rebuilt_from(image: bytes, before: bytes, number: int, own: frozenset[str]) -> bytes:
    """`image` with what is left of the board's own: its factory region, its variables."""
    factory = piece_of(before, "factory") if "factory" in own else BLANK * 0x10000

    def variables(found: dict[bytes, bytes]) -> None:
        for name, value in ((b"ethaddr", mac_address(number)), (b"serial#", serial_number(number))):
            if "variables" in own:
                found[name] = value.encode()
            else:
                found.pop(name, None)

    result = put(image, PLACE["factory"][0], factory)
    return put(result, PLACE["env"][0], environment(piece_of(image, "env"), variables))
