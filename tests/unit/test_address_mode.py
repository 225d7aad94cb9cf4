"""3-byte and 4-byte mode: found, used, left as found, on simulated chips (their data sheets)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hwmocks.bench import make_bench
from hwmocks.nor.catalog import CATALOG, describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import Op
from spiflash.bus import Transaction
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import ChipMismatchError
from spiflash.nor.addressing import confirm_mode, find_mode, mode_bit
from spiflash.nor.capacity import check_capacity
from spiflash.nor.chip import Chip, FourByte
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import chip_table, identify
from spiflash.nor.probe import probe

MIB = 1 << 20
BIG = {
    "W25Q256JV": "W25Q256JV",
    "W25Q256FV": "W25Q256FV",
    "MX25L25635E": "MX25L25635E",
    "MX25L25645G": "MX25L25635F",
    "IS25LP256D": "IS25LP256D",
    "S25FS256T": "S25FS256T",
}
REGISTER = {"W25Q256JV", "W25Q256FV", "MX25L25645G"}
"""Those with a register for the high address bits that C5h writes."""


def contents(size: int) -> bytes:
    """Every 256 bytes begin with their own number."""
    return b"".join(n.to_bytes(4, "big") + bytes(252) for n in range(size // 256))


def opened(name: str, data: bytes | None = None) -> tuple[NorChip, FtdiBus, Chip]:
    chip = NorChip(name, data)
    bus = open_bench_bus(make_bench(chip), "test")
    return chip, bus, identify(probe(bus), chip_table(), BIG.get(name))


def put_in(chip: NorChip, bus: FtdiBus, *, four: bool) -> None:
    """The chip in this mode, by the commands of its data sheet; some wake in the other one."""
    leave = next(code for code, op in chip.description.opcodes.items() if op is Op.EXIT_4)
    bus.run([Transaction(b"\xb7" if four else bytes((leave,))), Transaction(b"\x05", 1)])
    if "EAR" in chip.registers:
        chip.set_register("EAR", 0)


@pytest.fixture(scope="module")
def filled() -> bytes:
    return contents(32 * MIB)


WAYS = [
    (name, way)
    for name in BIG
    for way in ("as listed", FourByte.ENTER, FourByte.EXTENDED_REGISTER)
    if way is not FourByte.EXTENDED_REGISTER or name in REGISTER
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
    put_in(chip, bus, four=four)
    mode = find_mode(bus, found)
    assert mode.four is four
    with NorFlash(bus, found, mode) as flash:
        check_capacity(flash)
        for at in (0, 0x12300, 16 * MIB, 32 * MIB - 256):
            style = ReadStyle(dummy=found.fast_read_dummy)
            assert flash.read_all(at, 256, style) == filled[at : at + 256]
        with flash.short_addresses():
            bus.run([Transaction(b"\x05", 1)])
            assert not chip.four_byte_mode
    bus.run([Transaction(b"\x05", 1)])  # what was sent without an answer has arrived now
    assert chip.four_byte_mode is four
    # A board that starts with three address bytes finds its first sector where it was.
    assert chip.registers.get("EAR", 0) == 0


@pytest.mark.parametrize("name", ["W25Q256JV", "W25Q256FV"])
@pytest.mark.parametrize("four", [False, True])
def test_the_segment_found_is_the_segment_left(name: str, four: bool, filled: bytes) -> None:
    chip, bus, found = opened(name, filled)
    for ways in (
        found.four_byte,
        (FourByte.ENTER, FourByte.EXTENDED_REGISTER),
        (FourByte.EXTENDED_REGISTER, FourByte.ENTER),
    ):
        put_in(chip, bus, four=four)
        bus.run([Transaction(b"\x06"), Transaction(b"\xc5\x01")])
        found = replace(found, four_byte=ways)
        mode = find_mode(bus, found)
        assert mode.segment == 1
        with NorFlash(bus, found, mode) as flash:
            check_capacity(flash)
            assert flash.read_all(0x100, 256, ReadStyle()) == filled[0x100:0x200]
        bus.run([Transaction(b"\x05", 1)])  # what was sent without an answer has arrived now
        assert chip.registers["EAR"] == 1
        assert chip.four_byte_mode is four


def test_a_chip_that_leaves_4_byte_mode_with_a_reset_only_is_read_where_it_is() -> None:
    """S25FS128S (data sheet, from memory) is not above 16 MiB; one as large is met in the mode."""
    real = describe("S25FS128S")
    large = replace(real, size=32 * MIB, id=bytes.fromhex("010219 4D0181"), sfdp=b"")
    filled = contents(32 * MIB)
    chip = NorChip(large, filled)
    bus = open_bench_bus(make_bench(chip), "test")
    bus.run([Transaction(b"\xb7"), Transaction(b"\x05", 1)])
    found = identify(probe(bus), chip_table())
    assert found.name == "S25FS256S"
    mode = find_mode(bus, found)
    assert mode.four
    with NorFlash(bus, found, mode) as flash:
        check_capacity(flash)
        assert flash.read_all(17 * MIB, 256, ReadStyle()) == filled[17 * MIB : 17 * MIB + 256]
    assert chip.four_byte_mode


@pytest.mark.parametrize("name", BIG)
@pytest.mark.parametrize("four", [False, True])
def test_without_a_status_bit_reads_tell(name: str, four: bool, filled: bytes) -> None:
    chip, bus, found = opened(name, filled)
    nameless = replace(found, protection_schemes=("unknown",))
    assert mode_bit(nameless) is None
    put_in(chip, bus, four=four)
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
