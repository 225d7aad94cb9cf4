"""SPI NAND chips: recognised, and refused in words. Pure.

They come in the same packages with the same pins, but are read by pages of 2 KiB and more, with
error correction and bad blocks, by commands that this program does not have. What it would read
from one with a NOR flash's commands is FFh throughout, which looks like a blank chip.

Most answer 9Fh with a dummy or an address byte first: read as a NOR flash's ID, theirs begins with
FFh or 00h, which no NOR flash's does. A few answer at once. The makers are those of the Linux
kernel's tables (drivers/mtd/nand/spi, 6.12); what is marked so is from memory of the data sheets.
"""

from __future__ import annotations

from dataclasses import dataclass

FLOATING = (0x00, 0xFF)
"""What the dummy byte reads as."""


@dataclass(frozen=True, slots=True)
class NandMaker:
    """A maker of SPI NAND: its code, its name, and how its chips are marked."""

    code: int
    name: str
    family: str


_MAKERS = {
    maker.code: maker
    for maker in (
        NandMaker(0x01, "SkyHigh", "S35ML"),  # from memory
        NandMaker(0x0B, "XTX", "XT26G"),
        NandMaker(0x2C, "Micron", "MT29F"),
        NandMaker(0x52, "Alliance Memory", "AS5F"),
        NandMaker(0x98, "Kioxia (Toshiba)", "TC58C or TH58C"),
        NandMaker(0x9B, "ATO", "ATO25D"),
        NandMaker(0xA1, "FMSH or Paragon", "FM25S or PN26G"),
        NandMaker(0xB0, "UnionMem", "UM19"),  # from memory
        NandMaker(0xBA, "Zetta", "ZD35"),  # from memory
        NandMaker(0xBC, "Biwin", "BWJX08"),  # from memory
        NandMaker(0xC2, "Macronix", "MX35L, MX35U or MX31"),
        NandMaker(0xC8, "GigaDevice or ESMT", "GD5F, F50L or F50D"),
        NandMaker(0xC9, "HeYangTek", "HYF"),  # from memory
        NandMaker(0xCD, "Longsys (Foresee)", "FS35 or F35"),
        NandMaker(0xD5, "Etron", "EM73"),  # from memory
        NandMaker(0xE5, "Dosilicon", "DS35"),  # from memory
        NandMaker(0xEF, "Winbond", "W25N or W25M"),
    )
}

_AT_ONCE = {
    # GD5F4GQ4RC, GD5F4GQ4UC and GD5F1GQ4UF: no dummy byte before the ID.
    bytes.fromhex("C8A468"): "GD5F4GQ4RC",
    bytes.fromhex("C8B468"): "GD5F4GQ4UC",
    bytes.fromhex("C8B148"): "GD5F1GQ4UF",
}

_NOR_TYPES = frozenset({0x20, 0x25, 0x26, 0x28, 0x30, 0x40, 0x41, 0x42, 0x50, 0x60, 0x70, 0x71})
_NOR_CAPACITIES = range(0x10, 0x23)
"""Second and third ID bytes of NOR flash."""


def nand(answer: bytes, after_dummy: bytes = b"") -> str:
    """What the chip is in words, such as "W25N or W25M, Winbond"; "" where it is no SPI NAND.

    `answer` is what followed 9Fh (3 bytes at least), `after_dummy` what followed 9Fh and one byte
    of 00h (b"": not asked).
    """
    if answer[:3] in _AT_ONCE:
        return f"{_AT_ONCE[answer[:3]]}, GigaDevice"
    if answer[:1] and answer[0] not in FLOATING:
        return ""
    for code in (after_dummy, answer[1:]):
        maker = _MAKERS.get(code[0]) if len(code) >= 3 else None
        if maker is None or code[1] in FLOATING:
            continue
        if code[1] in _NOR_TYPES and code[2] in _NOR_CAPACITIES:
            continue  # a NOR chip's ID, read one byte late
        return f"{maker.family}, {maker.name}"
    return ""
