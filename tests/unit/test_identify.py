"""From answers to a chip: parts with one ID merged, told apart or refused; nothing guessed.

The tables here are made up; the answers come from the simulated chips, whose figures are those of
the data sheets named in hwmocks (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from chipdb.part import Duration, EraseRegion, EraseType, FourByte, Part, ProgramMethod, Source
from chipdb.table import ChipTable
from hwmocks.nor.catalog import CATALOG, describe
from hwmocks.nor.catalog.tables import BLOCK as BLOCK_ENTRY
from hwmocks.nor.catalog.tables import SECTOR as SECTOR_ENTRY
from hwmocks.nor.catalog.tables import jesd216
from spiflash.errors import ChipMismatchError, ChipUnknownError, UsageError
from spiflash.nor.addressing import choose_addressing
from spiflash.nor.chip import Answers, Chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.identify import chip_table, geometry_of, identify

MIB = 1 << 20
JV = describe("W25Q64JV")
ID = bytes.fromhex("EF4017")

SECTOR = EraseType(4096, 0x20, Duration(0.045, 0.4))
BLOCK = EraseType(65536, 0xD8, Duration(0.15, 2.0))

FIRST = Part(
    name="FIRST",
    vendor="Maker",
    id=ID,
    size=8 * MIB,
    page=256,
    erase_types=(SECTOR, BLOCK),
    regions=(EraseRegion(8 * MIB, (0, 1)),),
    program=Duration(4e-4, 3e-3),
    sources=(("id", Source("memory", "made up")),),
    chip_erase=Duration(20.0, 100.0),
    clock_read=50e6,
    clock_fast=104e6,
    supply=(2.7, 3.6),
    protection="bp3-tb-sec-cmp",
)
WHOLE = (EraseRegion(8 * MIB, (0,)),)
THREE = replace(
    FIRST,
    erase_types=(SECTOR, EraseType(32768, 0x52, Duration(0.12, 1.6)), BLOCK),
    regions=(EraseRegion(8 * MIB, (0, 1, 2)),),
)
"""With all the erases that the W25Q64JV's SFDP lists."""
SECOND = replace(
    FIRST,
    name="SECOND",
    erase_types=(
        replace(BLOCK, time=Duration(0.10, 3.0)),
        replace(SECTOR, time=Duration(0.06, 0.3)),
    ),
    regions=(EraseRegion(8 * MIB, (1, 0)),),
    program=Duration(7e-4, 2e-3),
    chip_erase=Duration(30.0, 90.0),
    clock_read=33e6,
    clock_fast=133e6,
    supply=(2.3, 3.3),
)


AS_DELIVERED = {"S25FS128S": (0x00, 0x00), "S25HL512T": (0x08, 0x00)}
"""CR3 and CR1, which their sector maps ask for."""


def heard(name: str = "W25Q64JV", *, sfdp: bool = True, jedec_id: bytes = b"") -> Answers:
    """What this chip answers."""
    chip = describe(name)
    cycled = (chip.id * 8)[:8]
    return Answers(
        jedec_id + cycled[len(jedec_id) :] if jedec_id else cycled,
        chip.rems,
        b"" if chip.legacy_id is None else bytes((chip.legacy_id,)),
        chip.sfdp if sfdp else b"",
        sector_map=AS_DELIVERED.get(name),
        registers=(("CR1", 0x00),) if name == "S25FL128S" else (),
    )


def times(chip: Chip) -> dict[int, tuple[float, float]]:
    return {kind.size: (kind.time.typical, kind.time.maximum) for kind in chip.geometry.erase_types}


# -- one part ----------------------------------------------------------------------------------


def test_the_only_part_with_this_id() -> None:
    chip = identify(heard(), ChipTable((FIRST,)))
    assert chip.name == "FIRST"
    assert chip.part == FIRST
    assert chip.candidates == ("FIRST",)
    assert chip.geometry.regions == geometry_of(FIRST).regions
    assert identify(heard(sfdp=False), ChipTable((FIRST,))).geometry == geometry_of(FIRST)
    assert not chip.write_doubt
    assert chip.sfdp is not None
    assert chip.jedec_id == ID


def test_a_part_that_must_not_be_written() -> None:
    chip = identify(heard(), ChipTable((replace(FIRST, refused="other commands"),)))
    assert chip.write_doubt == "other commands"


def test_broken_sfdp_of_a_known_part_is_a_note() -> None:
    answers = replace(heard(), sfdp=b"SFDP" + bytes(30))
    chip = identify(answers, ChipTable((FIRST,)))
    assert chip.name == "FIRST"
    assert any("SFDP" in note for note in chip.notes)


# -- parts with one ID ----------------------------------------------------------------------------


@pytest.mark.parametrize("order", [(FIRST, SECOND), (SECOND, FIRST)])
def test_parts_that_agree_are_merged_with_the_slowest_times(
    order: tuple[Part, ...],
) -> None:
    chip = identify(heard(sfdp=False), ChipTable(order))
    assert set(chip.candidates) == {"FIRST", "SECOND"}
    assert chip.part is None
    assert not chip.write_doubt
    assert times(chip) == {4096: (0.06, 0.4), 65536: (0.15, 3.0)}
    assert chip.geometry.program == Duration(7e-4, 3e-3)
    assert chip.geometry.chip_erase is not None
    assert chip.geometry.chip_erase.time == Duration(30.0, 100.0)
    assert (chip.clock_read, chip.clock_fast) == (33e6, 104e6)
    assert chip.supply == (2.7, 3.3)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"page": 128}, "page"),
        ({"program_method": ProgramMethod.BYTE}, "program method"),
        ({"locked_at_power_up": True}, "lock"),
        ({"refused": "other commands"}, "refusal"),
        (
            {
                "erase_types": (replace(SECTOR, opcode=0xD7), replace(BLOCK, opcode=0xDB)),
            },
            "erase",
        ),
        (
            {"regions": (EraseRegion(4 * MIB, (0, 1)), EraseRegion(4 * MIB, (1,)))},
            "erase",
        ),
    ],
)
def test_parts_that_differ_are_not_written(change: dict[str, object], word: str) -> None:
    other = replace(FIRST, name="OTHER", **change)  # type: ignore[arg-type]
    for order in ((FIRST, other), (other, FIRST)):
        chip = identify(heard(sfdp=False), ChipTable(order))
        assert word in chip.write_doubt
        assert "FIRST" in chip.write_doubt
        assert "OTHER" in chip.write_doubt
        assert "--part" in chip.write_doubt


@pytest.mark.parametrize(
    ("change", "left"),
    [
        ({"erase_types": (replace(SECTOR, opcode=0xD7), BLOCK)}, {(65536, 0xD8)}),
        ({"regions": (EraseRegion(8 * MIB, (0,)),)}, {(4096, 0x20)}),
    ],
)
def test_parts_with_one_id_with_other_erases_use_those_they_share(
    change: dict[str, object], left: set[tuple[int, int]]
) -> None:
    other = replace(FIRST, name="OTHER", **change)  # type: ignore[arg-type]
    for order in ((FIRST, other), (other, FIRST)):
        chip = identify(heard(sfdp=False), ChipTable(order))
        assert not chip.write_doubt
        ((_, _, types),) = chip.geometry.spans()
        assert {(kind.size, kind.opcode) for kind in types} == left
        assert any("all of these parts" in note for note in chip.notes)


def test_parts_with_one_id_that_are_all_refused_stay_refused() -> None:
    parts = tuple(replace(part, refused="other commands") for part in (FIRST, SECOND))
    assert identify(heard(), ChipTable(parts)).write_doubt == "other commands"


def test_parts_with_one_id_with_different_chip_erases_have_none() -> None:
    for opcode, time in ((0x60, Duration(1.0, 2.0)), (None, None)):
        other = replace(FIRST, name="OTHER", chip_erase_opcode=opcode, chip_erase=time)
        chip = identify(heard(), ChipTable((FIRST, other)))
        assert chip.geometry.chip_erase is None
        assert not chip.write_doubt


def test_parts_with_one_id_keep_only_what_they_share() -> None:
    other = replace(FIRST, name="OTHER", quad_enable="sr2.1", protection="bp3-tb")
    chip = identify(heard(), ChipTable((replace(FIRST, quad_enable="none"), other)))
    assert chip.quad_enable == "unknown"
    assert set(chip.protection_schemes) == {"bp3-tb", "bp3-tb-sec-cmp"}
    big = replace(
        FIRST,
        id=bytes.fromhex("EF4019"),
        size=32 * MIB,
        regions=(EraseRegion(32 * MIB, (0, 1)),),
        four_byte=(FourByte.OPCODES, FourByte.ENTER),
    )
    less = replace(big, name="LESS", four_byte=(FourByte.ENTER,))
    answers = heard("W25Q256JV", sfdp=False)
    chip = identify(answers, ChipTable((big, less)))
    assert chip.four_byte == (FourByte.ENTER,)
    assert not chip.write_doubt, "4-byte mode is enough for both"


def test_sfdp_tells_namesakes_apart() -> None:
    old, new = replace(THREE, name="OLD", sfdp=False), replace(THREE, name="NEW", sfdp=True)
    table = ChipTable((old, new))
    assert identify(heard(), table).name == "NEW"
    assert identify(heard(sfdp=False), table).name == "OLD"
    assert "SFDP" in identify(heard(), table).how


def test_sfdp_erases_tell_namesakes_apart() -> None:
    """MX25L12805D and MX25L12835F share an ID; 52h, 32 KiB, is the newer one's (data sheets, from
    memory). Where every part lacks something, nothing is concluded."""
    table = ChipTable((FIRST, replace(THREE, name="THREE")))
    assert identify(heard(), table).name == "THREE"
    two = replace(heard(), sfdp=jesd216(8 * MIB, types=(SECTOR_ENTRY, BLOCK_ENTRY)))
    assert identify(two, table).name == "FIRST"
    neither = replace(THREE, name="NEITHER", erase_types=(SECTOR,), regions=WHOLE)
    chip = identify(heard(), ChipTable((FIRST, neither)))
    assert set(chip.candidates) == {"FIRST", "NEITHER"}
    assert any("52h" in note for note in chip.notes)


def test_sfdp_size_tells_namesakes_apart() -> None:
    half = replace(FIRST, name="HALF", size=4 * MIB, regions=(EraseRegion(4 * MIB, (0, 1)),))
    assert identify(heard(), ChipTable((half, FIRST))).name == "FIRST"


def test_extended_id_tells_namesakes_apart() -> None:
    """S25FL128P and S25FL128S share 012018h; 4D0180h is the latter (data sheets)."""
    sectors = replace(FIRST, id=bytes.fromhex("012018"), extended_id=bytes.fromhex("4D0180"))
    older = replace(sectors, name="OLDER", extended_id=bytes.fromhex("0301"))
    assert identify(heard("S25FL128S"), ChipTable((older, sectors))).name == "FIRST"


def test_a_data_sheet_that_is_wrong_about_sfdp_does_not_hide_the_chip() -> None:
    chip = identify(heard(sfdp=False), ChipTable((replace(FIRST, sfdp=True),)))
    assert chip.name == "FIRST"
    assert any("SFDP" in note for note in chip.notes)
    chip = identify(heard(), ChipTable((replace(FIRST, sfdp=False),)))
    assert chip.name == "FIRST"
    assert any("SFDP" in note for note in chip.notes)


# -- contradictions and unlisted chips -------------------------------------------------------------


def test_sfdp_that_contradicts_the_size_is_refused() -> None:
    """A relabelled chip: the ID of 8 MiB, the table of 4 MiB (or the other way round)."""
    answers = replace(heard("W25Q128JV"), id=heard().id)
    with pytest.raises(ChipMismatchError, match="16 MiB") as caught:
        identify(answers, ChipTable((FIRST, SECOND)))
    assert caught.value.state
    assert "--part" in caught.value.remedy
    chip = identify(answers, ChipTable((FIRST, SECOND)), "FIRST")
    assert chip.size == 8 * MIB
    assert any("16 MiB" in note for note in chip.notes)


def test_an_unknown_id_with_sfdp_is_readable_and_doubtful() -> None:
    chip = identify(heard(jedec_id=b"\x99\x88\x77"), ChipTable((FIRST,)))
    assert chip.size == JV.size
    assert chip.geometry.page == 256
    assert chip.write_doubt
    assert chip.part is None
    assert "998877" in chip.name
    # The basic table of this chip names these (JESD216B, 8th and 9th DWORD).
    assert {(k.size, k.opcode) for k in chip.geometry.erase_types} >= {
        (4096, 0x20),
        (65536, 0xD8),
    }
    assert chip.clock_fast <= 20e6


@pytest.mark.parametrize(
    ("name", "ways"),
    [
        ("W25Q256JV", {FourByte.OPCODES, FourByte.ENTER, FourByte.EXTENDED_REGISTER}),
        ("MX25L25645G", {FourByte.OPCODES, FourByte.ENTER, FourByte.EXTENDED_REGISTER}),
    ],
)
def test_an_unknown_id_above_16_mib_takes_its_ways_from_sfdp(
    name: str, ways: set[FourByte]
) -> None:
    """16th DWORD 85h: bit 24 B7h, bit 26 extended register, bit 31 reserved; and a 4-byte
    instruction table (JESD216B)."""
    chip = identify(heard(name, jedec_id=b"\x99\x88\x77"), ChipTable(()))
    assert set(chip.four_byte) == ways
    assert chip.four_byte[0] is FourByte.OPCODES


@pytest.mark.parametrize("size", [4096, 32768, 65536 + 8, 100_000, 8 * MIB - 256, 1 << 33, 1 << 37])
def test_an_unknown_id_whose_sfdp_gives_a_size_that_no_chip_has(size: int) -> None:
    """A density that is wrong or misread is a reason, not an error in this program; nor is a size
    that a person states."""
    sizes = jesd216(8 * MIB)
    start = int.from_bytes(sizes[12:15], "little") + 4
    bits = 8 * size
    density = bits - 1 if bits <= 1 << 31 else 1 << 31 | bits.bit_length() - 1
    raw = sizes[:start] + density.to_bytes(4, "little") + sizes[start + 4 :]
    answers = replace(heard(jedec_id=b"\x99\x88\x77"), sfdp=raw)
    with pytest.raises(ChipUnknownError, match="SFDP cannot be used"):
        identify(answers, ChipTable(()))
    assert identify(answers, ChipTable(()), size=8 * MIB).write_doubt
    with pytest.raises(UsageError, match="does not exist"):
        identify(answers, ChipTable(()), size=size)


@pytest.mark.parametrize("raw", [b"", b"SFDP", b"SFDP\x06\x01\x00\xff" + bytes(8), b"\x00" * 64])
def test_an_unknown_id_without_usable_sfdp(raw: bytes) -> None:
    answers = replace(heard(jedec_id=b"\xc8\x88\x77"), sfdp=raw)
    with pytest.raises(ChipUnknownError, match="C8 88 77") as caught:
        identify(answers, ChipTable((FIRST,)))
    assert "GigaDevice" in caught.value.cause  # JEP106: C8h is GigaDevice, bank 1
    assert caught.value.state
    assert "--part" in caught.value.remedy


# -- a person insists --------------------------------------------------------------------------


def test_the_right_part_by_name() -> None:
    other = replace(FIRST, name="OTHER", page=128, aliases=("OTHER-IQ",))
    for name in ("OTHER", "other", "Other-IQ"):
        chip = identify(heard(), ChipTable((FIRST, other)), name)
        assert (chip.name, chip.geometry.page, chip.write_doubt) == ("OTHER", 128, "")
        assert "the name that you gave" in chip.how


def test_an_order_code_of_several_parts_means_the_one_with_this_id() -> None:
    wrong = replace(FIRST, name="WRONG", id=b"\x01\x02\x03", aliases=("X1",))
    right = replace(FIRST, name="RIGHT", aliases=("X1",))
    assert identify(heard(), ChipTable((wrong, right)), "X1").name == "RIGHT"


def test_a_part_with_another_id() -> None:
    wrong = replace(FIRST, name="WRONG", id=b"\x01\x02\x03")
    with pytest.raises(ChipMismatchError, match="01 02 03") as caught:
        identify(heard(), ChipTable((FIRST, wrong)), "WRONG")
    assert "EF 40 17" in caught.value.cause
    assert caught.value.remedy


def test_a_part_that_does_not_exist() -> None:
    with pytest.raises(ChipUnknownError, match="NOPE") as caught:
        identify(heard(), ChipTable((FIRST,)), "NOPE")
    assert "--chips" in caught.value.remedy
    with pytest.raises(ChipUnknownError) as caught:
        identify(heard(), ChipTable((FIRST, SECOND)), "FIR")
    assert "FIRST" in caught.value.remedy


# -- the table that comes along ----------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_every_simulated_chip_is_recognised(name: str) -> None:
    """Size and page of the simulated chip, and among the candidates the erase opcodes it has."""
    description = describe(name)
    chip = identify(heard(name), chip_table())
    assert chip.size == description.size
    assert chip.geometry.page == description.page
    assert not chip.write_doubt or "--part" in chip.write_doubt
    for _, _, kinds in chip.geometry.spans():
        for kind in kinds:
            whole = description.erases[kind.opcode].size
            # What small sectors leave of a block is erased with the opcode of the whole block.
            assert whole == kind.size or (description.overlay is not None and kind.size < whole)
    native = choose_addressing(chip).native and description.fast_read_4_dummy is not None
    wanted = description.fast_read_4_dummy if native else description.fast_read_dummy
    assert ReadStyle(dummy=chip.fast_read_dummy).dummy == wanted


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_no_chip_is_given_less_time_than_its_data_sheet_allows(name: str) -> None:
    description = describe(name)
    chip = identify(heard(name), chip_table())
    if chip.write_doubt:
        return
    for kind in chip.geometry.erase_types:
        assert kind.time.maximum >= description.erases[kind.opcode].time.maximum * 0.999
    assert chip.geometry.program.maximum >= description.program.maximum * 0.999
    if chip.geometry.chip_erase is not None:
        assert chip.geometry.chip_erase.time.maximum >= description.chip_erase.maximum * 0.999


def test_the_two_mx25l256_are_never_confused() -> None:
    """C22019h is the MX25L25635E, with B7h/E9h only, and the 25635F, with 4-byte opcodes; both
    have SFDP (data sheets). A guess would send the first opcodes it ignores."""
    chip = identify(heard("MX25L25635E"), chip_table())
    assert set(chip.candidates) == {"MX25L25635E", "MX25L25635F"}
    assert chip.four_byte == (FourByte.ENTER,)
    assert not chip.write_doubt, "4-byte mode is enough for both"
    named = identify(heard("MX25L25635E"), chip_table(), "MX25L25635E")
    assert named.four_byte == (FourByte.ENTER,)
    assert not named.write_doubt


# -- what an erase could reach -----------------------------------------------------------------


def test_the_largest_erase_is_that_of_the_table_or_of_sfdp() -> None:
    small = replace(FIRST, erase_types=(SECTOR,), regions=WHOLE)
    chip = identify(heard(), ChipTable((small,)), "FIRST")
    assert chip.largest_erase == 65536, "its SFDP lists D8h"
    assert identify(heard(sfdp=False), ChipTable((small,)), "FIRST").largest_erase == 4096


def test_an_erase_may_reach_as_far_as_sfdp_says_of_its_opcode() -> None:
    wrong = EraseType(4096, 0xD8, Duration(0.1, 1.0))
    chip = identify(heard(), ChipTable((replace(FIRST, erase_types=(SECTOR, wrong)),)), "FIRST")
    assert chip.erase_reach(wrong) == 65536
    assert chip.erase_reach(SECTOR) == 4096


def test_erases_of_every_part_that_it_may_be_count() -> None:
    large = EraseType(262144, 0xD8, Duration(0.5, 2.0))
    other = replace(SECOND, erase_types=(SECTOR, large), regions=(EraseRegion(8 * MIB, (0, 1)),))
    chip = identify(heard(sfdp=False), ChipTable((FIRST, other)))
    assert chip.candidates == ("FIRST", "SECOND")
    assert chip.largest_erase == 262144
    assert chip.erase_reach(BLOCK) == 262144


# -- clones and sizes that disagree --------------------------------------------------------------


def test_the_clone_whose_sfdp_gives_an_eighth_of_its_size_is_known() -> None:
    """ZD25Q128C (winbond.c of Linux 6.12, w25q128_post_bfpt_fixups)."""
    chip = identify(heard("ZD25Q128C"), chip_table())
    assert chip.name == "ZD25Q128C"
    assert chip.size == 16 * MIB
    assert not chip.status_write_volatile


def test_a_stated_size_does_not_pick_one_of_several_parts() -> None:
    small = replace(heard("W25Q128JV"), sfdp=jesd216(4 * MIB))
    table = chip_table()
    with pytest.raises(ChipMismatchError, match="SFDP"):
        identify(small, table)
    chip = identify(small, table, size=16 * MIB)
    kin = {part.name for part in table.by_id(small.id)}
    assert len(kin) > 3
    assert set(chip.candidates) == kin
    assert chip.part is None
    assert "SFDP gives 4 MiB" in chip.write_doubt
    assert not chip.status_write_volatile, "not of all of them"


def test_the_old_gd25q256_is_told_by_the_revision_of_its_sfdp() -> None:
    """gigadevice.c of Linux 6.12, gd25q256_post_bfpt: 1.0 has QE in bit 6 of SR1, where the
    later ones have TB."""
    old = identify(heard("GD25Q256C"), chip_table())
    assert old.name == "GD25Q256C"
    assert old.quad_enable == "sr1.6"
    assert old.protection_schemes == ("bp-sr1",)
    unknown = identify(heard("GD25Q256C", sfdp=False), chip_table())
    assert set(unknown.protection_schemes) == {"bp-sr1", "bp4-tb"}


def test_one_bit_under_two_names_is_no_objection() -> None:
    spansion = replace(THREE, quad_enable="cr1.1")
    chip = identify(heard(), ChipTable((spansion,)))
    assert not any("QE" in note for note in chip.notes)


def test_no_limit_is_below_the_one_of_sfdp() -> None:
    """The table's 64 KiB in 0.2 s at most against SFDP's own figure."""
    hasty = replace(
        THREE,
        erase_types=tuple(replace(e, time=Duration(0.05, 0.2)) for e in THREE.erase_types),
        program=Duration(1e-4, 2e-4),
        chip_erase=Duration(1.0, 2.0),
    )
    chip = identify(heard(), ChipTable((hasty,)))
    assert chip.sfdp is not None
    for erase in chip.sfdp.basic.erases:
        assert erase.time is not None
        mine = next(k for k in chip.geometry.erase_types if k.opcode == erase.opcode)
        assert mine.time.maximum >= erase.time.maximum
        assert mine.time.typical == 0.05
    assert chip.sfdp.basic.page_program is not None
    assert chip.geometry.program.maximum >= chip.sfdp.basic.page_program.maximum
    assert chip.geometry.chip_erase is not None
    assert chip.sfdp.basic.chip_erase is not None
    assert chip.geometry.chip_erase.time.maximum >= chip.sfdp.basic.chip_erase.maximum


def test_an_erase_whose_size_is_disputed_is_not_used_where_others_work() -> None:
    """The table calls D8h an erase of 16 KiB, the chip's SFDP one of 64 KiB."""
    wrong = replace(
        FIRST,
        erase_types=(SECTOR, EraseType(16384, 0xD8, Duration(0.1, 1.0))),
        regions=(EraseRegion(8 * MIB, (0, 1)),),
    )
    chip = identify(heard(), ChipTable((wrong,)), "FIRST")
    ((_, _, kinds),) = chip.geometry.spans()
    assert [kind.size for kind in kinds] == [4096]
    assert any("64 KiB by SFDP" in note and "not used" in note for note in chip.notes)
    only = replace(wrong, regions=(EraseRegion(8 * MIB, (1,)),))
    chip = identify(heard(), ChipTable((only,)), "FIRST")
    ((_, _, kinds),) = chip.geometry.spans()
    assert [kind.size for kind in kinds] == [16384]
    assert chip.erase_reach(kinds[0]) == 65536
    assert any("no other erase" in note for note in chip.notes)


@pytest.mark.parametrize(("name", "opcodes"), [("W25Q256FV", False), ("W25Q256JV", True)])
def test_generations_of_the_w25q256_are_told_by_the_revision_of_their_sfdp(
    name: str, opcodes: bool
) -> None:
    """winbond.c of Linux 6.12, w25q256_post_bfpt_fixups: only the JV has 4-byte opcodes."""
    chip = identify(heard(name), chip_table())
    assert chip.name == name
    assert (FourByte.OPCODES in chip.four_byte) == opcodes
