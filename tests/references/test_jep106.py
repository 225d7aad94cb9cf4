"""Our manufacturer codes against the JEP106 list in Debian's i2c-tools (decode-dimms).

The script holds the list as Perl arrays, one a bank, 126 names each, in order of code without
parity bit.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from spiflash.nor import jedec

pytestmark = pytest.mark.needs("decode-dimms")

SCRIPT = Path("/usr/bin/decode-dimms")


@pytest.fixture(scope="module")
def listed() -> dict[tuple[int, int], str]:
    """(bank, code with parity) -> name, from the Perl source."""
    text = SCRIPT.read_text(encoding="utf-8")
    body = text.split("@vendors = (", 1)[1].split("\n);", 1)[0]
    names: dict[tuple[int, int], str] = {}
    for bank, page in enumerate(re.findall(r"\[(.*?)\]", body, re.DOTALL), start=1):
        for number, name in enumerate(re.findall(r'"((?:[^"\\]|\\.)*)"', page), start=1):
            parity = 0 if number.bit_count() % 2 else 0x80
            names[bank, number | parity] = name
    return names


def test_the_list_was_read_whole(listed: dict[tuple[int, int], str]) -> None:
    assert len(listed) > 1500
    assert sum(bank == 1 for bank, _ in listed) == 126
    # JEP106 itself: bank 1 begins with AMD, and 2Ch is Micron (from memory of the standard).
    assert listed[1, 0x01] == "AMD"
    assert listed[1, 0x2C].startswith("Micron")


@pytest.mark.parametrize(
    "firm",
    [firm for firm in jedec.FIRMS if firm.bank],
    ids=lambda firm: f"{firm.bank}-{firm.code:02x}",
)
def test_bank_and_code_are_the_firms(
    firm: jedec.Manufacturer, listed: dict[tuple[int, int], str]
) -> None:
    wanted = firm.registered or firm.name
    assert wanted.lower() in listed[firm.bank, firm.code].lower()


def test_firms_without_a_bank_are_really_not_registered_under_that_byte(
    listed: dict[tuple[int, int], str],
) -> None:
    for firm in (firm for firm in jedec.FIRMS if firm.bank == 0):
        word = re.compile(rf"\b{re.escape(firm.name)}\b", re.IGNORECASE)
        same_byte = [name for (_, code), name in listed.items() if code == firm.code]
        assert same_byte, firm
        assert not [name for name in same_byte if word.search(name)], firm
