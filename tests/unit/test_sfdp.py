"""The basic table, DWORD by DWORD.

Every DWORD here is put together bit by bit from JESD216F's definitions (from memory of the
standard, section 6.4), by a helper that knows nothing of the parser.
"""

from __future__ import annotations

import pytest

from spiflash.nor.geometry import Duration
from spiflash.nor.sfdp import Sfdp, parse
from spiflash.nor.sfdp.basic import (
    AddressBytes,
    BasicErase,
    BasicFlash,
    EnterFourByte,
    ExitFourByte,
    QuadEnable,
    SoftReset,
    StatusVolatility,
)
from spiflash.nor.sfdp.modes import (
    CommandExtension,
    DeepPowerDown,
    FastRead,
    ModeSwitch,
    OctalMode,
    Suspend,
    TopSpeeds,
)
from tests.unit.sfdp_tables import ERASE_34, FIRST, NINE, ONES, area, put


def basic(*changed: tuple[int, int], length: int = 16) -> BasicFlash:
    """The basic table with some DWORDs (number, value) changed and the rest left blank."""
    return full(*changed, length=length).basic


def full(*changed: tuple[int, int], length: int = 16) -> Sfdp:
    words = [*NINE, *[ONES] * (length - 9)]
    for number, value in changed:
        words[number - 1] = value
    return parse(area((0xFF00, tuple(words[:length])), minor=8 if length > 16 else 6))


# 1st and 2nd DWORD


def test_first_dword() -> None:
    table = basic((1, put((1, 0, 1), (2, 2, 1), (3, 3, 1), (4, 4, 1), (15, 8, 0x21), (19, 19, 1))))
    assert (table.uniform_4k, table.opcode_4k) == (True, 0x21)
    assert (table.buffered, table.volatile_protection, table.dtr) == (True, True, True)
    assert table.volatile_write_enable == 0x06
    table = basic((1, put((1, 0, 3), (15, 8, 0xFF))))
    assert (table.uniform_4k, table.opcode_4k, table.buffered) == (False, None, False)
    assert (table.volatile_protection, table.volatile_write_enable) == (False, 0x50)
    assert table.dtr is False


@pytest.mark.parametrize(
    ("value", "meaning"),
    [
        (0, AddressBytes.THREE),
        (1, AddressBytes.THREE_OR_FOUR),
        (2, AddressBytes.FOUR),
        (3, AddressBytes.RESERVED),
    ],
)
def test_address_bytes(value: int, meaning: AddressBytes) -> None:
    sfdp = full((1, put((18, 17, value), fill=FIRST)))
    assert sfdp.basic.address is meaning
    assert bool(sfdp.anomalies) == (meaning is AddressBytes.RESERVED)


@pytest.mark.parametrize(
    ("dword", "size"),
    [
        (0x003FFFFF, 512 << 10),  # 4 Mbit
        (0x07FFFFFF, 16 << 20),  # 128 Mbit
        (0x7FFFFFFF, 256 << 20),  # 2 Gbit, the most that the first form can say
        (0x80000020, 512 << 20),  # 2^32 bits
        (0x80000021, 1 << 30),
        (0x0017FFFF, 192 << 10),  # not a power of two
    ],
)
def test_density(dword: int, size: int) -> None:
    assert basic((2, dword)).size == size


def test_three_byte_addresses_above_sixteen_mebibytes_are_odd() -> None:
    assert any("above 16 MiB" in note for note in full((2, 0x0FFFFFFF)).anomalies)


# Fast reads: 1st, 3rd to 7th and 17th DWORD

HALF_LOW = ((4, 0), (7, 5), (15, 8))
HALF_HIGH = ((20, 16), (23, 21), (31, 24))


@pytest.mark.parametrize(
    ("support", "number", "half", "lines"),
    [
        ((1, 16), 4, HALF_LOW, (1, 1, 2)),
        ((1, 20), 4, HALF_HIGH, (1, 2, 2)),
        ((5, 0), 6, HALF_HIGH, (2, 2, 2)),
        ((1, 22), 3, HALF_HIGH, (1, 1, 4)),
        ((1, 21), 3, HALF_LOW, (1, 4, 4)),
        ((5, 4), 7, HALF_HIGH, (4, 4, 4)),
        (None, 17, HALF_HIGH, (1, 1, 8)),
        (None, 17, HALF_LOW, (1, 8, 8)),
    ],
)
def test_fast_reads(
    support: tuple[int, int] | None,
    number: int,
    half: tuple[tuple[int, int], ...],
    lines: tuple[int, int, int],
) -> None:
    dummy, mode, opcode = half
    described = put((*dummy, 9), (*mode, 2), (*opcode, 0xEB))
    plain = put((22, 20, 0), (16, 16, 0), fill=FIRST)
    changes = {1: plain, number: described}
    if support is not None:
        where, bit = support
        without = list(changes.items())
        assert basic(*without, length=20).fast_reads == ()
        changes[where] = put((bit, bit, 1), fill=changes.get(where, 0))
    found = basic(*changes.items(), length=20).fast_reads
    assert found == (FastRead(lines, opcode=0xEB, mode=2, dummy=9),)


# 8th to 11th DWORD


def test_erase_types_and_their_times() -> None:
    times = put(
        (3, 0, 3),  # maximum is 2 x (3 + 1) = 8 times the typical time
        (8, 4, 8),
        (10, 9, 1),  # 9 x 16 ms
        (15, 11, 0),
        (17, 16, 2),  # 1 x 128 ms
        (22, 18, 4),
        (24, 23, 0),  # 5 x 1 ms
        (29, 25, 31),
        (31, 30, 3),  # 32 x 1 s
    )
    fourth = put((23, 16, 18), (31, 24, 0xDC), fill=ERASE_34)
    table = basic((9, fourth), (10, times))
    assert table.erases == (
        BasicErase(1, 4096, 0x20, Duration(0.144, 1.152)),
        BasicErase(2, 32768, 0x52, Duration(0.128, 1.024)),
        BasicErase(3, 65536, 0xD8, Duration(0.005, 0.04)),
        BasicErase(4, 262144, 0xDC, Duration(32.0, 256.0)),
    )


def test_erase_types_that_do_not_exist() -> None:
    table = basic((8, put((15, 8, 0x20), (23, 16, 15))), (9, ERASE_34))
    assert [erase.number for erase in table.erases] == [3]
    noise = basic((8, put((7, 0, 41), (15, 8, 0x20))), (9, ERASE_34))
    assert [erase.number for erase in noise.erases] == [3]


@pytest.mark.parametrize("blank", [0, ONES])
def test_blank_times_are_missing_not_zero(blank: int) -> None:
    sfdp = full((10, blank), (11, blank))
    assert all(erase.time is None for erase in sfdp.basic.erases)
    assert (sfdp.basic.page, sfdp.basic.page_program, sfdp.basic.chip_erase) == (None, None, None)
    assert sfdp.missing[:4] == ("page size", "erase times", "program time", "chip erase time")


def test_page_and_program_times() -> None:
    table = basic(
        (10, put((3, 0, 2), fill=0x11111110)),
        (
            11,
            put(
                (3, 0, 1),  # maximum is 4 times the typical time
                (7, 4, 9),  # 512 bytes
                (12, 8, 10),
                (13, 13, 1),  # 11 x 64 us
                (17, 14, 4),
                (18, 18, 1),  # 5 x 8 us
                (22, 19, 2),
                (23, 23, 0),  # 3 x 1 us
                (28, 24, 19),
                (30, 29, 2),  # 20 x 4 s; the maximum by the multiplier of the 10th DWORD
            ),
        ),
    )
    assert table.page == 512
    assert table.page_program == Duration(704e-6, 2816e-6)
    assert table.byte_program_first == Duration(40e-6, 160e-6)
    assert table.byte_program_next == Duration(3e-6, 12e-6)
    assert table.chip_erase == Duration(80.0, 480.0)


@pytest.mark.parametrize(("unit", "seconds"), [(0, 16e-3), (1, 256e-3), (2, 4.0), (3, 64.0)])
def test_chip_erase_units(unit: int, seconds: float) -> None:
    table = basic(
        (10, put((3, 0, 0), (8, 4, 1))), (11, put((7, 4, 8), (28, 24, 0), (30, 29, unit)))
    )
    assert table.chip_erase == Duration(seconds, 2 * seconds)


# 12th to 16th DWORD


def test_suspend() -> None:
    twelfth = put(
        (3, 0, 0xC),
        (7, 4, 0xE),
        (12, 9, 1),  # 2 x 64 us
        (17, 13, 19),
        (19, 18, 1),  # 20 x 1 us
        (23, 20, 7),  # 8 x 64 us
        (28, 24, 3),
        (30, 29, 2),  # 4 x 8 us
        (31, 31, 0),
    )
    thirteenth = put((7, 0, 0x7A), (15, 8, 0x75), (23, 16, 0x30), (31, 24, 0xB0))
    found = basic((12, twelfth), (13, thirteenth)).suspend
    assert found == Suspend(
        prohibited_in_program=0xC,
        prohibited_in_erase=0xE,
        program_resume_to_suspend=128e-6,
        program_latency=20e-6,
        erase_resume_to_suspend=512e-6,
        erase_latency=32e-6,
        program_resume=0x7A,
        program_suspend=0x75,
        resume=0x30,
        suspend=0xB0,
    )
    assert basic((12, put((31, 31, 1), fill=twelfth)), (13, thirteenth)).suspend is None


def test_busy_polling_and_deep_power_down() -> None:
    fourteenth = put(
        (2, 2, 1),
        (3, 3, 0),
        (12, 8, 29),
        (14, 13, 1),  # 30 x 1 us
        (22, 15, 0xAB),
        (30, 23, 0xB9),
        (31, 31, 0),
    )
    table = basic((14, fourteenth))
    assert (table.poll_status_register, table.poll_flag_register) == (True, False)
    assert table.deep_power_down == DeepPowerDown(enter=0xB9, leave=0xAB, wake=30e-6)
    flags = basic((14, put((3, 3, 1), (31, 31, 1))))
    assert (flags.poll_status_register, flags.poll_flag_register) == (False, True)
    assert flags.deep_power_down is None


@pytest.mark.parametrize(
    ("value", "meaning"),
    [
        (0, QuadEnable.NONE),
        (1, QuadEnable.SR2_BIT1_SHORT_WRITE_CLEARS),
        (2, QuadEnable.SR1_BIT6),
        (3, QuadEnable.SR2_BIT7),
        (4, QuadEnable.SR2_BIT1),
        (5, QuadEnable.SR2_BIT1_READABLE),
        (6, QuadEnable.SR2_BIT1_OWN_WRITE),
        (7, QuadEnable.RESERVED),
    ],
)
def test_quad_enable(value: int, meaning: QuadEnable) -> None:
    assert basic((15, put((22, 20, value)))).quad_enable is meaning


def test_fifteenth_dword() -> None:
    table = basic(
        (
            15,
            put((3, 0, 9), (8, 4, 21), (9, 9, 1), (15, 10, 33), (19, 16, 12), (23, 23, 1)),
        )
    )
    assert table.quad == ModeSwitch(
        disable=9, enable=21, continuous=True, continuous_exit=33, continuous_entry=12
    )
    assert table.hold_can_be_disabled is True


@pytest.mark.parametrize(
    ("bit", "meaning"),
    [
        (24, EnterFourByte.B7H),
        (25, EnterFourByte.WREN_B7H),
        (26, EnterFourByte.EXTENDED_REGISTER),
        (27, EnterFourByte.BANK_REGISTER),
        (28, EnterFourByte.CONFIGURATION),
        (29, EnterFourByte.OPCODES),
        (30, EnterFourByte.ALWAYS),
        (31, EnterFourByte(0)),
    ],
)
def test_ways_into_4_byte_addressing(bit: int, meaning: EnterFourByte) -> None:
    table = basic((16, put((bit, bit, 1))))
    assert table.enter_four_byte == meaning
    assert table.exit_four_byte == ExitFourByte(0)


@pytest.mark.parametrize(
    ("bit", "meaning"),
    [
        (14, ExitFourByte.E9H),
        (15, ExitFourByte.WREN_E9H),
        (16, ExitFourByte.EXTENDED_REGISTER),
        (17, ExitFourByte.BANK_REGISTER),
        (18, ExitFourByte.CONFIGURATION),
        (19, ExitFourByte.HARDWARE_RESET),
        (20, ExitFourByte.SOFTWARE_RESET),
        (21, ExitFourByte.POWER_CYCLE),
        (22, ExitFourByte(0)),
        (23, ExitFourByte(0)),
    ],
)
def test_ways_out_of_4_byte_addressing(bit: int, meaning: ExitFourByte) -> None:
    assert basic((16, put((bit, bit, 1)))).exit_four_byte == meaning


def test_4_byte_fields_of_all_ones_say_nothing() -> None:
    table = basic((16, put((13, 13, 0), fill=ONES)))
    assert (table.enter_four_byte, table.exit_four_byte) == (None, None)


@pytest.mark.parametrize(
    ("bit", "meaning"),
    [
        (8, SoftReset.ALL_HIGH_8_CLOCKS),
        (9, SoftReset.ALL_HIGH_10_CLOCKS),
        (10, SoftReset.ALL_HIGH_16_CLOCKS),
        (11, SoftReset.F0H),
        (12, SoftReset.SIXTY_SIX_NINETY_NINE),
        (13, SoftReset.LEAVE_0_4_4_FIRST),
    ],
)
def test_soft_reset(bit: int, meaning: SoftReset) -> None:
    assert basic((16, put((bit, bit, 1)))).soft_reset == meaning


@pytest.mark.parametrize(
    ("bit", "meaning"),
    [
        (0, StatusVolatility.NON_VOLATILE_06H),
        (1, StatusVolatility.VOLATILE_06H),
        (2, StatusVolatility.VOLATILE_50H),
        (3, StatusVolatility.BOTH_06H_AND_50H),
        (4, StatusVolatility.MIXED_06H),
        (5, StatusVolatility(0)),
        (6, StatusVolatility(0)),
    ],
)
def test_status_register_volatility(bit: int, meaning: StatusVolatility) -> None:
    assert basic((16, put((bit, bit, 1)))).status_volatility == meaning


# 17th to 20th DWORD


def test_octal_mode() -> None:
    eighteenth = put(
        (22, 18, 0b10101),
        (23, 23, 1),
        (25, 24, 2),
        (26, 26, 1),
        (27, 27, 0),
        (30, 29, 1),
        (31, 31, 1),
    )
    nineteenth = put((3, 0, 8), (8, 4, 4), (9, 9, 1), (15, 10, 5), (19, 16, 6), (22, 20, 1))
    assert basic((18, eighteenth), (19, nineteenth), length=20).octal == OctalMode(
        drive_strengths=0b10101,
        protocol_reset=True,
        strobe_waveform=2,
        strobe_in_quad=True,
        strobe_in_quad_dtr=False,
        command_extension=CommandExtension.INVERTED,
        byte_pairs_swapped=True,
        switch=ModeSwitch(
            disable=8, enable=4, continuous=True, continuous_exit=5, continuous_entry=6
        ),
        octal_enable=1,
    )


def test_top_speeds() -> None:
    twentieth = put(
        (3, 0, 0x6), (7, 4, 0xF), (11, 8, 0x3), (15, 12, 0xE), (19, 16, 0x7), (23, 20, 0x8),
        (27, 24, 0xF), (31, 28, 0xC),
    )  # fmt: skip
    assert basic((20, twentieth), length=20).speeds == TopSpeeds(
        quad=(133e6, None), quad_dtr=(66e6, None), octal=(166e6, 200e6), octal_dtr=(None, 400e6)
    )


def test_short_table_says_what_it_does_not_say() -> None:
    sfdp = parse(area((0xFF00, NINE), minor=0))
    assert sfdp.missing == (
        "page size",
        "erase times",
        "program time",
        "chip erase time",
        "quad enable",
    )
    assert sfdp.anomalies == ()
    assert sfdp.basic.suspend is None
    assert sfdp.basic.enter_four_byte is None
    assert sfdp.basic.octal is None
