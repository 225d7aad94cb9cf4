"""Manufacturer codes in the answer to 9Fh: JEP106 banks, continuation codes, parity.

JEP106 gives every firm a bank and an odd-parity byte; a code of bank n is to be preceded by n - 1
continuation codes 7Fh. Most SPI flash chips leave those out, so one byte may stand for several
firms, and all of them are returned. Only firms that flash and other serial memories come from
are listed. Banks and codes are those of JEP106 (checked against the list in Debian's i2c-tools);
which firm uses a predecessor's code today is from memory of the data sheets.
"""

from __future__ import annotations

from dataclasses import dataclass

CONTINUATION = 0x7F


@dataclass(frozen=True, slots=True)
class Manufacturer:
    """A firm and its JEP106 code.

    `bank` counts from 1; 0 means that the firm uses this byte without an entry known to us.
    `registered` is the firm that JEP106 names, where that differs from the maker today.
    """

    bank: int
    code: int
    name: str
    registered: str = ""

    @property
    def known(self) -> bool:
        """False for the stand-in that a code outside the list gets."""
        return bool(self.name)


# Firms that share a byte stand in the order in which their chips are met on boards.
_FIRMS = (
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


def firms() -> tuple[Manufacturer, ...]:
    """The whole list, by code."""
    return _FIRMS


def odd_parity(code: int) -> bool:
    """Whether `code` has an odd number of ones, as every JEP106 code must."""
    return code.bit_count() % 2 == 1


def split(answer: bytes) -> tuple[int, int | None]:
    """(bank, code) at the head of an answer to 9Fh; the code is None when there are only
    continuation codes or nothing."""
    rest = answer.lstrip(bytes([CONTINUATION]))
    return len(answer) - len(rest) + 1, rest[0] if rest else None


def candidates(answer: bytes) -> tuple[Manufacturer, ...]:
    """Every firm that the head of `answer` may mean, likeliest first; () where none is known.

    With continuation codes the bank is settled. Without any it is open, because chips of other
    banks than the first leave them out.
    """
    bank, code = split(answer)
    if bank > 1:
        return tuple(firm for firm in _FIRMS if (firm.bank, firm.code) == (bank, code))
    return tuple(firm for firm in _FIRMS if firm.code == code)


def manufacturer(answer: bytes) -> Manufacturer:
    """The likeliest firm; one with an empty name where the code is not in the list.

    Raises `ValueError` when `answer` holds no code at all.
    """
    bank, code = split(answer)
    if code is None:
        raise ValueError("no manufacturer code in the answer")
    found = candidates(answer)
    return found[0] if found else Manufacturer(bank, code, "")
