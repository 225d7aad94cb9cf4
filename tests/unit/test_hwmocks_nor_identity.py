"""What the simulated chips say about themselves, against published tables and data sheets.

Facts of data sheets and drivers are cited from memory.
"""

from __future__ import annotations

import hashlib

import pytest

from hwmocks.nor import CATALOG, NorChip, describe
from hwmocks.nor.description import Op
from spiflash.nor.sfdp import parse
from tests.nor_rig import NorRig

# U-Boot, drivers/mtd/spi/spi-nor-ids.c (August 2026): name there, ID with extended bytes, size.
UBOOT = {
    "W25Q64FV": ("EF4017", 8),  # w25q64cv
    "W25Q128JV": ("EF4018", 16),  # w25q128
    "W25Q256JV": ("EF4019", 32),  # w25q256
    "W25Q64DW": ("EF6017", 8),
    "GD25Q64C": ("C84017", 8),
    "GD25Q128C": ("C84018", 16),
    "MX25L6406E": ("C22017", 8),  # mx25l6405d
    "MX25L12835F": ("C22018", 16),  # mx25l12805d
    "MX25L25635E": ("C22019", 32),
    "XM25QH64C": ("204017", 8),
    "XT25F64B": ("0B4017", 8),
    "IS25LP128": ("9D6018", 16),
    "N25Q128A": ("20BA18", 16),
    "S25FL128S": ("0120184D0180", 16),
    "SST25VF032B": ("BF254A", 4),
}
# Data sheets of each: ABh, then 90h with address 0.
LEGACY = {
    "W25Q64JV": ("16", "EF16"),
    "W25Q128JV": ("17", "EF17"),
    "W25Q256JV": ("18", "EF18"),
    "GD25Q64C": ("16", "C816"),
    "MX25L6406E": ("16", "C216"),
    "MX25L12835F": ("17", "C217"),
    "IS25LP128": ("17", "9D17"),
    "S25FL128S": ("17", "0117"),
}


@pytest.mark.parametrize("name", UBOOT)
def test_jedec_id_and_size(name: str) -> None:
    expected, mebibytes = UBOOT[name]
    chip = NorChip(name)
    assert NorRig(chip).run("9F", len(expected) // 2).hex().upper() == expected
    assert len(chip.contents) == mebibytes << 20


def test_jedec_id_comes_round() -> None:
    assert NorRig(NorChip("W25Q64JV")).run("9F", 7) == bytes.fromhex("EF4017EF4017EF")


@pytest.mark.parametrize("name", LEGACY)
def test_legacy_ids(name: str) -> None:
    rig = NorRig(NorChip(name))
    device, pair = (bytes.fromhex(text) for text in LEGACY[name])
    assert rig.run("AB000000", 3) == device * 3
    assert rig.run("90000000", 4) == pair * 2
    # "If the address is 000001h the device ID is read first" (W25Q64JV, 90h).
    assert rig.run("90000001", 2) == pair[::-1]


def test_sst_answers_both_id_commands_alike() -> None:
    # SST25VF032B, Read-ID: 90h and ABh.
    rig = NorRig(NorChip("SST25VF032B"))
    assert rig.run("90000000", 2) == rig.run("AB000000", 2) == bytes.fromhex("BF4A")


def test_sfdp_equals_the_table_of_a_real_w25q128() -> None:
    # Read from a W25Q128JV-IQ, posted to the linux-mtd list in July 2023 ("mtd: spi-nor:
    # winbond: w25q128 write protection").
    header = bytes.fromhex("53464450050100ff00050110800000ff")
    basic = bytes.fromhex(
        "e520f9ffffffff0744eb086b083b42bbfeffffffffff0000ffff40eb0c200f52"
        "10d800003602a60082ea14c9e96376337a757a75f7a2d55c19f74dffe930f880"
    )
    read = NorRig(NorChip("W25Q128JV")).run("5A00000000", 192)
    assert read == header + b"\xff" * 112 + basic


def test_sfdp_equals_the_table_of_a_real_mx25l25645g() -> None:
    # sha256 as printed with the table posted to the linux-mtd list in April 2025 ("mtd:
    # spi-nor: macronix: Drop the redundant flash info fields").
    read = NorRig(NorChip("MX25L25645G")).run("5A00000000", 288)
    assert hashlib.sha256(read).hexdigest() == (
        "70fa5d53fd09472e3af67d32d82f01ffcbfac31241b2aa81dfaba08527125123"
    )


def dword(name: str, pointer: int, number: int) -> int:
    """DWORD `number` (from 1) of the table at `pointer`, read with 5Ah."""
    command = b"\x5a" + (pointer + 4 * (number - 1)).to_bytes(3, "big") + b"\x00"
    return int.from_bytes(NorRig(NorChip(name)).run(command, 4), "little")


def test_sfdp_of_a_part_without_quad_modes() -> None:
    # First DWORD as in the table of MX25L1606E posted to the linux-mtd list: FF8120E5h.
    assert dword("MX25L6406E", 0x30, 1) == 0xFF8120E5
    # JESD216, DWORD 2: size in bits, less one. DWORD 8: 2^12 with 20h, 2^16 with D8h.
    assert dword("MX25L6406E", 0x30, 2) == 0x03FFFFFF
    assert dword("MX25L6406E", 0x30, 8) == 0xD810200C


def test_sfdp_address_bytes_field() -> None:
    # JESD216, DWORD 1 bits 18:17: 00b 3-byte only, 01b 3 or 4 bytes.
    assert dword("W25Q64JV", 0x80, 1) >> 17 & 3 == 0
    assert dword("W25Q256JV", 0x80, 1) >> 17 & 3 == 1
    assert dword("MX25L25635E", 0x30, 1) >> 17 & 3 == 1


def test_sfdp_times_of_w25q64jv() -> None:
    # W25Q64JV, AC characteristics: tSE 45 ms, tBE1 120 ms, tBE2 150 ms, tCE 20 s,
    # tPP 0.4 ms typical. JESD216B codes them as count × unit, rounded up.
    tenth, eleventh = dword("W25Q64JV", 0x80, 10), dword("W25Q64JV", 0x80, 11)
    milliseconds = (1, 16, 128, 1000)
    fields = [tenth >> place & 0x7F for place in (4, 11, 18)]
    assert [((f & 31) + 1) * milliseconds[f >> 5] for f in fields] == [48, 128, 160]
    chip = eleventh >> 24 & 0x7F
    assert ((chip & 31) + 1) * (0.016, 0.256, 4, 64)[chip >> 5] == 20
    program = eleventh >> 8 & 0x3F
    assert ((program & 31) + 1) * (8, 64)[program >> 5] == 448


def test_sfdp_behind_the_table_floats_and_parts_without_it_stay_silent() -> None:
    assert NorRig(NorChip("W25Q128JV")).run("5A0000C000", 4) == b"\xff" * 4
    assert NorRig(NorChip("S25FL128S")).run("5A00000000", 4) == b"\xff" * 4


def test_unique_id_lengths() -> None:
    # 64 bits on W25Q64JV, 128 on GD25Q64C and IS25LP128 (data sheets).
    winbond = NorChip("W25Q64JV", unique_id=bytes.fromhex("D1D2D3D4D5D6D7D8"))
    assert NorRig(winbond).run("4B00000000", 8).hex() == "d1d2d3d4d5d6d7d8"
    giga = NorChip("GD25Q64C", seed=5)
    assert NorRig(giga).run("4B00000000", 16) == giga.unique_id
    assert len(set(giga.unique_id)) > 4


def test_unique_id_has_a_fifth_dummy_in_four_byte_mode() -> None:
    # W25Q256JV, 4Bh.
    chip = NorChip("W25Q256JV", unique_id=bytes.fromhex("D1D2D3D4D5D6D7D8"))
    rig = NorRig(chip)
    rig.run("B7")
    assert rig.run("4B0000000000", 8).hex() == "d1d2d3d4d5d6d7d8"


@pytest.mark.parametrize("name", CATALOG)
def test_descriptions_are_whole(name: str) -> None:
    chip = describe(name)
    reads = {register.read for register in chip.registers}
    for opcode, op in chip.opcodes.items():
        assert op is not Op.READ_REGISTER or opcode in reads
        assert op is not Op.WRITE_REGISTER or opcode in chip.register_writes
        assert op not in (Op.ERASE, Op.ERASE_4) or opcode in chip.erases
    assert set(chip.erases) <= set(chip.opcodes)
    assert all(erase.time.typical <= erase.time.maximum for erase in chip.erases.values())


def test_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(KeyError, match="W25Q64JV"):
        describe("W99Q64")


def test_relabelled_chip_comes_round_to_its_beginning() -> None:
    chip = NorChip("W25Q64JV as W25Q128JV", seed=1)
    chip.contents[0x1234] = 0x5A
    rig = NorRig(chip)
    assert rig.run("9F", 3) == bytes.fromhex("EF4018")
    assert rig.run("03801234", 1) == b"\x5a"
    assert len(chip.contents) == 8 << 20


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_a_table_names_only_erases_that_the_chip_has(name: str) -> None:
    """JESD216, DWORDs 8 and 9 of the basic table: sizes and opcodes of the erase types."""
    chip = CATALOG[name]
    if not chip.sfdp:
        return
    listed = {(kind.size, kind.opcode) for kind in parse(chip.sfdp).basic.erases}
    assert listed
    assert listed <= {(kind.size, opcode) for opcode, kind in chip.erases.items()}
