"""Job files: what they mean, and each mistake with its line; proving a job without a board."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from unittest import mock

import pytest

from spiflash.archive.ledger import After, InHand, Ledger
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.ledger.values import LONGEST, Counted, Identity
from spiflash.errors import CloneJobError
from spiflash.jobs.clone import Job
from spiflash.jobs.clone.job_file import load_job
from spiflash.jobs.clone.target import NotTheBoardsOwnError, check_job, find_kept, make_target
from spiflash.nor.identify import chip_table

SIZE = 64 << 10
MASTER = "00:00:5e:00:53:17"

GOOD = """clone = 1
name = "small"
image = "image.bin"
chips = ["W25Q64JV"]
boards = 3
label = "{serial}"

[[keep]]
name = "factory"
start = 0x4000
length = "4K"

[[environment]]
start = 0x2000
length = 0x1000
keep = ["location"]

[[value]]
name = "mac"
kind = "mac"
first = "00:00:5e:00:53:80"
last = "00-00-5E-00-53-83"
variable = "ethaddr"
at = 0x6000

[[value]]
name = "serial"
pattern = "HG-####"
first = 7
last = 11
variable = "serial#"
at = 0x6010
length = 12
fill = 0xFF
sum = "CRC-16/XMODEM"
sum_at = 0x6020
sum_start = 0x6000
sum_length = 0x20
sum_order = "big"

[failure]
contact = "again"
adapter = "hold"
"""


def environment(**variables: str) -> bytes:
    text = b"".join(f"{n.replace('_', '#')}={v}\0".encode() for n, v in variables.items())
    body = (text + b"\0").ljust(0x1000 - 4, b"\xff")
    return struct.pack("<I", zlib.crc32(body)) + body


def image(**more: str) -> bytes:
    contents = bytearray(b"\xff" * SIZE)
    variables = {"bootcmd": "run x", "baudrate": "115200", "ethaddr": MASTER, "serial_": "HG-0017"}
    contents[0x2000:0x3000] = environment(**{**variables, "location": "weir", **more})
    contents[0x4000:0x4020] = b"factory data of the master board"
    return bytes(contents)


def job_from(folder: Path, text: str = GOOD, contents: bytes | None = None) -> Job:
    (folder / "image.bin").write_bytes(image() if contents is None else contents)
    (folder / "job.toml").write_text(text)
    return load_job(folder / "job.toml")


def problems(job: Job, ledger: Ledger | None = None) -> list[tuple[int, str]]:
    return [(each.line, each.text) for each in check_job(job, chip_table(), ledger).problems]


def test_a_job_says_what_every_board_gets(tmp_path: Path) -> None:
    job = job_from(tmp_path)
    assert [list(rule.texts) for rule in job.values] == [
        ["00:00:5e:00:53:80", "00:00:5e:00:53:81", "00:00:5e:00:53:82", "00:00:5e:00:53:83"],
        ["HG-0007", "HG-0008", "HG-0009", "HG-0010", "HG-0011"],
    ]
    assert (job.action("contact"), job.action("adapter"), job.action("read")) == (
        "again", "hold", "next",
    )  # fmt: skip
    assert job.label_for({"serial": "HG-0007", "mac": "x"}) == "HG-0007"
    assert job.label_for({}) == ""
    assert check_job(job, chip_table()).sound


def test_a_boards_contents_are_put_together_as_the_job_says(tmp_path: Path) -> None:
    """Every byte, computed here."""
    job = job_from(tmp_path)
    own = bytearray(b"\x5a" * (SIZE + 0x100))
    own[0x2000:0x3000] = environment(location="ford", ethaddr="00:00:5e:00:53:01")
    values = {"mac": "00:00:5e:00:53:81", "serial": "HG-0008"}
    wanted = bytearray(image() + b"\x5a" * 0x100)
    wanted[0x2000:0x3000] = environment(
        bootcmd="run x", baudrate="115200", ethaddr=values["mac"], serial_="HG-0008",
        location="ford",
    )  # fmt: skip
    wanted[0x4000:0x5000] = b"\x5a" * 0x1000
    wanted[0x6000:0x6006] = bytes.fromhex("00005e005381")
    wanted[0x6010:0x601C] = b"HG-0008" + b"\xff" * 5
    # binascii.crc_hqx from zero is CRC-16/XMODEM (Python's documentation: CRC-CCITT, 1021h).
    import binascii

    wanted[0x6020:0x6022] = binascii.crc_hqx(bytes(wanted[0x6000:0x6020]), 0).to_bytes(2, "big")
    assert make_target(job, bytes(own), values) == wanted


def test_an_address_behind_the_image_is_the_boards_and_given_to_no_other(tmp_path: Path) -> None:
    own = bytearray(image() + b"\xff" * 0x1000)
    own[SIZE + 0x100 : SIZE + 0x106] = bytes.fromhex("00005e005382")
    found = find_kept(job_from(tmp_path), bytes(own))
    assert Identity.of("mac", "00:00:5e:00:53:82") in found.weak


def test_no_address_is_guessed_that_all_boards_of_a_kind_would_have(tmp_path: Path) -> None:
    """Where the last byte of an address is a letter or a digit, it reads like the beginning of the
    serial number after it, and six bytes before that like an address."""
    job = job_from(tmp_path)
    for last in range(256):
        own = bytearray(image(ethaddr=f"00:00:5e:00:53:{last:02x}", serial_=f"HG-2019-{last:04d}"))
        block = b"HERONFAC\x00\x01\x00\x00\x5e\x00\x53" + bytes([last])
        block += f"HG-2019-{last:04d}".encode()
        own[0x4000:0x4020] = block.ljust(0x20, b"\0")
        wanted = {
            Identity.of("mac", f"00:00:5e:00:53:{last:02x}"),
            Identity.of("text", f"HG-2019-{last:04d}"),
        }
        assert find_kept(job, bytes(own)).identities == wanted


def test_what_is_too_long_for_the_ledger_is_no_serial_number(tmp_path: Path) -> None:
    """PostgreSQL would refuse the key, and with it every board."""
    long = "S" * (LONGEST + 1)
    own = bytearray(image(serial_=long))
    own[0x4100 : 0x4100 + len(long)] = long.encode()
    found = find_kept(job_from(tmp_path), bytes(own))
    assert [each for each in found.identities | found.weak if len(each.text) > LONGEST] == []
    own = bytearray(image(serial_=long[2:]))
    own[0x4100 : 0x4100 + len(long)] = long.encode()
    assert Identity.of("text", long[2:]) in find_kept(job_from(tmp_path), bytes(own)).identities


def test_a_board_without_what_it_is_to_keep_is_refused(tmp_path: Path) -> None:
    job = job_from(tmp_path)
    values = {"mac": "00:00:5e:00:53:81", "serial": "HG-0008"}
    own = bytearray(image())
    own[0x4000:0x5000] = b"\xff" * 0x1000
    with pytest.raises(NotTheBoardsOwnError, match="factory 004000h–004FFFh is blank"):
        make_target(job, bytes(own), values)
    own[0x4000] = 1
    own[0x2000:0x3000] = environment(bootcmd="x")
    with pytest.raises(NotTheBoardsOwnError, match="no variable location"):
        make_target(job, bytes(own), values)
    own[0x2000] ^= 1
    with pytest.raises(NotTheBoardsOwnError, match="cannot be read"):
        make_target(job, bytes(own), values)


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("clone = 1", "clone = 2", 1, "clone = 1"),
        ('name = "small"', "name = 5", 2, "name must be a text"),
        ('chips = ["W25Q64JV"]', "chips = []", 4, "chips must list"),
        ("boards = 3", "boards = -1", 5, "boards must be a number"),
        ("boards = 3", "boxes = 3", 5, "unknown key"),
        ('length = "4K"', 'length = "4Q"', 11, "number of bytes"),
        ('length = "4K"', "length = 0", 11, "the range is empty"),
        ("start = 0x4000", 'region = "factory"', 10, "needs a layout"),
        ('keep = ["location"]', "keep = [1]", 16, "list of texts"),
        ('kind = "mac"', 'kind = "ip"', 20, "kind must be one of mac, hex, text"),
        ("00:00:5e:00:53:80", "00:00:5e:00:53", 21, "not a MAC address"),
        ("00:00:5e:00:53:80", "01:00:5e:00:53:80", 21, "group address"),
        ("00-00-5E-00-53-83", "00-00-5E-00-53-03", 21, "last is before first"),
        ("HG-####", "HG-#-##", 29, "one group of #"),
        ("last = 11", "last = 12345", 29, "more digits"),
        ("length = 12", "length = 6", 33, "a value has 7 bytes"),
        ("CRC-16/XMODEM", "CRC-5", 35, "sum must be one of"),
        ("sum_at = 0x6020", "sum_at = 0x601F", 36, "inside the range that it covers"),
        ('contact = "again"', 'contact = "repeat"', 42, "contact must be one of next"),
        ('contact = "again"', 'contract = "again"', 42, "unknown key"),
        ("boards = 3", "boards = = 3", 5, "not valid TOML"),
    ],
)
def test_each_mistake_is_named_with_its_line(
    tmp_path: Path, old: str, new: str, line: int, words: str
) -> None:
    assert GOOD.count(old) == 1
    with pytest.raises(CloneJobError) as caught:
        job_from(tmp_path, GOOD.replace(old, new))
    assert f"job.toml, line {line}: " in caught.value.cause
    assert words in caught.value.cause


def test_brackets_without_end_are_refused(tmp_path: Path) -> None:
    with pytest.raises(CloneJobError, match="nested too deeply"):
        job_from(tmp_path, "x = " + "[" * 100_000 + "\n" + GOOD)


def test_mistakes_in_a_list_are_named_with_their_line(tmp_path: Path) -> None:
    text = GOOD.replace('first = "00:00:5e:00:53:80"\nlast = "00-00-5E-00-53-83"', 'list = "l"')
    macs = ["# printed on the stickers", "00:00:5E:00:53:90", "", "00:00:5e:00:53:91"]
    for extra, words in (
        ("00-00-5e-00-53-90", "line 5: 00:00:5e:00:53:90 is already on line 2"),
        ("no", "line 5"),
    ):
        (tmp_path / "l").write_text("\n".join([*macs, extra]))
        with pytest.raises(CloneJobError, match=words):
            job_from(tmp_path, text)
    (tmp_path / "l").write_text("\n".join(macs))
    assert list(job_from(tmp_path, text).values[0].texts) == [
        "00:00:5e:00:53:90",
        "00:00:5e:00:53:91",
    ]


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("at = 0x6000", "at = 0xFFFE", 24, "after the end of the image"),
        ("at = 0x6000\n", "at = 0x4ffc\n", 24, "overlaps factory"),
        ("at = 0x6010", "at = 0x6004", 32, "overlaps mac"),
        ("start = 0x2000", "start = 0x2800", 13, "fails its checksum"),
        ('["W25Q64JV"]', '["W25Q63JV"]', 1, "no part W25Q63JV"),
        ("boards = 3", "boards = 5", 18, "5 boards left to make, but the lists have"),
        ('label = "{serial}"', 'label = "{colour}"', 1, "“colour”"),
        ("first = 7", "first = 17", 26, "master's own HG-0017"),
    ],
)
def test_what_does_not_suit_the_image_is_a_problem(
    tmp_path: Path, old: str, new: str, line: int, words: str
) -> None:
    assert GOOD.count(old) == 1
    text = GOOD.replace(old, new).replace("last = 11", "last = 21")
    found = problems(job_from(tmp_path, text))
    assert any(at == line and words in text for at, text in found), found


def test_variables_that_do_not_fit_are_a_problem(tmp_path: Path) -> None:
    used = len(image()[0x2004:0x3000].rstrip(b"\xff"))
    nearly = image(filler="x" * (0x1000 - 4 - used - len("filler=\0") - 2))
    assert problems(job_from(tmp_path, GOOD, nearly)) == []
    # Four digits more than the master's serial number, where two bytes are left.
    ((line, text),) = problems(job_from(tmp_path, GOOD.replace("####", "########"), nearly))
    assert (line, "need 4,094 bytes, the environment has room for 4,092" in text) == (13, True)


def test_the_masters_identity_is_not_cloned_unless_that_is_said(tmp_path: Path) -> None:
    without = GOOD.replace('variable = "ethaddr"\n', "")
    ((_, text),) = problems(job_from(tmp_path, without))
    assert f"the master's MAC address {MASTER}" in text
    shared = without.replace("boards = 3", f'boards = 3\nshared = ["{MASTER.upper()}"]')
    assert problems(job_from(tmp_path, shared)) == []
    without = GOOD.replace('variable = "serial#"\n', "")
    ((_, text),) = problems(job_from(tmp_path, without))
    assert "serial number HG-0017" in text


def test_a_mac_in_two_lists_is_a_problem(tmp_path: Path) -> None:
    more = '\n[[value]]\nname = "wifi"\nkind = "mac"\nfirst = "00:00:5e:00:53:82"\n'
    more += 'last = "00:00:5e:00:53:86"\nvariable = "wifiaddr"\n\n[failure]'
    found = problems(job_from(tmp_path, GOOD.replace("\n[failure]", more)))
    assert [text for _, text in found] == ["00:00:5e:00:53:82 is also in the list of mac"]


def test_values_that_boards_have_already_do_not_count(tmp_path: Path) -> None:
    job = job_from(tmp_path)
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for key in "ab":
            values = ledger.draw(
                InHand(key, "other", "b", "ef4017", key, SIZE, "/s", "00" * 32, {}), job.columns
            )
            record = BoardRecord(
                *("2026-05-01T10:00:00+00:00", "2026-05-01T10:00:40+00:00", "other", "", ""),
                *("b", "1", "ft232h", "W25Q64JV", "ef4017", key, key, values, "", "PASS"),
            )
            ledger.append(record, After.KEEP)
        checked = check_job(job, chip_table(), ledger)
        assert (checked.listed, checked.free) == (4, 2)
        assert "3 boards left to make" in checked.problems[0].text


LISTED = GOOD.replace('first = "00:00:5e:00:53:80"\nlast = "00-00-5E-00-53-83"', 'list = "l"')
TEXTS = GOOD.replace('pattern = "HG-####"\nfirst = 7\nlast = 11', 'list = "l"')


@pytest.mark.parametrize(
    ("text", "lines", "words"),
    [
        (LISTED, "00:00:00:00:00:00", "line 1: 00:00:00:00:00:00 is not an address"),
        (LISTED, "00:00:5e:00:53:90\n01:00:5e:00:53:90", "line 2: 01:00:5e:00:53:90 is a group"),
        (LISTED, "ff-ff-ff-ff-ff-ff", "line 1: ff:ff:ff:ff:ff:ff is a group"),
        (LISTED, "0000.5e00.5390\n00:00:5E:00:53:90", "line 2: 00:00:5e:00:53:90 is already"),
        (TEXTS, "Serial Number\nHG-1\nHG-2", "line 1: “Serial Number” looks like a heading"),
        (TEXTS, "serial,mac\nHG-1,00:00:5e:00:53:90", "line 1: it contains “,”"),
        (TEXTS, "HG-1\nHG-2;x", "line 2: it contains “;”"),
        (TEXTS, 'HG-1\n"HG-2"', "line 2: it contains “\"”"),
        (TEXTS, "HG-1\nHG-2  # spare", "line 2: “HG-2  # spare” is not a single value"),
        (TEXTS, "HG-1 # spare", "line 1: “HG-1 # spare” is not a single value"),
        (TEXTS, "HG-1   HG-2", "line 1: “HG-1   HG-2” is not a single value"),
        (TEXTS, "HG-1 00:00:5e:00:53:90", "line 1: “HG-1 00:00:5e:00:53:90” is not a single value"),
        (TEXTS, "HG-1\vHG-2", "line 1: “HG-1"),
        (TEXTS, "HG-1\u2028HG-2", "line 1: “HG-1"),
        (TEXTS, "MAC1\n00:00:5e:00:53:90", "line 1: “MAC1” looks like a heading"),
        (TEXTS.replace('list = ', 'kind = "hex"\nlist = '), "a1b2 c3d4", "“a1b2 c3d4” is not a"),
        (TEXTS, "HG-1\n-- end of roll 2 --", "line 2: “-- end of roll 2 --” is not a single value"),
        (TEXTS, "S/N.:\nHG-1\nHG-2", "line 1: “S/N.:” looks like a heading"),
        (TEXTS, "HG-1\n0:0:5e:0:53:90", "line 2: “0:0:5e:0:53:90” is a MAC address without"),
        (TEXTS, "HG-1\nhg-1", "line 2: hg-1 is already on line 1"),
        (TEXTS, "HG-1\n01:00:5e:00:53:90", "line 2: 01:00:5e:00:53:90 is a group"),
        (TEXTS, "x" * 1025, "line 1: a value has 1025 characters, more than 1024"),
    ],
)  # fmt: skip
def test_what_is_no_list_of_identities_is_refused(
    tmp_path: Path, text: str, lines: str, words: str
) -> None:
    (tmp_path / "l").write_text(lines)
    with pytest.raises(CloneJobError) as caught:
        job_from(tmp_path, text)
    assert words in caught.value.cause


def test_remarks_in_lists_and_what_an_editor_adds_are_no_values(tmp_path: Path) -> None:
    (tmp_path / "l").write_bytes(b"\xef\xbb\xbf#stickers\r\n # roll 2\r\nHG-1\r\n\r\nHG-2\r\n")
    assert list(job_from(tmp_path, TEXTS).values[1].texts) == ["HG-1", "HG-2"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('variable = "serial#"', 'variable = "ethaddr"', "ethaddr is already set by mac"),
        ('keep = ["location"]', 'keep = ["location", "ethaddr"]', "ethaddr is kept here, but set"),
        ("00:00:5e:00:53:80", "00:00:00:00:00:00", "is not an address"),
        ("00-00-5E-00-53-83", "02-00-5E-00-53-83", "more than 1048576 values"),
    ],
)
def test_two_values_for_one_variable_and_impossible_ranges_are_refused(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    assert GOOD.count(old) == 1
    with pytest.raises(CloneJobError) as caught:
        job_from(tmp_path, GOOD.replace(old, new))
    assert words in caught.value.cause


def test_a_job_file_that_is_too_long_is_refused_not_cut(tmp_path: Path) -> None:
    """Cut at a mebibyte it would be a job that keeps less."""
    with pytest.raises(CloneJobError, match="more than the 1,048,576"):
        job_from(tmp_path, GOOD + "#" * (1 << 20))


def test_check_shows_the_ends_of_each_list_and_the_first_label(tmp_path: Path) -> None:
    found = check_job(job_from(tmp_path), chip_table())
    assert found.samples == (
        ("mac", "00:00:5e:00:53:80", "00:00:5e:00:53:83"),
        ("serial", "HG-0007", "HG-0011"),
    )
    assert (found.label, found.sound) == ("HG-0007", True)


def test_a_range_of_a_million_costs_no_more_than_one_of_ten(tmp_path: Path) -> None:
    """Counted by the values that are spelled out: none but a few, whatever the length."""
    text = GOOD.replace("HG-####", "HG-#######").replace("last = 11", "last = 1000006")
    text = text.replace("length = 12", "length = 16").replace("boards = 3", "boards = 4")
    text = text.replace("00:00:5e:00:53:80", "00:00:5e:10:00:00")
    job = job_from(tmp_path, text.replace("00-00-5E-00-53-83", "00-00-5E-1F-00-00"))
    spelled = 0
    real = Counted._at

    def counted(self: Counted, index: int) -> str:
        nonlocal spelled
        spelled += 1
        return real(self, index)

    with mock.patch.object(Counted, "_at", counted), Ledger(tmp_path / "ledger.sqlite") as ledger:
        found = check_job(job, chip_table(), ledger)
        board = InHand("a", "j", "b", "ef4017", "a", SIZE, "/s", "00" * 32, {})
        assert ledger.draw(board, job.columns)["serial"] == "HG-0000007"
    assert (found.listed, found.sound) == (983041, True)
    assert spelled < 100


def test_a_job_file_that_an_editor_marked_as_utf_8_is_read(tmp_path: Path) -> None:
    assert job_from(tmp_path, "\ufeff" + GOOD.replace("\n", "\r\n")).name == job_from(tmp_path).name


def test_a_checksum_over_another_checksum_is_computed_after_it(tmp_path: Path) -> None:
    """`zlib` says what is right. The order in the file is that of drawing, not of computing."""
    more = """
[[value]]
name = "first"
pattern = "A###"
first = 1
last = 9
at = 0x7000
sum = "CRC-32/ISO-HDLC"
sum_at = 0x7010
sum_start = 0x7000
sum_length = {}

[[value]]
name = "second"
pattern = "B###"
first = 1
last = 9
at = 0x7800
sum = "CRC-32/ISO-HDLC"
sum_at = 0x7004
sum_start = 0x7800
sum_length = {}

[failure]"""
    job = job_from(tmp_path, GOOD.replace("\n[failure]", more.format(8, 4)))
    assert problems(job) == []
    values = {rule.name: rule.texts[0] for rule in job.values}
    target = make_target(job, image(), values)
    assert target[0x7004:0x7008] == zlib.crc32(b"B001").to_bytes(4, "little")
    assert target[0x7010:0x7014] == zlib.crc32(target[0x7000:0x7008]).to_bytes(4, "little")
    # The outer one reaches over the inner one, and the inner one over the outer one's place.
    text = more.format(8, 4).replace("sum_start = 0x7800\nsum_length = 4",
                                     "sum_start = 0x7010\nsum_length = 4")  # fmt: skip
    found = problems(job_from(tmp_path, GOOD.replace("\n[failure]", text)))
    assert any("checksums of first and second cover each other" in each for _, each in found), found
