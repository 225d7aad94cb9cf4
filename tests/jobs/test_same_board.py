"""The look whether the board on the clip is still the one that the work began with."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from hwmocks.boards.heron import heron_variant
from hwmocks.faults import BitErrors, MovedClip
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice
from spiflash.errors import ChipMismatchError
from spiflash.jobs import DRAW
from spiflash.jobs.connection import Connection
from spiflash.jobs.same_board import NOISE, PAGE, SameBoard
from spiflash.nor.chip import ChipIdentity
from tests.job_rig import Rig

KIB = 1024
TRIALS = 6


@contextmanager
def on_clip(chip: NorChip) -> Iterator[tuple[Connection, MovedClip]]:
    clips: list[MovedClip] = []

    def clip(device: SpiDevice) -> SpiDevice:
        clips.append(MovedClip(device))
        return clips[0]

    rig = Rig(chip, clip=clip)
    with rig.connect(chip.description.name) as connection:
        yield connection, clips[0]


def heron(number: int, name: str = "W25Q64JV", unique: bytes | None = None) -> NorChip:
    return NorChip(name, heron_variant(number), seed=number, unique_id=unique)


def test_the_same_board_passes_every_look() -> None:
    chip = heron(1)
    with on_clip(chip) as (connection, _):
        board = SameBoard(connection)
        assert board.check().places == 0
        board.learn(bytes(chip.contents))
        for _ in range(TRIALS):
            assert board.check().places > 8
        assert board.check_thoroughly().telling > 8


@pytest.mark.parametrize(
    ("name", "unique"), [("W25Q64JV", None), ("W25Q64JV", bytes(range(8))), ("MX25L6406E", None)]
)
def test_a_sister_board_is_noticed(name: str, unique: bytes | None) -> None:
    """Two boards of one batch differ in their addresses, serial numbers and settings: told apart
    by the unique ID where there is one of its own, by the contents where not."""
    for trial in range(TRIALS):
        first, sister = heron(1, name, unique), heron(2 + trial % 3, name, unique)
        with on_clip(first) as (connection, clip):
            DRAW.seed(trial)
            board = SameBoard(connection)
            board.learn(bytes(first.contents))
            board.check()
            clip.move(sister)
            with pytest.raises(ChipMismatchError, match="Another board") as caught:
                board.check_thoroughly(state="safe.")
            assert caught.value.state == "safe."


def test_another_chip_is_noticed_before_any_contents_are_known() -> None:
    for other in (heron(2), heron(2, "MX25L6406E")):
        with on_clip(heron(1)) as (connection, clip):
            board = SameBoard(connection)
            board.check()
            clip.move(other)
            with pytest.raises(ChipMismatchError):
                board.check()


def test_what_is_about_to_change_accuses_nobody_and_what_was_written_counts() -> None:
    chip = heron(1)
    with on_clip(chip) as (connection, _):
        board = SameBoard(connection)
        board.learn(bytes(chip.contents))
        board.changes(0, len(chip.contents) - 64 * KIB)
        chip.contents[: -64 * KIB] = b"\x00" * (len(chip.contents) - 64 * KIB)
        for _ in range(TRIALS):
            board.check()
        board.holds(0, b"\xff" * len(chip.contents))
        with pytest.raises(ChipMismatchError):
            board.check()


def test_cells_that_are_worn_out_make_no_other_board() -> None:
    """Where the work has written nearly everything, and a few bits of most places are wrong."""
    chip = heron(1)
    new = random.Random(1).randbytes(len(chip.contents))
    worn = bytearray(new)
    for page in range(0, len(worn), PAGE):
        worn[page : page + 4] = b"\xff" * 4
    with on_clip(chip) as (connection, _):
        board = SameBoard(connection)
        board.learn(bytes(chip.contents))
        board.holds(0, new)
        chip.contents[:] = worn
        assert len(board.check().wrong) > 8
        chip.contents[:] = bytes(each ^ 0xFF for each in new)
        with pytest.raises(ChipMismatchError):
            board.check()


def test_places_beside_an_erase_are_looked_at() -> None:
    """A chip whose 4 KiB erase takes 64 KiB: the neighbours show it."""
    for trial in range(TRIALS):
        chip = heron(1)
        with on_clip(chip) as (connection, _):
            DRAW.seed(trial)
            board = SameBoard(connection)
            board.learn(bytes(chip.contents))
            board.changes(0x10000, 0x11000)
            chip.contents[0x10000:0x20000] = b"\xff" * 0x10000
            with pytest.raises(ChipMismatchError):
                board.check(near=[(0x10000, 0x20000)])


def test_noise_accuses_nobody() -> None:
    """One bit in 20,000 comes wrong."""
    chip = heron(1)
    noisy: list[BitErrors] = []

    def clip(device: SpiDevice) -> SpiDevice:
        noisy.append(BitErrors(device, rate=0.0, seed=5))
        return noisy[0]

    with Rig(chip, clip=clip).connect() as connection:
        board = SameBoard(connection)
        board.learn(bytes(chip.contents))
        noisy[0].rate = 5e-5
        before = connection.bus.hertz
        for _ in range(TRIALS):
            board.check_thoroughly()
        assert connection.bus.hertz == before


def test_what_one_pass_read_may_have_a_few_bits_wrong() -> None:
    chip = heron(1)
    with on_clip(chip) as (connection, _):
        read = bytearray(chip.contents)
        for page in range(0, len(read), PAGE):
            read[page] ^= (1 << NOISE) - 1
        board = SameBoard(connection)
        board.learn(bytes(read), exact=False)
        board.check_thoroughly()
        board.learn(bytes(read))
        with pytest.raises(ChipMismatchError):
            board.check()


def test_identity_has_one_spelling() -> None:
    known = ChipIdentity(b"\xef\x40\x17", bytes(range(8)), 8 << 20)
    assert known == ChipIdentity.from_hex("ef4017", "0001020304050607", 8 << 20)
    assert known.unique_hex == "0001020304050607"
    for empty in (b"\xff" * 8, b"\x00" * 8, b"\x5a" * 8, b"", None):
        nobody = ChipIdentity(b"\xef\x40\x17", empty, 8 << 20)
        assert nobody.unique_id is None
        assert nobody.unique_hex is None
        assert nobody != known
