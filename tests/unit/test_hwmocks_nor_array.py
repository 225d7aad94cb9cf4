"""Reading, programming and erasing on the simulated chips, against the data sheets (from
memory) and against what NOR cells can do at all."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hwmocks.nor import NorChip
from hwmocks.wire import Beat
from tests.effort import effort
from tests.nor_rig import NorRig

SMALL = "SST25VF032B"  # the smallest array


def test_read_goes_on_at_the_beginning_behind_the_end() -> None:
    # W25Q64JV, 03h: "when the highest address is reached, the counter goes to 000000h".
    chip = NorChip("W25Q64JV")
    chip.contents[-2:] = b"\x11\x22"
    chip.contents[:2] = b"\x33\x44"
    rig = NorRig(chip)
    assert rig.run("037FFFFE", 4) == b"\x11\x22\x33\x44"
    assert rig.run("0B7FFFFE00", 4) == b"\x11\x22\x33\x44"
    assert rig.run("03FFFFFE", 4) == b"\x11\x22\x33\x44", "address bits above the size"


def test_header_and_data_may_come_in_pieces() -> None:
    chip = NorChip("W25Q64JV")
    chip.contents[0x10:0x14] = b"\x01\x02\x03\x04"
    chip.select(0.0)
    answer = [chip.transfer(bytes([b]), Beat(0.0, 1e6)) for b in b"\x0b\x00\x00\x10\x00\x00"]
    answer.append(chip.transfer(b"\x00\x00\x00", Beat(0.0, 1e6)))
    chip.deselect(0.0)
    assert b"".join(answer) == b"\xff" * 5 + b"\x01\x02\x03\x04"


def test_deselected_chip_floats() -> None:
    assert NorChip("W25Q64JV").transfer(b"\x9f\x00\x00", Beat(0.0, 1e6)) == b"\xff" * 3


def test_page_program_comes_round_within_its_page() -> None:
    # W25Q64JV, 02h: data past the end of the page go to its beginning.
    chip = NorChip("W25Q64JV")
    NorRig(chip).write("020012FEA1A2A3A4")
    assert chip.contents[0x12FE:0x1300] == b"\xa1\xa2"
    assert chip.contents[0x1200:0x1202] == b"\xa3\xa4"
    assert chip.contents[0x1300] == 0xFF
    assert chip.pages_programmed == 1


def test_more_than_a_page_leaves_the_last_256_bytes() -> None:
    # "If more than 256 bytes are sent, previously latched data are discarded."
    chip = NorChip("W25Q64JV")
    data = bytes(range(1, 256)) + b"\x77" + b"\x81\x82"
    NorRig(chip).write(b"\x02\x00\x00\x00" + data)
    assert chip.contents[:256] == data[256:] + data[2:256]


@pytest.mark.parametrize(
    ("command", "start", "length"),
    [
        ("20012345", 0x012000, 0x1000),
        ("52012345", 0x010000, 0x8000),
        ("D8012345", 0x010000, 0x10000),
        ("C7", 0, 0x800000),
        ("60", 0, 0x800000),
    ],
)
def test_erase_sizes(command: str, start: int, length: int) -> None:
    chip = NorChip("W25Q64JV", bytes(8 << 20))
    NorRig(chip).write(command)
    assert chip.erased == [(start, length)]
    assert chip.contents[start : start + length] == b"\xff" * length
    assert chip.contents.count(0) == (8 << 20) - length
    assert sum(chip.wear) == length // 4096


@pytest.mark.parametrize(
    ("command", "start", "length"),
    [
        ("2101012345", 0x1012000, 0x1000),
        ("5C01012345", 0x1010000, 0x8000),
        ("DC01012345", 0x1010000, 0x10000),
    ],
)
def test_four_byte_erases(command: str, start: int, length: int) -> None:
    chip = NorChip("MX25L25645G")
    rig = NorRig(chip)
    rig.write("120101234500")
    assert chip.contents[0x1012345] == 0
    rig.write(command)
    assert chip.erased == [(start, length)]
    assert rig.run("1301012345", 1) == rig.run("0C0101234500", 1) == b"\xff"


def test_3_byte_addresses_stay_in_their_16_mebibytes() -> None:
    chip = NorChip("MX25L25635E")
    chip.contents[0xFFFFFF] = 0x10
    chip.contents[0x1000000] = 0x20
    chip.contents[0x0000000] = 0x30
    assert NorRig(chip).run("03FFFFFF", 2) == b"\x10\x30"


def test_hybrid_sectors() -> None:
    # S25FL128S: 20h works on the 4 KiB sectors in the lowest 128 KiB only.
    chip = NorChip("S25FL128S", bytes(16 << 20))
    rig = NorRig(chip)
    rig.write("2001F000")
    rig.write("20020000")
    rig.write("D8020000")
    assert chip.erased == [(0x1F000, 0x1000), (0x20000, 0x10000)]


def test_missing_erase_opcode_is_ignored() -> None:
    # MX25L6406E has no 32 KiB block erase.
    chip = NorChip("MX25L6406E", bytes(8 << 20))
    NorRig(chip).write("52000000")
    assert chip.erased == []


def test_aai_word_program() -> None:
    # SST25VF032B: ADh with an address, then ADh with data alone, then 04h; 02h takes one byte.
    chip = NorChip(SMALL)
    rig = NorRig(chip)
    rig.run("50")
    rig.run("0100")
    rig.run("06")
    rig.run("AD0001001122")
    for word in ("3344", "5566"):
        rig.wait(20e-6)
        assert rig.status() & 0x43 == 0x42
        rig.run("AD" + word)
    rig.wait(20e-6)
    rig.run("AD778899")  # not a word
    rig.wait(20e-6)
    assert rig.run("03000100", 1) == b"\xff", "only ADh, 05h and 04h in AAI mode"
    rig.run("04")
    assert rig.run("03000100", 7).hex() == "112233445566ff"
    rig.write("020002001122")
    rig.write("0200030044")
    assert chip.contents[0x200] == 0xFF
    assert chip.contents[0x300] == 0x44


def test_worn_cells() -> None:
    chip = NorChip("W25Q64JV", seed=3)
    rig = NorRig(chip)
    chip.wear_out(2, bits=5, failing="erase")
    chip.wear_out(3, bits=4, failing="program")
    rig.write("20002000")
    ones = int.from_bytes(chip.contents[0x2000:0x3000], "big").bit_count()
    assert ones == 4096 * 8 - 5
    for page in range(16):
        rig.write(b"\x02" + (0x3000 + page * 256).to_bytes(3, "big") + bytes(256))
    assert int.from_bytes(chip.contents[0x3000:0x4000], "big").bit_count() == 4
    chip.stick(0x5000, 7, 0)
    assert rig.run("03005000", 1) == b"\x7f"


def test_endurance_ends() -> None:
    chip = NorChip("W25Q64JV", endurance=3)
    rig = NorRig(chip)
    for _ in range(3):
        rig.write("20000000")
    assert chip.contents[:4096] == b"\xff" * 4096
    rig.write("20000000")
    assert int.from_bytes(chip.contents[:4096], "big").bit_count() == 4096 * 8 - 1


def test_errors_of_worn_cells_are_flagged_where_there_is_a_flag() -> None:
    chip = NorChip("N25Q128A")
    chip.wear_out(0, failing="erase")
    rig = NorRig(chip)
    rig.write("20000000")
    assert rig.run("70", 1) == b"\xa0"


def test_contents_of_the_wrong_size_are_refused() -> None:
    with pytest.raises(ValueError, match="8388608"):
        NorChip("W25Q64JV", b"\x00" * 100)
    with pytest.raises(ValueError, match="8 bytes"):
        NorChip("W25Q64JV", unique_id=b"\x00")


def test_reading_8_mebibytes_costs_next_to_nothing() -> None:
    chip = NorChip("W25Q64JV")
    idle = bytes(65536)
    chip.select(0.0)
    chip.transfer(b"\x03\x00\x00\x00", Beat(0.0, 30e6))

    def read() -> None:
        for _ in range(128):
            chip.transfer(idle, Beat(0.0, 30e6))

    assert min(effort(read) for _ in range(3)) < 0.05


SHARED = NorChip(SMALL, seed=9)
SHARED_RIG = NorRig(SHARED)
SHARED_RIG.run("50")
SHARED_RIG.run("0100")
PAGED = NorChip("W25Q64JV", seed=9)
PAGED_RIG = NorRig(PAGED)
ADDRESSES = st.integers(0, 0x7FFFFF)


@settings(max_examples=60, deadline=None)
@given(ADDRESSES, st.binary(min_size=1, max_size=600))
def test_programming_never_sets_a_bit(address: int, data: bytes) -> None:
    page = slice(address & ~0xFF, (address & ~0xFF) + 256)
    before = bytes(PAGED.contents[page])
    PAGED_RIG.write(b"\x02" + address.to_bytes(3, "big") + data)
    after = bytes(PAGED.contents[page])
    assert all(new & ~old == 0 for old, new in zip(before, after, strict=True))
    # Expected by the simplest model: byte by byte into the page buffer, then AND.
    buffer = [0xFF] * 256
    for place, byte in enumerate(data):
        buffer[(address + place) & 0xFF] = byte
    assert list(after) == [old & new for old, new in zip(before, buffer, strict=True)]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 0x3FFFFF), st.sampled_from([("20", 12), ("52", 15), ("D8", 16)]))
def test_erasing_touches_its_aligned_block_alone(address: int, way: tuple[str, int]) -> None:
    opcode, bits = way
    SHARED.contents[:] = b"\x5a" * len(SHARED.contents)
    start, length = address >> bits << bits, 1 << bits
    SHARED_RIG.write(bytes.fromhex(opcode) + address.to_bytes(3, "big"))
    assert SHARED.contents[start : start + length] == b"\xff" * length
    assert SHARED.contents.count(0x5A) == len(SHARED.contents) - length
