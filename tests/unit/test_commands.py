"""Commands byte by byte: opcodes and orders of JESD216F's common command set and of the W25Q,
MX25L, S25FL-S and SST25VF data sheets (from memory)."""

from __future__ import annotations

import pytest

from spiflash.bus import Transaction
from spiflash.nor import commands as c
from spiflash.nor.commands import ReadStyle, Width

SLOW, FAST = ReadStyle(fast=False), ReadStyle(fast=True)


@pytest.mark.parametrize(
    ("transaction", "out", "read"),
    [
        (c.read_id(), "9f", 3),
        (c.read_id(8), "9f", 8),
        (c.read_rems(), "90 00 00 00", 2),
        (c.read_legacy_id(), "ab 00 00 00", 1),
        # JESD216F 4.1: three address bytes and eight dummy clocks in every mode.
        (c.read_sfdp(0, 8), "5a 00 00 00 ff", 8),
        (c.read_sfdp(0x123456, 4), "5a 12 34 56 ff", 4),
        (c.read_status(), "05", 1),
        (c.read_register(0x35), "35", 1),
        (c.read_register(0xB5, 2), "b5", 2),
        (c.read_unique_id(0x4B, 4, 8), "4b 00 00 00 00", 8),
        (c.read_security(0x48, 0x1000, 1, 256), "48 00 10 00 00", 256),
        (c.write_enable(), "06", 0),
        (c.write_disable(), "04", 0),
        (c.volatile_write_enable(), "50", 0),
        (c.write_register(0x01, b"\x00\x02"), "01 00 02", 0),
        (c.program(0x123456, b"\xaa\x55", Width.THREE, native=False), "02 12 34 56 aa 55", 0),
        (c.program(0x1234567, b"\xaa", Width.FOUR, native=True), "12 01 23 45 67 aa", 0),
        (c.program(0x1234567, b"\xaa", Width.FOUR, native=False), "02 01 23 45 67 aa", 0),
        (c.aai_first(0x1234, b"\xaa\x55", 1e-5), "ad 00 12 34 aa 55", 0),
        (c.aai_next(b"\x12\x34", 1e-5), "ad 12 34", 0),
        (c.erase(0x20, 0x7FF000, Width.THREE), "20 7f f0 00", 0),
        (c.erase(0xDC, 0x1FF0000, Width.FOUR), "dc 01 ff 00 00", 0),
        (c.chip_erase(0xC7), "c7", 0),
        (c.enter_4byte(), "b7", 0),
        (c.exit_4byte(0xE9), "e9", 0),
        (c.leave_continuous_read(), "ff ff ff ff ff ff ff ff", 0),
    ],
)
def test_bytes(transaction: Transaction, out: str, read: int) -> None:
    assert transaction.out.hex(" ") == out
    assert transaction.read == read


@pytest.mark.parametrize(
    ("width", "style", "native", "head"),
    [
        (Width.THREE, SLOW, False, "03 12 34 56"),
        (Width.THREE, FAST, False, "0b 12 34 56 ff"),
        (Width.FOUR, SLOW, False, "03 00 12 34 56"),
        (Width.FOUR, FAST, False, "0b 00 12 34 56 ff"),
        (Width.FOUR, SLOW, True, "13 00 12 34 56"),
        (Width.FOUR, FAST, True, "0c 00 12 34 56 ff"),
        (Width.THREE, ReadStyle(dummy=2), False, "0b 12 34 56 ff ff"),
    ],
)
def test_read_heads(width: Width, style: ReadStyle, native: bool, head: str) -> None:
    assert c.read_head(0x123456, width, style, native=native).hex(" ") == head


def test_software_reset_rests_long_enough() -> None:
    """W25Q64JV: tRST 30 us; MX25L12835F: 12 ms when an erase is broken off."""
    enable, reset = c.software_reset()
    assert (enable.out, reset.out) == (b"\x66", b"\x99")
    assert reset.rest >= 12e-3


def test_waking_rests_long_enough() -> None:
    """tRES1/tRES2: 3 us on W25Q, 8.8 us on MX25L, 30 us on M25P."""
    assert c.read_legacy_id().rest >= 30e-6


@pytest.mark.parametrize("value", [1 << 24, -1])
def test_addresses_that_do_not_fit(value: int) -> None:
    with pytest.raises(OverflowError):
        c.address(value, Width.THREE)
    with pytest.raises(OverflowError):
        c.erase(0x20, value, Width.THREE)


def test_rests_are_carried() -> None:
    assert c.program(0, b"\x00", Width.THREE, native=False, rest=7e-4).rest == 7e-4
    assert c.aai_next(b"\x00\x00", 1e-5).rest == 1e-5
    assert c.write_register(0x01, b"\x00", rest=0.2).rest == 0.2
