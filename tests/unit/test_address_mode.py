"""3-byte and 4-byte mode: found, used, left as found, on simulated chips (their data sheets)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hwmocks.bench import make_bench
from hwmocks.nor.catalog import CATALOG, describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import Op
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bench_bus
from spiflash.bus.transaction import Transaction
from spiflash.errors import ChipMismatchError
from spiflash.nor.address_mode import confirm_mode, find_mode, mode_bit
from spiflash.nor.capacity import check_capacity
from spiflash.nor.chip import Chip, FourByte
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import identify
from spiflash.nor.probe import probe
from spiflash.nor.tables import chip_table

MIB = 1 << 20
BIG = {"W25Q256JV": "W25Q256JV", "MX25L25635E": "MX25L25635E", "MX25L25645G": "MX25L25635F"}


def contents(size: int) -> bytes:
    """Every 256 bytes begin with their own number."""
    return b"".join(n.to_bytes(4, "big") + bytes(252) for n in range(size // 256))


def opened(name: str, data: bytes | None = None) -> tuple[NorChip, FtdiBus, Chip]:
    chip = NorChip(name, data)
    bus = open_bench_bus(make_bench(chip), "test")
    return chip, bus, identify(probe(bus), chip_table(), BIG.get(name))


@pytest.fixture(scope="module")
def filled() -> bytes:
    return contents(32 * MIB)


WAYS = [
    (name, way)
    for name in BIG
    for way in ("as listed", FourByte.ENTER, FourByte.EXTENDED_REGISTER)
    # The MX25L25635E has no such register.
    if (name, way) != ("MX25L25635E", FourByte.EXTENDED_REGISTER)
]


@pytest.mark.parametrize(("name", "way"), WAYS)
@pytest.mark.parametrize("four", [False, True])
def test_the_mode_found_is_the_mode_left(
    name: str, four: bool, way: FourByte | str, filled: bytes
) -> None:
    chip, bus, found = opened(name, filled)
    if isinstance(way, FourByte):
        assert way in found.four_byte
        rest = tuple(w for w in found.four_byte if w is not way)
        found = replace(found, four_byte=(way, *rest))
    if four:
        bus.run([Transaction(b"\xb7")])
    mode = find_mode(bus, found)
    assert mode.four is four
    with NorFlash(bus, found, mode) as flash:
        for at in (0, 0x12300, 16 * MIB, 32 * MIB - 256):
            assert flash.read_all(at, 256, ReadStyle()) == filled[at : at + 256]
    bus.run([Transaction(b"\x05", 1)])  # what was sent without an answer has arrived now
    assert chip.four_byte_mode is four


def test_the_segment_found_is_the_segment_left(filled: bytes) -> None:
    chip, bus, found = opened("W25Q256JV", filled)
    for ways in (found.four_byte, (FourByte.EXTENDED_REGISTER,)):
        bus.run([Transaction(b"\x06"), Transaction(b"\xc5\x01")])
        found = replace(found, four_byte=ways)
        mode = find_mode(bus, found)
        assert mode.segment == 1
        with NorFlash(bus, found, mode) as flash:
            check_capacity(flash)
            assert flash.read_all(0x100, 256, ReadStyle()) == filled[0x100:0x200]
        bus.run([Transaction(b"\x05", 1)])  # what was sent without an answer has arrived now
        assert chip.registers["EAR"] == 1


@pytest.mark.parametrize("name", BIG)
@pytest.mark.parametrize("four", [False, True])
def test_without_a_status_bit_reads_tell(name: str, four: bool, filled: bytes) -> None:
    _, bus, found = opened(name, filled)
    nameless = replace(found, protection_schemes=("unknown",))
    assert mode_bit(nameless) is None
    if four:
        bus.run([Transaction(b"\xb7")])
    mode = find_mode(bus, nameless)
    assert mode.four is four
    assert "comparison" in mode.evidence


def test_a_blank_chip_without_a_status_bit_is_not_guessed_at() -> None:
    _, bus, found = opened("W25Q256JV")
    mode = find_mode(bus, replace(found, protection_schemes=("unknown",)))
    assert mode.four is None
    assert "blank" in mode.evidence


@pytest.mark.parametrize("bit", [True, False])
def test_a_forgotten_4_byte_mode_is_caught(bit: bool, filled: bytes) -> None:
    """A chip that ignores B7h would give wrong contents for every address."""
    real = describe("MX25L25635E")
    deaf = replace(
        real, opcodes={code: op for code, op in real.opcodes.items() if op is not Op.ENTER_4}
    )
    chip = NorChip(deaf, filled)
    bus = open_bench_bus(make_bench(chip), "test")
    found = identify(probe(bus), chip_table(), "MX25L25635E")
    if not bit:
        found = replace(found, protection_schemes=("unknown",))
    with NorFlash(bus, found) as flash, pytest.raises(ChipMismatchError, match="4-byte") as caught:
        check_capacity(flash)
    assert "no contents" in caught.value.state


def test_a_chip_that_does_not_know_13h_is_caught(filled: bytes) -> None:
    """It answers nothing, which would look like a blank chip."""
    chip = NorChip(describe("MX25L25635E"), filled)
    bus = open_bench_bus(make_bench(chip), "test")
    found = identify(probe(bus), chip_table(), "MX25L25635F")
    assert found.four_byte[0] is FourByte.OPCODES
    with NorFlash(bus, found) as flash, pytest.raises(ChipMismatchError, match="13h"):
        check_capacity(flash)


def test_confirmed(filled: bytes) -> None:
    _, bus, found = opened("W25Q256JV", filled)
    bus.run([Transaction(b"\xb7")])
    assert "ADS" in confirm_mode(bus, found)


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_looking_changes_nothing(name: str) -> None:
    chip, bus, found = opened(name)
    before, live = chip.snapshot(), dict(chip.registers)
    find_mode(bus, found)
    assert chip.snapshot() == before
    assert dict(chip.registers) == live
    assert not chip.busy_drawn
