"""How two dumps differ: every way is made on purpose and has to be named."""

from __future__ import annotations

import os
import random
import struct
import zlib

import pytest

from hwmocks.boards.heron import (
    PARTITIONS,
    failed_card_flash,
    heron_factory,
    heron_open,
    heron_variant,
    mac_address,
    serial_number,
)
from spiflash.dump.compare import Comparison, Says, compare
from spiflash.dump.differences import How
from spiflash.report.changes import compare_text
from spiflash.text import counted
from tests.effort import effort

FACTORY = heron_factory()
FILLER = random.Random(5).randbytes(64 << 10)
S = 4096


def ways(found: Comparison) -> set[How]:
    return {each.how for each in found.differences}


def test_equal_dumps() -> None:
    found = compare(FACTORY, FACTORY)
    assert found.equal
    assert (found.relations, found.differences, found.variables) == ((), (), ())


def sector(change: bytes) -> list[tuple[int, int, How, int]]:
    """What is said of FILLER with its third sector replaced."""
    after = FILLER[: 2 * S] + change + FILLER[3 * S :]
    found = compare(FILLER, after)
    return [(each.start, each.end, each.how, each.bytes_differing) for each in found.differences]


def test_single_sectors() -> None:
    old = FILLER[2 * S : 3 * S]
    for change, how in (
        (b"\xff" * S, How.ERASED),
        (bytes(byte & 0x7F for byte in old), How.CLEARED),
        (bytes(byte | 1 for byte in old), How.SET),
        (b"".join(old[i : i + 2][::-1] for i in range(0, S, 2)), How.SWAPPED_16),
        (b"".join(old[i : i + 4][::-1] for i in range(0, S, 4)), How.SWAPPED_32),
        (random.Random(6).randbytes(S), How.CHANGED),
        (FILLER[2 * S - 5 : 3 * S - 5], How.SHIFTED),
    ):
        count = sum(a != b for a, b in zip(old, change, strict=True))
        assert sector(change) == [(2 * S, 3 * S, how, count)], how
    blank = compare(b"\xff" * S, old)
    assert ways(blank) == {How.WRITTEN}


@pytest.mark.parametrize("shift", [1, 3, 512, 4096, -1, -7, -4096])
def test_contents_moved_as_a_whole(shift: int) -> None:
    moved = bytes(shift) + FACTORY[:-shift] if shift > 0 else FACTORY[-shift:] + bytes(-shift)
    found = compare(FACTORY, moved)
    where = "later" if shift > 0 else "earlier"
    assert f"{counted(abs(shift), 'byte')} {where}, from beginning to end" in " ".join(
        found.relations
    )
    assert shift in {each.shift for each in found.differences}


@pytest.mark.parametrize(
    ("after", "words"),
    [
        (b"".join(FACTORY[i : i + 2][::-1] for i in range(0, 1 << 20, 2)), "swapped in pairs"),
        (b"".join(FACTORY[i : i + 4][::-1] for i in range(0, 1 << 20, 4)), "swapped in fours"),
        (FACTORY[: 1 << 20].translate(bytes(255 - i for i in range(256))), "inverted"),
        (FACTORY[:1000], "first 1,000 bytes of A"),
        (FACTORY[: 1 << 20] * 2, "B is A repeated 2 times"),
        (FACTORY[: 1 << 20] + b"\xff" * 77, "77 blank bytes added at the end"),
        (FACTORY[: 1 << 20] + b"tail", "A is the first 1,048,576 bytes of B"),
        (b"x" + FACTORY[1 : 1 << 20] + b"tail", "4 bytes longer"),
    ],
)
def test_relations_of_wholes(after: bytes, words: str) -> None:
    found = compare(FACTORY[: 1 << 20], after)
    assert not found.equal
    assert words in " ".join(found.relations)


def test_another_board_of_the_batch() -> None:
    found = compare(FACTORY, heron_variant(3))
    assert {each.name for each in found.regions if each.differing} == {"env", "factory"}
    assert [each.name for each in found.regions] == [each.name for each in PARTITIONS]
    assert {each.name: each.after for each in found.variables}["ethaddr"] == mac_address(3)
    assert {each.name for each in found.variables} == {"ethaddr", "serial#"}


def test_a_failed_card_flash_ends_where_it_ended() -> None:
    stop = 0x84000
    found = compare(FACTORY, failed_card_flash(FACTORY, heron_open(), stop))
    assert max(each.end for each in found.differences) <= 0x90000
    tail = [each for each in found.differences if each.start >= stop]
    assert [each.how for each in tail] == [How.ERASED]


def test_the_last_partial_sector_counts() -> None:
    found = compare(FILLER + b"abc", FILLER + b"abd")
    assert [(each.start, each.end) for each in found.differences] == [(65536, 65539)]


def test_unsure_sectors_are_neither_equal_nor_different() -> None:
    after = FILLER[:S] + bytes(S) + FILLER[2 * S :]
    found = compare(FILLER, after, unsure=[S])
    assert not found.equal
    assert found.differences == ()
    assert found.unsure == ((S, 2 * S),)


def test_changed_secrets_show_that_they_changed_and_nothing_else() -> None:

    def board(secret: str) -> bytes:
        text = f"bootcmd=boot\0wifi_psk={secret}\0baudrate=9600\0\0".encode().ljust(4092, b"\xff")
        return struct.pack("<I", zlib.crc32(text)) + text

    found = compare(board("open-sesame"), board("shut-sesame"))
    (change,) = found.variables
    assert change.name == "wifi_psk"
    assert "sesame" not in repr(found)
    (shown,) = compare(board("open-sesame"), board("shut-sesame"), show_secrets=True).variables
    assert (shown.before, shown.after) == ("open-sesame", "shut-sesame")


@pytest.mark.parametrize("kind", ["random", "shifted", "same"])
def test_two_files_of_16_mib_take_less_than_a_second(kind: str) -> None:
    before = FACTORY + heron_variant(9)
    after = {"random": os.urandom(len(before)), "shifted": b"abc" + before[:-3], "same": before}
    found = []
    assert effort(lambda: found.append(compare(before, after[kind]))) < 1
    assert found[0].equal is (kind == "same")


def test_a_turned_bit_is_named_with_both_values_and_the_sum_that_holds() -> None:
    at = 0x70000 + 5000  # in the kernel, over whose data an image header keeps a CRC
    after = bytearray(FACTORY)
    after[at] ^= 0x20
    (change,) = compare(FACTORY, bytes(after)).single
    assert (change.at, change.before, change.after, change.bit) == (
        *(at, FACTORY[at], FACTORY[at] ^ 0x20),
        5,
    )
    assert (change.says_before, change.says_after) == (Says.HOLDS, Says.FAILS)
    (turned,) = compare(bytes(after), FACTORY).single
    assert (turned.says_before, turned.says_after) == (Says.FAILS, Says.HOLDS)


def test_another_address_is_named_with_both() -> None:
    found = compare(heron_variant(0x11), heron_variant(0x12))
    macs = {(each.before, each.after) for each in found.own if each.kind == "mac"}
    assert (mac_address(0x11), mac_address(0x12)) in macs
    shown = compare_text(found, "a", "b")
    assert f"MAC address (ethaddr): A {mac_address(0x11)}, B {mac_address(0x12)}" in shown
    assert f"serial number (serial#): A {serial_number(0x11)}" in shown


def test_a_moved_environment_is_called_moved() -> None:
    env = FACTORY[0x40000:0x50000]
    after = bytearray(FACTORY)
    after[0x40000:0x50000] = b"\xff" * 0x10000
    after[0x600000:0x610000] = env
    found = compare(FACTORY, bytes(after))
    assert [(each.before, each.after) for each in found.moved] == [(0x40000, 0x600000)]
    assert found.variables == ()


@pytest.mark.parametrize("size", [0x60000, 4 << 20])
def test_a_dump_that_was_cut_has_the_same_own_items(size: int) -> None:
    """Without the layout, text of the boot code was shown as serial numbers of another board."""
    assert compare(FACTORY, FACTORY[:size]).own == ()
    assert {each.at for each in compare(FACTORY, heron_variant(9)[:size]).own} == {
        each.at for each in compare(FACTORY, heron_variant(9)).own
    }


def test_what_all_differences_have_in_common_is_said_once() -> None:
    cleared = bytearray(FACTORY)
    cleared[0x70000:0x70100] = bytes(0x100)
    assert "All differences are of one kind: only bits cleared." in (
        compare(FACTORY, bytes(cleared)).relations
    )
    assert compare(FACTORY, heron_variant(9)).relations == ()
