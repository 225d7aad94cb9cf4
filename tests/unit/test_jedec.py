"""Manufacturer codes: continuation, parity, and one byte for several firms.

The rules are those of JEP106 (from memory): continuation code 7Fh, odd parity, banks of 126.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.nor import jedec


@pytest.mark.parametrize(
    ("answer", "bank", "code"),
    [
        (bytes.fromhex("ef4018"), 1, 0xEF),
        (bytes.fromhex("7f9d46"), 2, 0x9D),  # PMC Pm25LV data sheet: 7Fh, 9Dh, device
        (bytes.fromhex("7f7f7f7f7f7fc22208"), 7, 0xC2),  # FM25V data sheet: six times 7Fh, C2h
        (b"\x7f\x7f", 3, None),
        (b"", 1, None),
    ],
)
def test_continuation_codes_count_the_bank(answer: bytes, bank: int, code: int | None) -> None:
    assert jedec.split_continuation(answer) == (bank, code)


def test_a_byte_without_continuation_names_every_firm_that_uses_it() -> None:
    names = [firm.name for firm in jedec.candidates(bytes.fromhex("204018"))]
    assert names == ["Micron (Numonyx, ST)", "XMC"]


def test_continuation_codes_settle_the_bank() -> None:
    assert [f.name for f in jedec.candidates(b"\xc2\x20\x18")] == [
        "Macronix",
        "Infineon (Cypress, Ramtron)",
    ]
    assert [f.bank for f in jedec.candidates(b"\x7f" * 6 + b"\xc2\x22\x08")] == [7]
    assert jedec.candidates(b"\x7f\xc2") == ()


def test_unknown_code_is_said_to_be_unknown() -> None:
    firm = jedec.manufacturer(b"\x7f\x3e\x00")
    assert (firm.bank, firm.code, firm.known) == (2, 0x3E, False)


@pytest.mark.parametrize("answer", [b"", b"\x7f", b"\x7f\x7f\x7f"])
def test_no_code_at_all(answer: bytes) -> None:
    with pytest.raises(ValueError, match="no manufacturer code"):
        jedec.manufacturer(answer)


def test_every_listed_code_has_odd_parity_and_is_listed_once() -> None:
    firms = jedec.FIRMS
    assert all(firm.code.bit_count() % 2 == 1 for firm in firms)
    assert len({(firm.bank, firm.code, firm.name) for firm in firms}) == len(firms)
    assert [firm.code for firm in firms] == sorted(firm.code for firm in firms)


@pytest.mark.parametrize("code", [0x00, 0xFF, 0x03, 0x21])
def test_what_a_dead_bus_answers_is_no_code(code: int) -> None:
    assert code.bit_count() % 2 == 0
    assert jedec.candidates(bytes([code])) == ()


@given(st.binary(min_size=1, max_size=12))
def test_any_answer_is_split_without_loss(answer: bytes) -> None:
    bank, code = jedec.split_continuation(answer)
    head = b"\x7f" * (bank - 1) + (b"" if code is None else bytes([code]))
    assert answer.startswith(head)
    if code is not None:
        assert jedec.manufacturer(answer).code == code
