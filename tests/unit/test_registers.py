"""Which registers are read, and what is claimed where not everything is known.

The protection tables themselves are held against the data sheets in
tests/references/test_protection_tables.py.

Facts of data sheets and drivers are cited from memory.
"""

from __future__ import annotations

import pytest

from chipdb.schemes import PROTECTION_SCHEMES
from hwmocks.nor.chip import NorChip
from spiflash.nor.protection import Protection, protection
from spiflash.nor.scheme import SCHEMES, common_registers
from tests.nor_rig import NorRig

MIB = 1 << 20


# -- what is not fully known -------------------------------------------------------------------


def test_an_unknown_scheme_counts_as_a_whole() -> None:
    for scheme in ("unknown", "made-up"):
        assert protection((scheme,), 8 * MIB, {"SR1": 0x00}) == Protection()
        for bit in (2, 3, 4, 5):
            found = protection((scheme,), 8 * MIB, {"SR1": 1 << bit})
            assert found.ranges == ((0, 8 * MIB),)
            assert not found.extent_known


def test_chips_without_protection_bits() -> None:
    assert protection(("none",), MIB, {"SR1": 0xFF}) == Protection()


@pytest.mark.parametrize(
    ("status", "some", "known"),
    [(0x00, False, True), (0x10, False, True), (0x04, True, False), (0x1C, True, True)],
)
def test_sector_locks_reported_as_a_sum(status: int, some: bool, known: bool) -> None:
    """AT25DF321 data sheet, status register byte 1: SWP in bits 3:2, 00 none,
    01 some, 11 all sectors locked; bit 4 shows the level of WP# and bit 5 an error."""
    found = protection(("global-unlock",), 4 * MIB, {"SR1": status})
    assert found.overlaps(0, 4 * MIB) == some
    assert found.extent_known == known


@pytest.mark.parametrize("scheme", sorted(name for name in SCHEMES if SCHEMES[name].lock_bit))
def test_the_lock_of_the_register_itself(scheme: str) -> None:
    """SRP, SRWD or BPL is bit 7 in all of these data sheets."""
    values = dict.fromkeys(("SR2", "SR3", "CR", "CR1", "FR"), 0)
    assert protection((scheme,), 8 * MIB, {"SR1": 0x80, **values}).register_locked
    assert not protection((scheme,), 8 * MIB, {"SR1": 0x7F, **values}).register_locked


def test_overlap_is_half_open() -> None:
    found = Protection(((0x1000, 0x2000),))
    assert found.overlaps(0x1FFF, 0x2000)
    assert not found.overlaps(0x2000, 0x3000)
    assert not found.overlaps(0x0000, 0x1000)
    assert found.overlaps(0x0000, 0x1001)


def test_a_chip_that_may_be_one_of_two() -> None:
    """MX25L6406E or MX25L6433F: both top (MIRRORED or TB=0) and bottom (TB=1) must count."""
    schemes = ("bp4", "bp4-tb-cr")
    assert [register.name for register in common_registers(schemes)] == ["SR1", "SCUR"]
    found = protection(schemes, 8 * MIB, {"SR1": 1 << 2, "SCUR": 0})
    assert not found.extent_known
    assert found.ranges == ((0, 0x10000), (0x7E0000, 0x800000))
    assert protection(schemes, 8 * MIB, {"SR1": 0, "SCUR": 0}).ranges == ()


def test_an_unread_complement_bit_counts_as_everything() -> None:
    schemes = ("bp3-tb", "bp3-tb-sec-cmp")
    found = protection(schemes, 8 * MIB, {"SR1": 1 << 2})
    assert found.ranges == ((0, 8 * MIB),)
    assert not found.extent_known


def test_35h_is_never_read_where_it_means_something_else() -> None:
    """On Macronix parts 35h enables QPI (MX25L12835F data sheet)."""
    for scheme in ("bp4", "bp4-tb-cr"):
        assert 0x35 not in [register.opcode for register in SCHEMES[scheme].registers]
    both = common_registers(("bp4-tb-cr", "bp3-tb-sec-cmp"))
    assert [register.opcode for register in both] == [0x05]


# -- against the simulated chips, which were written from the sheets by somebody else -----------


@pytest.mark.parametrize(
    ("chip", "scheme"),
    [
        ("W25Q64JV", "bp3-tb-sec-cmp"),
        ("W25Q128JV", "bp3-tb-sec-cmp"),
        ("GD25Q64C", "bp3-tb-sec-cmp"),
        ("W25Q256JV", "bp4-tb"),
        ("MX25L6406E", "bp4"),
        ("MX25L25635E", "bp4"),
        ("MX25L12835F", "bp4-tb-cr"),
        ("N25Q128A", "bp-micron"),
        ("S25FL128S", "bp-spansion"),
        ("IS25LP128", "bp4-tb-issi"),
    ],
)
def test_the_simulated_chips_protect_the_same(chip: str, scheme: str) -> None:
    for value in range(0, 0x80, 4):
        for second in (0x00, 0x40) if "sec-cmp" in scheme or scheme == "bp4-tb" else (0,):
            simulated = NorChip(chip)
            rig = NorRig(simulated)
            if second:
                rig.write(bytes((0x31, second)))
            rig.write(bytes((0x01, value)))
            rig.status()
            values = dict.fromkeys(("CR", "CR1", "FR"), 0) | dict(simulated.registers)
            found = protection((scheme,), simulated.description.size, values)
            assert found.ranges == simulated.protected_ranges, f"{value:#x} {second:#x}"


def test_every_scheme_of_the_table_has_one_entry() -> None:
    assert set(SCHEMES) == set(PROTECTION_SCHEMES)
    assert all(name == entry.name for name, entry in SCHEMES.items())
