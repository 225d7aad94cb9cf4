"""What a conversion makes of a board's own items: none is lost without a word.

What is each board's own is known because `convert_boards` put it there; whether it is still there
is asked of the raw bytes at the stated place and of `fw_printenv` (Debian's libubootenv-tool).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from hwmocks.boards.heron import heron_factory, heron_open
from spiflash.dump.audit import Audit, examine
from spiflash.dump.board_data import Decision, Fate, Wishes, turned
from spiflash.dump.convert import Proposal, propose
from spiflash.dump.image_fits import find_concerns, refusals
from spiflash.dump.made_image import overwritten_items, why_not_kept
from spiflash.errors import LayoutError, UsageError
from tests.convert_boards import (
    BASE,
    BOARDS,
    FACTORY,
    IMAGES,
    Identity,
    K,
    Made,
    another_boards,
    boot,
    heron,
    jffs2,
    moved,
    piece,
    same_layout,
    silent_losses,
    volumes,
)

FULL = os.environ.get("SPIFLASH_SWEEP") == "full"
BATCH = range(6) if FULL else range(1)


@cache
def audited(contents: bytes) -> Audit:
    return examine(contents, "contents", signs=False)


@pytest.mark.parametrize("number", BATCH)
@pytest.mark.parametrize("make", BOARDS, ids=lambda each: each.__name__)
def test_nothing_is_lost_silently(
    make: Callable[[Identity], Made], number: int, tmp_path: Path
) -> None:
    board = make(Identity.of(number))
    mine = audited(bytes(board.contents))
    turn = BOARDS.index(make) % 2
    for image_of in IMAGES if FULL else (IMAGES[1 + 2 * turn],):
        image = image_of(board)
        said = propose(mine, audited(bytes(image.contents)))
        wrong, _, _ = silent_losses(board, image, said, said.made, tmp_path)
        assert wrong == [], image.name
        assert len(said.made) == len(board.contents)
        for each in said.decisions:
            assert each.kept == (each.fate is not Fate.LEFT)
            assert each.why or each.fate is Fate.VARIABLE


def test_the_judge_sees_what_is_lost(tmp_path: Path) -> None:
    """Otherwise the test above would prove nothing."""
    board, image, said = SMALL, SMALL_IMAGE, small()
    found = silent_losses(board, image, said, said.made, tmp_path)
    assert found == ([], len(board.own), 0)
    wrong, _, _ = silent_losses(board, image, said, bytes(image.contents), tmp_path)
    assert len(wrong) >= 5
    mute = Proposal(said.made, (), *list_of(said)[2:])
    wrong, kept, _ = silent_losses(board, image, mute, said.made, tmp_path)
    assert (len(wrong), kept) == (len(board.own), 0)


def list_of(said: Proposal) -> list[Any]:
    return [getattr(said, name) for name in Proposal.__slots__]


@pytest.mark.needs("mkfs.ubifs", "ubinize")
def test_settings_in_ubifs(tmp_path: Path) -> None:
    board = volumes(Identity.of(2))
    for image_of in (same_layout, moved) if FULL else (moved,):
        image = image_of(board)
        said = propose(audited(bytes(board.contents)), audited(bytes(image.contents)))
        wrong, _, lost = silent_losses(board, image, said, said.made, tmp_path)
        assert (wrong, lost) == ([], 0)


SMALL = heron(Identity.of(3))
SMALL_IMAGE = same_layout(SMALL)


def small(wishes: Wishes | None = None) -> Proposal:
    """The demo's layout on a quarter of its flash."""
    return propose(audited(bytes(SMALL.contents)), audited(bytes(SMALL_IMAGE.contents)), wishes)


def by_label(said: Proposal) -> dict[str, Decision]:
    return {each.label: each for each in said.decisions}


@pytest.mark.skipif(not FULL, reason="the README's session shows it; SPIFLASH_SWEEP=full")
def test_the_demo_board_keeps_everything() -> None:
    said = propose(audited(heron_factory()), audited(heron_open()))
    found = by_label(said)
    assert (said.lost, said.brought) == ((), ())
    assert {found[name].fate for name in ("ethaddr", "serial#")} == {Fate.VARIABLE}
    for name in ("factory", "config", "readings"):
        assert (found[name].fate, found[name].place) == (Fate.STAYS, found[name].item.start)
    factory = heron_factory()
    for start, end in ((0x50000, 0x60000), (0x400000, 0x740000)):
        assert said.made[start:end] == factory[start:end]
    assert said.made[:0x40000] == heron_open()[:0x40000]


def test_wishes_change_what_becomes_of_an_item() -> None:
    said = small(
        Wishes(
            keep=("0x1f0000+0x1000",),
            drop=("config", "serial#"),
            values={"bootdelay": "9", "ethaddr": "00:00:5e:00:53:42"},
        )
    )
    found = by_label(said)
    assert {found[name].fate for name in ("config", "0x1202fa", "serial#", "ethaddr")} == {
        Fate.LEFT
    }
    assert said.made[0x120000:0x160000] == b"\xff" * 0x40000
    assert b"serial#=" not in said.made[0x30000:0x40000]
    assert b"ethaddr=00:00:5e:00:53:42\0" in said.made[0x30000:0x40000]
    assert b"bootdelay=9\0" in said.made[0x30000:0x40000]


@pytest.mark.parametrize(
    ("wishes", "error"),
    [
        (Wishes(drop=("nothing",)), UsageError),
        (Wishes(drop=("0x1202fa",)), UsageError),
        (Wishes(keep=("nowhere",)), LayoutError),
        (Wishes(keep=("config=nowhere",)), LayoutError),
        (Wishes(keep=("0x200000+0x1000",)), UsageError),
        (Wishes(keep=("config",), drop=("config",)), UsageError),
        (Wishes(values={"a b": "1"}), UsageError),
        (Wishes(values={"long": "x" * 70000}), UsageError),
    ],
)
def test_wishes_that_name_what_is_not_there(wishes: Wishes, error: type[Exception]) -> None:
    with pytest.raises(error):
        small(wishes)


def test_an_item_turns_there_and_back() -> None:
    said = small()
    away = turned(said.decisions, Wishes(), "config")
    assert away.drop == ("config",)
    again = turned(small(away).decisions, away, "config")
    assert again == Wishes()
    with pytest.raises(UsageError):
        turned(said.decisions, Wishes(), "nothing")


def test_another_boards_identity_is_replaced_or_named(tmp_path: Path) -> None:
    board = SMALL
    image = another_boards(board)
    said = propose(audited(bytes(board.contents)), audited(bytes(image.contents)))
    assert said.brought == ()
    assert b"HG-9999-9999" not in said.made
    dropped = propose(
        audited(bytes(board.contents)),
        audited(bytes(image.contents)),
        Wishes(drop=("ethaddr", "serial#")),
    )
    assert {each.name for each in dropped.brought} == {"ethaddr", "serial#"}


def test_what_is_said_to_be_kept_is_looked_for() -> None:
    """A maker that lies is found out: the check knows only the made image."""
    said = small()
    board = audited(bytes(SMALL.contents))
    without = examine(bytes(SMALL_IMAGE.contents), "without", layout=said.audit.layout, signs=False)
    for each in said.decisions:
        assert why_not_kept(each, board, said.audit) == ""
        assert why_not_kept(each, board, without) != ""


def test_a_place_that_the_layout_gives_away_is_not_blank() -> None:
    board = SMALL
    image = moved(board)
    said = propose(audited(bytes(board.contents)), audited(bytes(image.contents)))
    factory = by_label(said)["factory"]
    assert (factory.fate, factory.place) == (Fate.CARRIED, 0x60000)
    assert said.made[0x40000:0x60000].count(b"HERONFAC") == 0


def test_what_stands_in_a_spare_region_is_not_nothing() -> None:
    """No format, no region that is meant for it: it may be the board's own, and it stays."""
    contents = bytearray(SMALL.contents)
    contents[0x1F0000:0x1F0010] = b"written since..."
    said = propose(audited(bytes(contents)), audited(bytes(SMALL_IMAGE.contents)))
    assert by_label(said)["unclaimed@1F0000h"].fate is Fate.STAYS
    assert said.made[0x1F0000:0x1F0010] == b"written since..."


PARTS = "spi0.0:192k(boot),64k(env),64k(vitals),1664k(firmware),64k(usrfs)"


def one_partition(who: Identity, serial: str, *, generic: bool = False) -> Made:
    """Kernel, root file system and settings in one partition, and names that say nothing."""
    made = Made("one partition")
    boot(made, FACTORY, PARTS)
    values = BASE if generic else {**BASE, "ethaddr": who.mac(0), "serial#": serial}
    made.environment(192 * K, 64 * K, values, ("ethaddr", "serial#"))
    made.put(0x50000, FACTORY[0x70000:0x71000])
    made.put(0x51000, squashfs())
    if not generic:
        made.owns(0x40000, who.macs[0] + who.calibration, "block")
        jffs2(made, 0x1C0000, who)
        jffs2(made, 0x1F0000, who)
    return made


def squashfs() -> bytes:
    return piece(FACTORY, 0x200000, 0x400000)


def test_settings_behind_firmware_are_no_firmware() -> None:
    """Many boards write their settings into what the root file system leaves of its partition."""
    mine = audited(bytes(one_partition(Identity.of(1), "A-1").contents))
    said = propose(mine, audited(bytes(one_partition(Identity.of(0), "", generic=True).contents)))
    found = by_label(said)
    behind = found["jffs2@1C0000h"]
    assert (behind.item.kind, behind.fate) == ("settings", Fate.LEFT)
    # The image's region of that name is blank: it is the same one, and has no other use.
    assert found["usrfs"].fate is Fate.STAYS
    # However short, a serial number is one.
    assert (found["serial#"].fate, found["serial#"].item.kind) == (Fate.VARIABLE, "serial")
    kept = propose(
        mine,
        audited(bytes(one_partition(Identity.of(0), "", generic=True).contents)),
        Wishes(keep=("jffs2@1C0000h",)),
    )
    assert by_label(kept)["jffs2@1C0000h"].fate is Fate.STAYS


def test_an_address_known_only_from_the_image_is_named() -> None:
    """The variable that told what six bytes are is this board's afterwards; the bytes are not."""
    board, other = (one_partition(Identity.of(number), f"A-{number}") for number in (1, 2))
    said = propose(audited(bytes(board.contents)), audited(bytes(other.contents)))
    assert said.made[0x40000:0x40006] == Identity.of(2).macs[0]
    assert 0x40000 in {each.start for each in said.brought}


def test_a_plain_restore_overwrites_own_items() -> None:
    board = audited(heron_factory())
    lost = overwritten_items(board, heron_open())
    gone = {each.start for each in lost}
    assert gone == {0x401AB, 0x401C5, 0x50000, 0x5000A, 0x50010, 0x51000, 0x400000, 0x4002FA,
                    0x440000}  # fmt: skip
    elsewhere = heron_open()[:-17] + b"00:00:5e:00:53:17"
    assert gone - {each.start for each in overwritten_items(board, elsewhere)} == {0x5000A}
    variable = heron_open()[:-25] + b"ethaddr=00:00:5e:00:53:17"
    assert gone - {each.start for each in overwritten_items(board, variable)} == {0x401AB, 0x5000A}
    assert overwritten_items(board, heron_factory()) == ()


def swapped(contents: bytes, width: int) -> bytes:
    return b"".join(contents[at : at + width][::-1] for at in range(0, len(contents), width))


WRONG: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "doubled": (lambda image: image + image, "doubled"),
    "half": (lambda image: image[: len(image) // 2], "short"),
    "cut": (lambda image: image[:0xB1234], "short"),
    "swapped": (lambda image: swapped(image, 2), "swapped"),
    "swapped by four": (lambda image: swapped(image, 4), "swapped"),
    "header": (lambda image: b"HDR0" + bytes(60) + image, "header"),
    "header, cut": (lambda image: (b"HDR0" + bytes(508) + image)[: len(image)], "header"),
    "twice the chip": (lambda image: image.ljust(2 * len(image), b"\xff"), "size"),
    "too big": (lambda image: image + image[0x60000:0xA0000][::-1], "size"),
    "kernel alone": (lambda image: image[0x60000:0xA0000].rstrip(b"\xff"), "loader"),
    "one bit": (lambda image: image[:0x70000] + bytes([image[0x70000] ^ 1]) + image[0x70001:],
                "damaged"),
    "another processor": (lambda image: for_processor(image, 5), "processor"),
    "64-bit kernel": (lambda image: for_processor(image, 22), "processor"),
    "noise": (lambda image: bytes(range(256)) * 4096, "unknown"),
}  # fmt: skip


def for_processor(image: bytes, number: int) -> bytes:
    """The kernel's header says MIPS or ARM64 (U-Boot, include/image.h: 5 or 22 at offset 29), its
    CRC is right."""
    import zlib

    at = image.index(bytes.fromhex("27051956"))
    header = bytearray(image[at : at + 64])
    header[29], header[4:8] = number, bytes(4)
    header[4:8] = zlib.crc32(header).to_bytes(4, "big")
    return image[:at] + bytes(header) + image[at + 64 :]


LIKE_ANOTHER = ("swapped by four", "header, cut", "half", "twice the chip")
"""Kinds that go a way that another kind goes too."""


@pytest.mark.parametrize("kind", [each for each in WRONG if FULL or each not in LIKE_ANOTHER])
def test_a_wrong_image_is_refused(kind: str) -> None:
    board = SMALL
    change, name = WRONG[kind]
    image = change(bytes(same_layout(board).contents))
    found = find_concerns(audited(bytes(board.contents)), examine(image, kind, signs=False))
    assert name in {each.name for each in refusals(found, ())}
    named = {each.name for each in found if not each.final}
    assert {e.name for e in refusals(found, tuple(named))} == {e.name for e in found if e.final}


def test_a_right_image_is_not_refused() -> None:
    assert refusals(find_concerns(audited(heron_factory()), audited(heron_open())), ()) == ()


def unstated(root: bool = True) -> bytes:
    """Loader, kernel and root file system with nothing that says where they are."""
    made = Made("unstated")
    made.put(0, piece(FACTORY, 0, 0x10000))
    made.put(0x40000, FACTORY[FACTORY.index(bytes.fromhex("27051956"), 0x60000) :][: 192 * K])
    if root:
        made.put(0x80000, squashfs())
    return bytes(made.contents)


@pytest.mark.parametrize("end", [0x60000, 0x80400])
def test_an_image_that_states_no_layout_is_not_cut(end: int) -> None:
    """Behind its kernel, or in its root file system, whose superblock states the size."""
    board = audited(unstated())
    assert "short" not in {each.name for each in find_concerns(board, board)}
    cut = examine(unstated()[:end], "cut", signs=False)
    assert "short" in {each.name for each in refusals(find_concerns(board, cut), ())}


def mips(order: str) -> bytes:
    """Returns and prologues of MIPS (architecture manual, from memory) among other words."""
    words = [0x03E00008, 0x27BDFFE0, 0xAFBF001C, 0x8FBF001C, *range(0x2402_0000, 0x2402_0020)] * 64
    code = struct.pack(f"{order}{len(words)}I", *words)
    return code.ljust(0x10000, b"\xff") + squashfs()


def test_mips_comes_in_two_byte_orders() -> None:
    """No header of a boot image says which."""
    big, little = (examine(mips(order), order, signs=False) for order in "><")
    assert "processor" in {each.name for each in refusals(find_concerns(big, little), ())}
    assert "processor" in {each.name for each in refusals(find_concerns(little, big), ())}
    assert "processor" not in {each.name for each in find_concerns(big, big)}
