"""Finding parts, on a small table of our own and on the one that comes with the program."""

from __future__ import annotations

import pytest

from chipdb.loader import load_builtin, parse
from chipdb.part import FourByte, Part, ProgramMethod
from chipdb.schemes import PROTECTION_SCHEMES, QUAD_ENABLE_PLACES
from chipdb.table import ChipTable, TableFile

HEAD = """\
vendor = "Example"
[family.one]
page = "256 B"
erase = [{ size = "64 KiB", opcode = 0xD8, ms = [150, 2000] }]
program_ms = [0.4, 3]
supply = [2.7, 3.6]
clock_mhz = { read = 50, fast = 104 }
protection = "none"
quad_enable = "none"
sources = { all = "memory: EX25 data sheet" }
"""


def text_of(*rows: tuple[str, str, str]) -> str:
    text = HEAD
    for name, jedec, extended in rows:
        text += f'[[part]]\nname = "{name}"\naliases = ["{name}-A"]\nfamily = "one"\n'
        text += f'size = "4 MiB"\nid = "{jedec}"\n'
        text += f'extended_id = "{extended}"\n' if extended else ""
    return text


def table_of(*rows: tuple[str, str, str]) -> ChipTable:
    return ChipTable(parse(text_of(*rows), "rows.toml"))


TABLE = table_of(
    ("PLAIN", "12 20 18", ""),
    ("WIDE", "12 20 18", "4D 00"),
    ("WIDER", "12 20 18", "4D 00 80"),
    ("OTHER", "12 20 18", "4D 01"),
    ("LONELY", "12 20 19", "10 44"),
)


def names(parts: tuple[Part, ...]) -> list[str]:
    return [part.name for part in parts]


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        ("122018 4D0080", ["WIDER"]),
        ("122018 4D0081", ["WIDE"]),
        ("122018 4D01FF", ["OTHER"]),
        ("122018 FFFFFF", ["PLAIN"]),
        ("122018", ["PLAIN", "WIDE", "WIDER", "OTHER"]),
        ("122018 4D", ["PLAIN", "WIDE", "WIDER", "OTHER"]),
        ("122018 4D00", ["WIDE"]),
        ("122019 1044", ["LONELY"]),
        ("122019 1045", []),
        ("122017 4D00", []),
        ("1220", []),
        ("", []),
    ],
)
def test_the_longest_matching_extended_id_wins(answer: str, expected: list[str]) -> None:
    assert names(TABLE.by_id(bytes.fromhex(answer))) == expected


def test_names_and_aliases_are_found_in_any_case() -> None:
    assert names(TABLE.by_name(" wide ")) == ["WIDE"]
    assert names(TABLE.by_name("Wide-a")) == ["WIDE"]
    assert TABLE.by_name("wid") == ()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("wide", ["WIDE", "WIDER"]),
        ("example lonely", ["LONELY"]),
        ("12 20 19", ["LONELY"]),
        ("122019", ["LONELY"]),
        ("OTHER-a", ["OTHER"]),
        ("nothing", []),
        ("  ", []),
    ],
)
def test_search_wants_every_word(text: str, expected: list[str]) -> None:
    assert names(TABLE.search(text)) == expected


def test_a_users_part_takes_the_place_of_its_namesake() -> None:
    (own,) = table_of(("plain", "12 20 20", "")).parts
    merged = TABLE.merged([own])
    assert names(merged.parts) == ["WIDE", "WIDER", "OTHER", "LONELY", "plain"]
    assert names(merged.by_name("PLAIN")) == ["plain"]
    assert len(TABLE.parts) == 5


def test_the_builtin_table_is_read_once_and_cannot_be_changed() -> None:
    assert load_builtin() is load_builtin()
    with pytest.raises(AttributeError):
        load_builtin().parts = ()  # type: ignore[misc]


def test_a_file_is_parsed_when_one_of_its_parts_is_looked_for() -> None:
    parsed: list[str] = []

    def file(*rows: tuple[str, str, str]) -> TableFile:
        def parse_counted(text: str) -> tuple[Part, ...]:
            parsed.append(rows[0][0])
            return parse(text, "rows.toml")

        return TableFile(text_of(*rows), parse_counted)

    table = ChipTable(
        files=[
            file(("ONE", "12 20 18", "")),
            file(("TWO", "AB 20 18", ""), ("TEN", "12 20 18", "")),
            file(("SIX", "12 20 19", "")),
        ]
    )
    assert table.by_id(b"\x12\x20\x17") == ()
    assert parsed == []
    assert names(table.by_id(b"\xab\x20\x18")) == ["TWO"]
    assert parsed == ["TWO"]
    assert names(table.by_id(b"\x12\x20\x18")) == ["ONE", "TEN"]
    assert parsed == ["TWO", "ONE"]
    assert names(table.by_name("six-A")) == ["SIX"]
    assert names(table.parts) == ["ONE", "TWO", "TEN", "SIX"]
    assert parsed == ["TWO", "ONE", "SIX"]


@pytest.mark.parametrize("part", load_builtin().parts, ids=lambda part: part.name)
def test_every_builtin_part_is_sound(part: Part) -> None:
    assert part.protection in PROTECTION_SCHEMES
    assert part.quad_enable in QUAD_ENABLE_PLACES
    assert sum(region.length for region in part.regions) == part.size
    assert part.clock_read <= part.clock_fast
    assert load_builtin().by_name(part.name) == (part,)
    for alias in part.aliases:
        assert load_builtin().by_name(alias) == (part,)
    assert part in load_builtin().by_id(part.id + part.extended_id)
    sizes = [erase.size for erase in part.erase_types]
    assert sizes == sorted(set(sizes))
    # A larger erase never takes less time than a smaller one, nor the whole chip less than a block.
    times = [erase.time for erase in part.erase_types]
    assert [t.typical for t in times] == sorted(t.typical for t in times)
    if part.chip_erase is not None and times:
        assert part.chip_erase.typical >= times[-1].typical


# JESD216's 4-byte address instruction table names these; common practice for the 3-byte ones.
WIDE = {0x20: 0x21, 0x52: 0x5C, 0xD8: 0xDC}
# S25FL128L/256L data sheet, from memory: 4HBE is 53h.
WIDE_OF_FL_L = {**WIDE, 0x52: 0x53}


@pytest.mark.parametrize("part", load_builtin().parts, ids=lambda part: part.name)
def test_opcodes_with_four_address_bytes_are_the_standards(part: Part) -> None:
    fl_l = part.name in ("S25FL064L", "S25FL128L", "S25FL256L")
    expected = WIDE_OF_FL_L if fl_l else WIDE
    wide = {e.opcode: e.opcode_4byte for e in part.erase_types if e.opcode_4byte is not None}
    assert wide.items() <= expected.items()
    if FourByte.OPCODES in part.four_byte:
        assert part.program_method is ProgramMethod.PAGE
        assert wide
