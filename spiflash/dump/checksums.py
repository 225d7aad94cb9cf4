"""Every checksum that the formats in a dump use.

Bulk CRC-32 goes through zlib, which is fast everywhere. The other variants go through crcmod,
whose speed depends on whether it was built with a C compiler: they suit headers and blocks, not
whole dumps. Parameters and check values: the catalogue of parametrised CRC algorithms (Cook).
"""

from __future__ import annotations

import functools
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import crcmod

Data = bytes | bytearray | memoryview


@dataclass(frozen=True, slots=True)
class Variant:
    """One CRC: polynomial with its top bit, register start, bit order, final inversion mask.

    `check` is the CRC of the nine ASCII digits "123456789".
    """

    polynomial: int
    start: int
    reflected: bool
    inversion: int
    check: int


VARIANTS = {
    "CRC-16/XMODEM": Variant(0x11021, 0x0000, False, 0x0000, 0x31C3),
    "CRC-16/ARC": Variant(0x18005, 0x0000, True, 0x0000, 0xBB3D),
    "CRC-32/ISO-HDLC": Variant(0x104C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    "CRC-32/BZIP2": Variant(0x104C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF, 0xFC891918),
    "CRC-32/ISCSI": Variant(0x11EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xE3069283),
    "CRC-32/JAMCRC": Variant(0x104C11DB7, 0xFFFFFFFF, True, 0x00000000, 0x340BC6D9),
}


@functools.cache
def crc(name: str) -> Callable[[Data], int]:
    """The function that computes the variant called `name`; KeyError when there is none."""
    variant = VARIANTS[name]
    compute: Callable[[Data], int] = crcmod.mkCrcFun(
        variant.polynomial,
        # crcmod takes the start value as it would look after the final inversion.
        initCrc=variant.start ^ variant.inversion,
        rev=variant.reflected,
        xorOut=variant.inversion,
    )
    return compute


def crc32(data: Data, previous: int = 0) -> int:
    """CRC-32/ISO-HDLC, as in Ethernet, gzip and U-Boot; `previous` continues a running sum."""
    return zlib.crc32(data, previous)


def crc32_plain(data: Data) -> int:
    """CRC-32 from zero and without inversion, as the Linux kernel's `crc32(0, …)` in JFFS2."""
    return zlib.crc32(data, 0xFFFFFFFF) ^ 0xFFFFFFFF


def crc32_uninverted(data: Data) -> int:
    """CRC-32/JAMCRC: from all ones, without the final inversion, as in UBI and UBIFS."""
    return zlib.crc32(data) ^ 0xFFFFFFFF
