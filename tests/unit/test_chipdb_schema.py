"""Broken table files: each is refused with the line that is wrong and a reason that says why."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chipdb.errors import TableError
from chipdb.loader import load_file, parse
from chipdb.part import Duration, FourByte, Part, ProgramMethod, Source

GOOD = """\
vendor = "Example"
[sources]
sheet = "memory: EX25 data sheet"
[family.base]
page = "256 B"
erase = [
  { size = "4 KiB", opcode = 0x20, ms = [45, 400] },
  { size = "64 KiB", opcode = 0xD8, ms = [150, 2000] },
]
program_ms = [0.4, 3]
chip_erase_s_per_mib = [2.5, 12.5]
supply = [2.7, 3.6]
clock_mhz = { read = 50, fast = 104 }
protection = "none"
quad_enable = "sr2.1"
notes = ["of the base"]
sources = { all = "sheet", id = "open-table: a public list" }
[[part]]
name = "EX25Q64"
aliases = ["EX25Q64A"]
family = "base"
id = "12 40 17"
size = "8 MiB"
[[part]]
name = "EX25Q256"
family = "base"
id = "12 40 19"
extended_id = "0A"
size = "32 MiB"
four_byte = ["enter"]
clock_mhz = { fast = 80 }
notes = ["of the part"]
regions = [
  { length = "128 KiB", erases = ["4 KiB", "64 KiB"] },
  { length = "rest", erases = ["64 KiB"] },
]
"""


def line_with(text: str, needle: str) -> int:
    return next(n for n, row in enumerate(text.splitlines(), 1) if needle in row)


def test_a_good_file_says_what_it_means() -> None:
    small, large = parse(GOOD, "good.toml")
    assert (small.name, small.vendor, small.id.hex()) == ("EX25Q64", "Example", "124017")
    assert (small.size, small.page) == (8 * 1024 * 1024, 256)
    assert [(e.size, e.opcode, e.opcode_4byte) for e in small.erase_types] == [
        (4096, 0x20, None),
        (65536, 0xD8, None),
    ]
    assert small.erase_types[1].time == Duration(0.15, 2.0)
    assert small.chip_erase == Duration(20.0, 100.0)
    assert (small.clock_read, small.clock_fast) == (50e6, 104e6)
    assert dict(small.sources)["id"] == Source("open-table", "a public list")
    assert dict(small.sources)["registers"] == Source("memory", "EX25 data sheet")
    assert [(r.length, r.types) for r in small.regions] == [(8 * 1024 * 1024, (0, 1))]
    assert large.extended_id == b"\x0a"
    assert large.four_byte == (FourByte.ENTER,)
    assert (large.clock_read, large.clock_fast) == (50e6, 80e6)
    assert large.notes == ("of the base", "of the part")
    assert [(r.length, r.types) for r in large.regions] == [
        (128 * 1024, (0, 1)),
        (32 * 1024 * 1024 - 128 * 1024, (1,)),
    ]


def test_a_family_upon_a_family_replaces_notes_and_the_rival_of_a_key() -> None:
    text = GOOD.replace(
        "[[part]]\n",
        '[family.next]\nlike = "base"\nchip_erase_s = [1, 2]\nnotes = ["of the next"]\n[[part]]\n',
        1,
    ).replace('aliases = ["EX25Q64A"]\nfamily = "base"', 'family = "next"')
    small = parse(text, "next.toml")[0]
    assert small.chip_erase == Duration(1.0, 2.0)
    assert small.notes == ("of the next",)


def test_the_default_of_every_optional_key_is_the_fields_own() -> None:
    small = parse(GOOD, "good.toml")[0]
    assert small.program_method is ProgramMethod.PAGE
    assert small.chip_erase_opcode == 0xC7
    assert (small.needs_erase, small.sfdp, small.refused) == (True, None, "")


ALIASES = 'aliases = ["EX25Q64A"]'
TWO_RATES = "chip_erase_s = [1, 2]\nchip_erase_s_per_mib = [1, 2]"
SECURITY = 'security = { addresses = [0, 4096], length = "256 B", opcode = 72, dummy = 1 }'

# What is replaced, by what, in which line the flaw is, and a word of the reason.
BROKEN = [
    ('vendor = "Example"', "vendor = 5", "vendor =", "text"),
    ('vendor = "Example"', "", "sources", '"vendor" is missing'),
    ('vendor = "Example"', 'vendor = "Example"\nowner = 1', "owner", "unknown key"),
    ('"memory: EX25 data sheet"', '"hearsay"', "hearsay", "source"),
    ('"memory: EX25 data sheet"', '"rumour: EX25"', "rumour", "source"),
    ('page = "256 B"', 'page = "256"', "page", "size"),
    ('page = "256 B"', "page = 256", "page", "size"),
    ('page = "256 B"', 'page = "0 B"', "page", "size"),
    ('page = "256 B"', 'page = "300 B"', "page", "multiple of the page"),
    ('page = "256 B"', "", "[[part]]", '"page" is missing'),
    ("opcode = 0x20", "opcode = 0x120", "0x120", "whole number"),
    ("opcode = 0x20", "opcode = true", "opcode = true", "whole number"),
    ("opcode = 0x20, ", "", '"4 KiB", ms', '"opcode" is missing'),
    ("opcode = 0x20", "opcode = 0x20, speed = 1", "speed", "unknown key"),
    ("opcode = 0x20", "opcode = 0x20, opcode_4byte = 0x21", "erase = [", "opcode_4byte is given"),
    ("ms = [45, 400]", "ms = [450, 400]", "[450", "typical time is above"),
    ("ms = [45, 400]", "ms = [45]", "[45]", "two times"),
    ("ms = [45, 400]", "ms = 45", "ms = 45", "array"),
    ("ms = [45, 400]", "ms = [0, 400]", "[0, 400]", "above zero"),
    ("ms = [45, 400]", "ms = [inf, inf]", "[inf", "above zero"),
    ("ms = [45, 400]", "ms = [nan, 1]", "[nan", "above zero"),
    ("ms = [45, 400]", 'ms = ["45", 400]', '["45"', "a number"),
    ("ms = [45, 400]", f"ms = [1, 1{'0' * 400}]", "ms = [1, 1000", "above zero"),
    ('size = "64 KiB"', 'size = "4 KiB"', '{ size = "4 KiB", opcode = 0xD8', "smallest first"),
    ('size = "64 KiB"', 'size = "48 KiB"', '"48 KiB"', "does not divide the chip"),
    ("program_ms = [0.4, 3]", "program_ms = [4, 3]", "program_ms", "above the maximum"),
    ("supply = [2.7, 3.6]", "supply = [3.6, 2.7]", "supply", "lowest first"),
    ("supply = [2.7, 3.6]", "supply = [2.7]", "supply", "two voltages"),
    ("supply = [2.7, 3.6]", "supply = [2.7, 36]", "supply", "6.0 V"),
    ("read = 50, ", "", "clock_mhz = { fast = 104", '"read" is missing'),
    ("read = 50", "read = -50", "-50", "above zero"),
    ("read = 50", "slow = 50", "slow", "unknown key"),
    ('protection = "none"', 'protection = "best"', '"best"', "expected one of"),
    ('quad_enable = "sr2.1"', 'quad_enable = "sr9.9"', "sr9.9", "expected one of"),
    ('notes = ["of the base"]', 'notes = "of the base"', "notes =", "array"),
    ('notes = ["of the base"]', 'notes = ["ok", ""]', '["ok"', "text"),
    ('all = "sheet"', 'times = "sheet"', "[[part]]", 'block "size"'),
    ('all = "sheet"', 'speed = "sheet"', "speed", "unknown key"),
    ('name = "EX25Q64"', "", "[[part]]", '"name" is missing'),
    (ALIASES, 'aliases = ["ex25q64"]', "aliases", "already the name"),
    ('name = "EX25Q256"', 'name = "ex25q64a"', '"ex25q64a"', "already the name"),
    ('family = "base"\nid = "12 40 17"', 'family = "bass"\nid = "12 40 17"', "bass", "no family"),
    ('id = "12 40 17"', 'id = "12 40"', '"12 40"', "3 bytes"),
    ('id = "12 40 17"', 'id = "12 40 1g"', "1g", "hexadecimal"),
    ('id = "12 40 17"', "id = 0x124017", "0x124017", "hexadecimal"),
    ('id = "12 40 17"', 'id = "FF FF FF"', "FF FF", "absent chip"),
    ('id = "12 40 17"', 'id = "00 40 17"', "00 40", "absent chip"),
    ('extended_id = "0A"', f'extended_id = "{"0A " * 13}0A"', "0A 0A", "13 bytes"),
    ('size = "8 MiB"', 'size = "8388608"', "8388608", "size"),
    ('size = "8 MiB"', 'size = "9 MiB"', "9 MiB", "power of two"),
    ('size = "8 MiB"', 'size = "8192 MiB"', "8192 MiB", "four address bytes"),
    ('four_byte = ["enter"]', "", '"32 MiB"', "above 16 MiB"),
    ('four_byte = ["enter"]', 'four_byte = ["jump"]', "jump", "expected one of"),
    ('four_byte = ["enter"]', 'four_byte = ["enter", "enter"]', "four_byte", "twice"),
    ('four_byte = ["enter"]', 'four_byte = ["opcodes"]', "four_byte", "no erase type"),
    ('length = "128 KiB"', 'length = "130 KiB"', '"130 KiB"', "does not divide the region"),
    ('length = "128 KiB"', 'length = "rest"', "regions", 'only one region can be "rest"'),
    ('length = "128 KiB"', 'length = "32 MiB"', "regions", "add up"),
    ('length = "rest"', 'length = "64 KiB"', "regions", "add up"),
    ('erases = ["4 KiB", "64 KiB"]', "erases = []", "erases = []", "no erase size"),
    ('erases = ["4 KiB", "64 KiB"]', 'erases = ["8 KiB"]', '["8 KiB"]', "no erase type"),
    ('erases = ["4 KiB", "64 KiB"]', 'erases = ["64 KiB", "4 KiB"]', '["64 KiB", ', "smallest"),
    (ALIASES, TWO_RATES, "chip_erase_s = [1, 2]", "not both"),
    (ALIASES, 'program_method = "page-528"', "page-528", "refused"),
    (ALIASES, "erase = []", "erase = []", "no erase type"),
    (ALIASES, "unique_id = true", "unique_id", "table"),
    (ALIASES, "unique_id = { opcode = 1, dummy = 4 }", "unique_id", "length"),
    (ALIASES, SECURITY.replace("0, 4096", ""), "security", "no address"),
    (ALIASES, SECURITY.replace("4096", "16"), "security", "overlap"),
    (ALIASES, 'sfdp = "yes"', "sfdp", "true or false"),
    (ALIASES, "fast_read_dummy = 17", "fast_read_dummy", "whole number"),
]


@pytest.mark.parametrize(("old", "new", "needle", "word"), BROKEN)
def test_a_flaw_is_reported_with_its_line(
    tmp_path: Path, old: str, new: str, needle: str, word: str
) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    path = tmp_path / "broken.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TableError) as caught:
        load_file(path)
    assert caught.value.file == str(path)
    assert word in caught.value.reason
    # A key that the document lacks altogether has no better place than its first line.
    expected = 1 if "vendor" in old and not new else line_with(text, needle)
    assert caught.value.line == expected
    assert str(caught.value).startswith(f"{path}:{expected}: ")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('vendor = "A"\npart = [', 2),
        ('vendor = "A"\n\nid = 1 2\n', 3),
        ('vendor = "A"\nvendor = "B"\n', 2),
        ("a = [\n" * 3, 2),
        ("a = 2026-13-45\n", 1),
        ("\n\x00 = 1\n", 2),
    ],
)
def test_text_that_is_not_toml_is_refused_with_its_line(text: str, line: int) -> None:
    with pytest.raises(TableError, match="not valid TOML") as caught:
        parse(text, "t.toml")
    assert caught.value.line == line


def test_bytes_that_are_not_utf8_are_refused_with_their_line(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes(b'vendor = "A"\n# caf\xe9\n')
    with pytest.raises(TableError, match="UTF-8") as caught:
        load_file(path)
    assert caught.value.line == 2


def test_deep_nesting_is_refused() -> None:
    with pytest.raises(TableError):
        parse("a = " + "[" * 100_000, "deep.toml")


def parts_or_refusal(text: str) -> tuple[Part, ...] | TableError:
    """What the loader makes of `text`; any error but its own one fails the test."""
    try:
        return parse(text, "any.toml")
    except TableError as error:
        return error


LINES = GOOD.splitlines(keepends=True)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(GOOD) - 1),
            st.integers(0, 6),
            st.text(alphabet='"[]{}=,.#\n 0a-_\\xKMiB\x00é', max_size=6),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_no_edit_of_a_file_gives_another_error(edits: list[tuple[int, int, str]]) -> None:
    text = GOOD
    for start, length, replacement in edits:
        text = text[:start] + replacement + text[start + length :]
    outcome = parts_or_refusal(text)
    if isinstance(outcome, TableError):
        assert 1 <= outcome.line <= text.count("\n") + 1
        assert outcome.reason
    else:
        for part in outcome:
            assert sum(region.length for region in part.regions) == part.size


@settings(max_examples=100, deadline=None)
@given(st.permutations(LINES).map("".join) | st.text(max_size=60))
def test_no_text_gives_another_error(text: str) -> None:
    outcome = parts_or_refusal(text)
    line = outcome.line if isinstance(outcome, TableError) else 1
    assert 1 <= line <= text.count("\n") + 1
