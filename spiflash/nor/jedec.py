"""What the answer to 9Fh says: the manufacturer (JEP106), and whether the chip is an SPI NAND.
Pure.

JEP106 gives every firm a bank and an odd-parity byte; a code of bank n is to be preceded by n - 1
continuation codes 7Fh. Most SPI flash chips leave those out, so one byte may stand for several
firms, and all of them are returned. Only firms that make flash and other serial memories are
listed. Banks and codes are those of JEP106 (checked against the list in Debian's i2c-tools);
which firm uses a predecessor's code today is known from the data sheets.

SPI NAND chips come in the same packages with the same pins, but are read by pages of 2 KiB and
more, with error correction and bad blocks, by commands that this program does not have. Read with a
NOR flash's commands they give FFh throughout, which looks like a blank chip. Most answer 9Fh with a
dummy or an address byte first: read as a NOR flash's ID, theirs begins with FFh or 00h, which no
NOR flash's does. A few answer at once. The makers are those of the Linux kernel's tables
(drivers/mtd/nand/spi, 6.12), and some more.
"""

from __future__ import annotations

from dataclasses import dataclass

# -- manufacturers ---------------------------------------------------------------------------------

CONTINUATION = 0x7F


@dataclass(frozen=True, slots=True)
class Manufacturer:
    """A firm and its JEP106 code.

    `bank` counts from 1; 0 means that the firm uses this byte, but no entry of it is known.
    `registered` is the firm that JEP106 names, if that is not the maker today.
    """

    bank: int
    code: int
    name: str
    registered: str = ""

    @property
    def known(self) -> bool:
        """False for a code that is not in the list."""
        return bool(self.name)


# Firms that share a byte are in the order in which their chips are found on boards.
FIRMS = (
    Manufacturer(1, 0x01, "Infineon (Cypress, Spansion)", "AMD"),
    Manufacturer(1, 0x04, "Fujitsu"),
    Manufacturer(10, 0x0B, "XTX"),
    Manufacturer(2, 0x1C, "EON", "Eon Silicon Devices"),
    Manufacturer(0, 0x1C, "ESMT"),
    Manufacturer(1, 0x1F, "Renesas (Dialog, Adesto, Atmel)", "Atmel"),
    Manufacturer(1, 0x20, "Micron (Numonyx, ST)", "STMicroelectronics"),
    Manufacturer(10, 0x20, "XMC"),
    Manufacturer(9, 0x25, "ISSI (Chingis)", "ISSI/Chingis"),
    Manufacturer(1, 0x2C, "Micron"),
    Manufacturer(1, 0x34, "Infineon (Cypress)", "Cypress"),
    Manufacturer(2, 0x37, "AMIC"),
    Manufacturer(8, 0x43, "Renesas (Dialog, Adesto)", "Adesto"),
    Manufacturer(5, 0x4A, "ESI (Excel)", "Excel Semiconductor"),
    Manufacturer(8, 0x51, "GigaDevice"),
    Manufacturer(11, 0x52, "Nor-Mem"),
    Manufacturer(1, 0x52, "Alliance Memory"),
    Manufacturer(10, 0x5E, "Zbit"),
    Manufacturer(1, 0x62, "ON Semiconductor (Sanyo)", "Sanyo"),
    Manufacturer(6, 0x67, "Spansion"),
    Manufacturer(9, 0x68, "Boya", "Boya"),
    Manufacturer(8, 0x6B, "Everspin"),
    Manufacturer(10, 0x85, "Puya"),
    Manufacturer(1, 0x89, "Intel"),
    Manufacturer(4, 0x8C, "ESMT", "Elite Flash Storage"),
    Manufacturer(1, 0x98, "Kioxia (Toshiba)", "Kioxia"),
    Manufacturer(2, 0x9D, "ISSI (PMC)", "Integrated Silicon Solution"),
    Manufacturer(8, 0xA1, "FMSH", "Shanghai Fudan"),
    Manufacturer(9, 0xBA, "Zetta"),
    Manufacturer(1, 0xBF, "Microchip (SST)", "Silicon Storage Technology"),
    Manufacturer(1, 0xC2, "Macronix"),
    Manufacturer(7, 0xC2, "Infineon (Cypress, Ramtron)", "Ramtron"),
    Manufacturer(8, 0xC4, "Giantec"),
    Manufacturer(7, 0xC8, "GigaDevice"),
    Manufacturer(0, 0xCD, "TH"),
    Manufacturer(10, 0xCD, "Longsys (Foresee)", "Longsys"),
    Manufacturer(7, 0xD5, "Nantronics"),
    Manufacturer(1, 0xD5, "ISSI", "Integrated Silicon"),
    Manufacturer(9, 0xD5, "Etron"),
    Manufacturer(2, 0xD9, "GSI"),
    Manufacturer(1, 0xDA, "Winbond"),
    Manufacturer(9, 0xE5, "Dosilicon"),
    Manufacturer(8, 0xE6, "Avalanche"),
    Manufacturer(1, 0xEF, "Winbond (NexFlash)", "NEXCOM"),
    Manufacturer(7, 0xF8, "Fidelix", "FIDELIX"),
    Manufacturer(1, 0xFE, "Numonyx"),
)


def split_continuation(answer: bytes) -> tuple[int, int | None]:
    """(bank, code) at the start of an answer to 9Fh; the code is None if there are only
    continuation codes or nothing."""
    rest = answer.lstrip(bytes([CONTINUATION]))
    return len(answer) - len(rest) + 1, rest[0] if rest else None


def candidates(answer: bytes) -> tuple[Manufacturer, ...]:
    """Every firm that the start of `answer` may mean, the most likely first; () if none is known.

    Continuation codes say which bank it is. Without any it may be every bank, because most chips
    leave them out.
    """
    bank, code = split_continuation(answer)
    if bank > 1:
        return tuple(firm for firm in FIRMS if (firm.bank, firm.code) == (bank, code))
    return tuple(firm for firm in FIRMS if firm.code == code)


def manufacturer(answer: bytes) -> Manufacturer:
    """The most likely firm; one with an empty name if the code is not in the list.

    Raises `ValueError` when `answer` holds no code at all.
    """
    bank, code = split_continuation(answer)
    if code is None:
        raise ValueError("no manufacturer code in the answer")
    found = candidates(answer)
    return found[0] if found else Manufacturer(bank, code, "")


# -- SPI NAND --------------------------------------------------------------------------------------

FLOATING = (0x00, 0xFF)
"""Values that the dummy byte may read as."""


@dataclass(frozen=True, slots=True)
class NandMaker:
    """A maker of SPI NAND: its code, its name, and how its chips are marked."""

    code: int
    name: str
    family: str


_MAKERS = {
    maker.code: maker
    for maker in (
        NandMaker(0x0B, "XTX", "XT26G"),
        NandMaker(0x2C, "Micron", "MT29F"),
        NandMaker(0x52, "Alliance Memory", "AS5F"),
        NandMaker(0x98, "Kioxia (Toshiba)", "TC58C or TH58C"),
        NandMaker(0x9B, "ATO", "ATO25D"),
        NandMaker(0xA1, "FMSH or Paragon", "FM25S or PN26G"),
        NandMaker(0xC2, "Macronix", "MX35L, MX35U or MX31"),
        NandMaker(0xC8, "GigaDevice or ESMT", "GD5F, F50L or F50D"),
        NandMaker(0xCD, "Longsys (Foresee)", "FS35 or F35"),
        NandMaker(0xEF, "Winbond", "W25N or W25M"),
        # From memory of the data sheets:
        NandMaker(0x01, "SkyHigh", "S35ML"),
        NandMaker(0xB0, "UnionMem", "UM19"),
        NandMaker(0xBA, "Zetta", "ZD35"),
        NandMaker(0xBC, "Biwin", "BWJX08"),
        NandMaker(0xC9, "HeYangTek", "HYF"),
        NandMaker(0xD5, "Etron", "EM73"),
        NandMaker(0xE5, "Dosilicon", "DS35"),
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
    """What the chip is in words, such as "W25N or W25M, Winbond"; "" if it is no SPI NAND.

    `answer` is the answer to 9Fh (3 bytes at least), `after_dummy` that to 9Fh and one byte of 00h
    (b"": not sent).
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
