"""Amounts, addresses, clocks and times in words."""

from __future__ import annotations

import pytest

from spiflash.text import (
    address,
    amount,
    clock,
    counted,
    hex_pairs,
    number_of,
    seconds,
    span,
    span_of,
)


@pytest.mark.parametrize(
    ("count", "shown"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (1000, "1,000 bytes"),
        (4096, "4 KiB"),
        (16 << 20, "16 MiB"),
        (1656 << 10, "1,656 KiB"),
        (1 << 30, "1 GiB"),
    ],
)
def test_bytes_go_by_the_largest_unit_that_divides_them(count: int, shown: str) -> None:
    assert amount(count) == shown


def test_an_address_is_as_wide_as_the_chips_last_one() -> None:
    assert address(0x1A000, 8 << 20) == address(0x1A000) == "01A000h"
    assert address(0x1A000, 32 << 20) == "001A000h"
    assert address(0x1FFFFFF) == "1FFFFFFh"
    assert span(0, 4096) == "000000h–000FFFh"
    assert span(0, 4096, 32 << 20) == "0000000h–0000FFFh"


def test_clocks_times_and_bytes() -> None:
    assert [clock(hz) for hz in (30e6, 7.5e6, 400e3)] == ["30 MHz", "7.5 MHz", "400 kHz"]
    assert [seconds(s) for s in (0.02, 2.34, 125)] == ["20 ms", "2.3 s", "2 min 05 s"]
    assert hex_pairs(b"\xef\x40\x17") == "EF 40 17"


def test_a_number_with_its_noun() -> None:
    assert [counted(n, "pass", "passes") for n in (1, 2)] == ["1 pass", "2 passes"]
    assert [counted(n, "sector") for n in (0, 1, 2048)] == [
        "0 sectors",
        "1 sector",
        "2,048 sectors",
    ]


@pytest.mark.parametrize("number", [0, 1, 13, 1000, 4096, 0x40000, 1656 << 10, 8 << 20, 32 << 20])
def test_every_form_that_is_printed_is_taken(number: int) -> None:
    assert number_of(amount(number)) == number
    assert number_of(address(number)) == number_of(address(number, 32 << 20)) == number
    assert number_of(hex(number)) == number_of(str(number)) == number_of(f"{number:,}") == number
    end = number + 4096
    assert span_of(span(number, end)) == span_of(f"{number:#x}+0x1000") == (number, end)
    assert span_of(f"{address(number)}+{amount(4096)}") == (number, end)


def test_other_texts_are_no_numbers() -> None:
    wrong = ("", "-1", "1e3", "0x", "4G", "0b11", "1_000", "100hh", "1,00", "9" * 40, "boot", "h")
    assert [each for each in wrong if number_of(each) is not None] == []
    wrong = ("boot", "a-b", "1-2", "10+20", "20h–10h", "0x10+", "+0x10", "0x1–")
    assert [each for each in wrong if span_of(each) is not None] == []
    assert (number_of("100h"), number_of("256K"), number_of(" 4 MiB ")) == (256, 256 << 10, 4 << 20)
