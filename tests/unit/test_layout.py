"""Layouts: the kernel argument's grammar, layout files, regions and how full they are."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hwmocks.boards.heron import FLASH_SIZE, PARTITIONS, heron_factory, heron_open, heron_variant
from spiflash.dump.audit import survey
from spiflash.dump.coverage import occupancy
from spiflash.dump.finding import TreeFacts
from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.layout import Layout, Region, Role, layout_text, read_layout
from spiflash.dump.layout.find import find_layouts, parse_mtdparts
from spiflash.errors import LayoutError

K = 1 << 10


def parts(text: str, size: int = 1 << 23) -> list[tuple[str, int, int]]:
    (table,) = parse_mtdparts(text, size)
    return [(each.name, each.start, each.length) for each in table.partitions]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("spi0.0:256k(a),-(b)", [("a", 0, 256 * K), ("b", 256 * K, (1 << 23) - 256 * K)]),
        ("x:0x10000(a)ro,64k@1m(b),010(c)",
         [("a", 0, 65536), ("b", 1 << 20, 65536), ("c", (1 << 20) + 65536, 8)]),
        ("x:1m,2m", [("Partition_000", 0, 1 << 20), ("Partition_001", 1 << 20, 2 << 20)]),
        ("1c68000.spi:flash:64k(a)", [("a", 0, 65536)]),
        ("x:64k(a),nonsense", [("a", 0, 65536)]),
    ],
)  # fmt: skip
def test_the_kernel_argument(text: str, expected: list[tuple[str, int, int]]) -> None:
    """Examples of the grammar in drivers/mtd/parsers/cmdlinepart.c, from memory."""
    assert parts(text) == expected


def test_several_flashes_in_one_argument() -> None:
    found = parse_mtdparts("nor:64k(a);nand:128k(b),-(c)", 1 << 20)
    assert [(each.flash, len(each.partitions)) for each in found] == [("nor", 1), ("nand", 2)]


@given(st.text(alphabet="0123456789kmx@()-,:;abr", max_size=60))
def test_any_argument_ends(text: str) -> None:
    for table in parse_mtdparts(text, 1 << 20):
        assert all(each.length >= 0 and each.start >= 0 for each in table.partitions)


WORDS = st.sampled_from([1, 2, 3, 4, 9, 0, 0x61000000, 0x61620000, 8]).map(
    lambda word: word.to_bytes(4, "big")
)


@given(st.lists(WORDS, min_size=4, max_size=60).map(b"".join))
def test_any_tree_ends(block: bytes) -> None:
    """A header that is correct before tokens, names and lengths in any order."""
    size = 56 + len(block)
    head = struct.pack(">10I", 0xD00DFEED, size, 56, 56, 40, 17, 16, 0, len(block), len(block))
    for found in find_device_trees(head + bytes(16) + block):
        assert (found.start, found.end) == (0, size)
        assert isinstance(found.facts, TreeFacts)


def test_a_made_up_tree_is_read() -> None:
    """So that the test above cannot pass by refusing everything."""
    block = struct.pack(">4I", 1, 0x61000000, 2, 9)
    size = 56 + len(block)
    head = struct.pack(">10I", 0xD00DFEED, size, 56, 56, 40, 17, 16, 0, len(block), len(block))
    assert len(list(find_device_trees(head + bytes(16) + block))) == 1


@pytest.mark.parametrize("contents", [heron_factory(), heron_open(), heron_variant(9)])
def test_the_demo_board_is_laid_out_as_its_makers_say(contents: bytes) -> None:
    layout = find_layouts(contents, survey(contents))[0].layout
    found = [(each.name, each.start, each.length) for each in layout.regions]
    assert found == [(each.name, each.start, each.size) for each in PARTITIONS]
    assert [each.name for each in layout.kept] == ["factory"]
    assert layout.gaps == ()
    assert "environment at 040000h" in layout.source


def test_without_a_table_the_findings_suggest_one() -> None:
    contents = bytearray(heron_factory())
    contents[0x40000:0x50000] = b"\xff" * 0x10000
    (known,) = find_layouts(bytes(contents), survey(bytes(contents)))
    starts = {each.start: each.role for each in known.layout.regions}
    assert known.at is None
    assert starts[0] is Role.BOOT
    assert starts[0x70000] is Role.KERNEL
    assert starts[0x200000] is Role.ROOT
    assert starts[0x400000] is Role.DATA


def test_a_table_for_a_larger_flash_comes_last_and_says_so() -> None:
    contents = b"mtdparts=big:4m(a),28m(b)\0mtdparts=right:1m(c),-(d)\0".ljust(2 << 20, b"\xff")
    known = find_layouts(contents, ())
    assert [each.name for each in known[0].layout.regions] == ["c", "d"]
    assert known[0].remarks == ()
    assert "b" in known[1].remarks[0]


def test_enclosing_partitions_become_groups() -> None:
    contents = b"mtdparts=x:256k(boot),512k(kernel),256k(root),768k@256k(firmware)\0"
    layout = find_layouts(contents.ljust(1 << 20, b"\xff"), ())[0].layout
    assert [each.name for each in layout.regions] == ["boot", "kernel", "root"]
    assert layout.region("firmware").length == 768 * K


def test_occupancy_adds_up_and_knows_padding() -> None:
    contents = heron_factory()
    findings = survey(contents)
    layout = find_layouts(contents, findings)[0].layout
    by_name = {each.region.name: each for each in occupancy(contents, findings, layout)}
    assert all(each.used + each.free == each.region.length for each in by_name.values())
    # The environment is padded with FFh up to 64 KiB, all of it under its checksum.
    assert (by_name["env"].used, by_name["env"].room) == (0x10000, 0)
    assert by_name["spare"].used == 0
    kernel = contents[0x70000:0x200000].rstrip(b"\xff")
    assert by_name["kernel"].used == -(-len(kernel) // 4096) * 4096
    assert any("Kernel" in title for title in by_name["kernel"].contents)


def test_regions_are_found_by_name_and_address() -> None:
    layout = Layout(1 << 20, (Region("a", 0, 4096), Region("b", 8192, 4096, Role.OWN, True)))
    assert layout.region("b").start == 8192
    assert [layout.at(address) for address in (0, 4095, 4096, 8191, 12288)] == [
        layout.regions[0], layout.regions[0], None, None, None]  # fmt: skip
    assert layout.at(8192) == layout.regions[1]
    assert layout.gaps == ((4096, 8192), (12288, 1 << 20))
    with pytest.raises(LayoutError, match=r"no region “c”") as caught:
        layout.region("c")
    assert "a, b" in str(caught.value)


def test_a_layout_cannot_overlap() -> None:
    with pytest.raises(ValueError, match="begins before"):
        Layout(8192, (Region("a", 0, 4097), Region("b", 4096, 4096)))
    with pytest.raises(ValueError, match="is not within"):
        Layout(8192, (Region("a", 4096, 4097),))
    with pytest.raises(ValueError, match="same name"):
        Layout(8192, (Region("a", 0, 1), Region("a", 1, 1)))


def test_a_saved_layout_reads_back() -> None:
    contents = heron_factory()
    layout = find_layouts(contents, survey(contents))[0].layout
    assert read_layout(layout_text(layout), "x") == layout
    odd = Layout(FLASH_SIZE, (), (Region("all", 0, 9),), 'a "b" \\ \n \x1b é 😀')
    assert read_layout(layout_text(odd), "x") == odd


GOOD = """layout = 1
size = "1M"

[[region]]
name = "boot"
start = 0
length = "64K"

[[region]]
name = "factory"
start = 0x10000
length = 4096
role = "own"
"""


def test_a_layout_by_hand() -> None:
    layout = read_layout(GOOD, "mine.toml")
    assert layout.size == 1 << 20
    assert layout.region("boot") == Region("boot", 0, 65536)
    assert layout.region("factory").keep


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("layout = 1", "layout = 2", 1, "layout = 1"),
        ("layout = 1\n", "", 1, "layout = 1"),
        ('size = "1M"', 'size = "1T"', 2, "number of bytes"),
        ('size = "1M"', "size = true", 2, "number of bytes"),
        ("start = 0x10000", "start = 0xf000", 9, "factory overlaps boot"),
        ("length = 4096", "length = 0", 12, "must not be 0"),
        ("length = 4096", "length = -1", 12, "number of bytes"),
        ("length = 4096", 'length = "8M"', 12, "after the end of the flash"),
        ('name = "factory"', 'name = "boot"', 9, "used twice"),
        ('name = "factory"', 'name = "a b"', 10, "name must have 1 to 64"),
        ('role = "own"', 'role = "mine"', 13, "unknown role"),
        ('role = "own"', 'keep = "yes"', 13, "true or false"),
        ('role = "own"', "colour = 3", 13, "unknown key"),
        ('role = "own"', "role = ", 13, "not valid TOML"),
        ('name = "boot"', 'name = """boot"""', 5, "on one line"),
        ("[[region]]\nname = \"boot\"", "[region]\nname = \"boot\"", 9, "not valid TOML"),
    ],
)  # fmt: skip
def test_errors_name_file_and_line(old: str, new: str, line: int, words: str) -> None:
    assert old in GOOD
    with pytest.raises(LayoutError) as caught:
        read_layout(GOOD.replace(old, new, 1), "mine.toml")
    assert caught.value.cause.startswith(f"mine.toml, line {line}: ")
    assert words in caught.value.cause


@pytest.mark.parametrize("opening", ["[", "{a=", "a."])
def test_nesting_without_end(opening: str) -> None:
    assert _outcome("a = " + opening * 100_000).startswith("x, line 1: ")


@given(st.text(max_size=200))
def test_any_text_is_a_layout_or_an_error(text: str) -> None:
    assert _outcome(text).startswith(("a layout", "x, line "))


def _outcome(text: str) -> str:
    try:
        return f"a layout of {read_layout(text, 'x').size} bytes"
    except LayoutError as error:
        return error.cause


@pytest.mark.parametrize(
    "text",
    [
        "mtdparts=gpmi-nand:1m(nboot),15m(nroot);spi0.0:256k(boot),64k(env),-(rest)",
        "mtdparts=spi0.0:256k(boot),64k(env),-(rest);spi-nand0:1m(nboot),15m(nroot)",
        "mtdparts=nand0:4m(nboot),-(nroot);nor0:256k(boot),64k(env),-(rest)",
    ],
)
def test_of_several_flashes_the_spi_nor_is_taken(text: str) -> None:
    contents = (b"\xff" * 0x1000 + text.encode() + b"\0").ljust(16 << 20, b"\xff")
    first = find_layouts(contents, ())[0].layout
    assert [each.name for each in first.regions] == ["boot", "env", "rest"]
