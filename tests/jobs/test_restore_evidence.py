"""How little is read around a restore, and when it is not little: witnesses, proofs, repairs.

Counts of bytes clocked come from the simulated adapter, contents from the chip's own array.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hwmocks.bench import make_bench
from hwmocks.faults import BitErrors
from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat, SpiDevice
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import UnstableReadError, VerifyError
from spiflash.jobs import convert, same_board
from spiflash.jobs.connection import Connection, connected
from spiflash.jobs.image import Image, load_image
from spiflash.jobs.write import Rewritten, Verify, WriteOptions, prepare, restore
from spiflash.jobs.write.before import unconfirmed_sectors
from spiflash.spans import SECTOR, sector_spans
from tests.benchmarks.cuts import Case
from tests.job_rig import WATCHER, small
from tests.small_board import SIZE, Board, noise


@pytest.fixture(scope="module")
def case() -> Case:
    return Case(1 << 20)


class Clip:
    """Wires on which a test can do as it likes."""

    def __init__(self, inner: SpiDevice) -> None:
        self.inner = inner
        self.clocked = 0
        self.selected = False

    def select(self, now: float) -> None:
        self.selected = True
        self.inner.select(now)

    def deselect(self, now: float) -> None:
        self.selected = False
        self.inner.deselect(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        self.clocked += len(mosi)
        return self.inner.transfer(mosi, beat)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        self.inner.level(pin, high, now)


@contextmanager
def on(chip: NorChip, size: int, clip: SpiDevice | None = None) -> Iterator[Connection]:
    bench = make_bench(chip, clip=(lambda _: clip) if clip is not None else None)
    chip.power(True, 0.0)
    bench.clock.advance(0.1)
    bus = open_bench_bus(bench, "evidence")
    try:
        with connected(bus, small("W25Q64JV", size)[1], 30e6) as connection:
            yield connection
    finally:
        bus.close()


def write(connection: Connection, shelf: Shelf, case: Case, **more: object) -> Rewritten:
    return restore(
        connection,
        shelf,
        case.image,
        WATCHER,
        WriteOptions(at=case.at, **more),  # type: ignore[arg-type]
        agree=lambda _: True,
    )


def test_with_a_backup_one_reading_and_the_changed_sectors_are_enough(
    case: Case, backed_up: Shelf
) -> None:
    chip = case.chip()
    clip = Clip(chip)
    with on(chip, case.size, clip) as connection:
        clip.clocked = 0
        done = write(connection, backed_up, case)
    assert chip.contents == case.new
    assert done.proof is not None
    assert (done.proof.passes, done.proof.repaired) == (0, ())
    written = sum(high - low for low, high in done.plan.affected)
    # Once everything; what was changed written and read back; idle clocks of two dozen erases;
    # what the first erase could take, before it and after it; looks at the board before, between
    # and after.
    looks = 30 * 16 * 260 + 1024 * 16
    assert case.size < clip.clocked < case.size + 8 * written + 2 * 65536 + looks


def test_without_a_backup_two_whole_passes_are_taken(case: Case, tmp_path: Path) -> None:
    """The image confirms its own sectors only, and most of the chip lies outside it."""
    chip = case.chip()
    small = Image("small", case.image.contents[:5000])
    clip = Clip(chip)
    with on(chip, case.size, clip) as connection:
        clip.clocked = 0
        restore(
            connection,
            Shelf(tmp_path),
            small,
            WATCHER,
            WriteOptions(without_backup=True, at=case.at + 8),
            agree=lambda _: True,
        )
    assert clip.clocked > 2 * case.size


def test_all_of_the_chip_can_be_verified(case: Case, backed_up: Shelf) -> None:
    chip = case.chip()
    clip = Clip(chip)
    with on(chip, case.size, clip) as connection:
        clip.clocked = 0
        done = write(connection, backed_up, case, verify=Verify.ALL)
    assert done.proof is not None
    assert done.proof.passes == 2
    assert done.proof.sectors == case.size // SECTOR
    assert clip.clocked > 3 * case.size


def test_a_plan_is_made_without_touching_the_chip(case: Case, backed_up: Shelf) -> None:
    chip = case.chip()
    with on(chip, case.size) as connection:
        work = prepare(connection, backed_up, case.image, WATCHER, WriteOptions(at=case.at))
    assert work.plan.steps
    assert work.target == case.new
    assert chip.contents == case.old
    assert not chip.erased
    assert not chip.opcode_counts[0x06]
    assert not open_journals(backed_up.journals).whole


def test_noise_while_reading_before_is_noticed_and_settled(case: Case, backed_up: Shelf) -> None:
    """One bit in a million wrong: about eight in a pass of 1 MiB."""
    chip = case.chip()
    with on(chip, case.size, BitErrors(chip, rate=1e-6, seed=3)) as connection:
        write(connection, backed_up, case)
    assert chip.contents == case.new


class Garbled(Clip):
    """From one moment on, every answer to a read has some bits wrong, at random."""

    def __init__(self, inner: SpiDevice, chip: NorChip) -> None:
        super().__init__(inner)
        self.chip = chip
        self.rng = random.Random(5)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        answer = super().transfer(mosi, beat)
        if len(answer) < 300:
            return answer
        return bytes(byte ^ (self.rng.random() < 0.01) for byte in answer)


def test_nothing_is_erased_after_a_reading_that_cannot_be_believed(
    case: Case, backed_up: Shelf
) -> None:
    chip = case.chip()
    with pytest.raises(UnstableReadError), on(chip, case.size, Garbled(chip, chip)) as connection:
        write(connection, backed_up, case)
    assert chip.contents == case.old
    assert not chip.erased
    assert not open_journals(backed_up.journals).whole


class Misread(Clip):
    """The first reading of one byte after the writing is wrong, later ones are right."""

    def __init__(self, inner: SpiDevice, chip: NorChip) -> None:
        super().__init__(inner)
        self.chip = chip
        self.done = False

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        answer = super().transfer(mosi, beat)
        # Idle clocks while the chip is busy are deselected.
        reading = self.selected and len(answer) > 500 and self.chip.under_way is None
        if self.done or not reading or self.chip.pages_programmed <= 60:
            return answer
        self.done = True
        return answer[:100] + bytes((answer[100] ^ 4,)) + answer[101:]


def test_a_misread_sector_is_read_again_and_not_written_again(case: Case, backed_up: Shelf) -> None:
    chip = case.chip()
    clip = Misread(chip, chip)
    with on(chip, case.size, clip) as connection:
        done = write(connection, backed_up, case)
    assert clip.done
    assert done.proof is not None
    assert len(done.proof.reread) == 1
    assert not done.proof.repaired
    assert done.proof.passes == 2, "the first doubt makes it a check of the whole chip"
    assert max(chip.wear) == 1


class LostPage(Clip):
    """One page never reaches the chip: its opcode is garbled."""

    def __init__(self, inner: SpiDevice, page: int) -> None:
        super().__init__(inner)
        self.head = b"\x02" + page.to_bytes(3, "big")
        self.lost = 0

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        if mosi[:4] == self.head and not self.lost:
            self.lost = 1
            mosi = b"\x42" + mosi[1:]
        return super().transfer(mosi, beat)


def test_a_page_that_was_lost_is_written_again(case: Case, backed_up: Shelf) -> None:
    chip = case.chip()
    page = next(
        at for at in range(0, case.size, 256) if case.old[at : at + 256] != case.new[at : at + 256]
    )
    clip = LostPage(chip, page)
    with on(chip, case.size, clip) as connection:
        done = write(connection, backed_up, case)
    assert clip.lost
    assert chip.contents == case.new
    assert done.repaired == (page // SECTOR * SECTOR,)
    assert max(chip.wear) == 1, "its bits only had to clear: no second erase"


class Astray(Clip):
    """The first erase goes to the chip's last sector instead."""

    def __init__(self, inner: SpiDevice, size: int) -> None:
        super().__init__(inner)
        self.elsewhere = b"\x20" + (size - SECTOR).to_bytes(3, "big")
        self.sent = False

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        if mosi[:1] == b"\x20" and len(mosi) == 4 and not self.sent:
            self.sent = True
            mosi = self.elsewhere
        return super().transfer(mosi, beat)


def test_an_erase_that_went_astray_is_found_outside_the_image(
    case: Case, backed_up: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only changed sectors are read back at first; the one that is not erased gives it away. The
    looks at the board draw the same places every time here: one that met the sector would end the
    work before the proof does."""
    chip = case.chip()
    monkeypatch.setattr(same_board, "DRAW", random.Random(1))
    with (
        pytest.raises(VerifyError) as caught,
        on(chip, case.size, Astray(chip, case.size)) as connection,
    ):
        write(connection, backed_up, case)
    assert f"{case.size - SECTOR:06X}h" in caught.value.cause
    assert "corrupted on the way" in caught.value.remedy
    assert len(open_journals(backed_up.journals).whole) == 1


def test_a_stuck_bit_is_named_and_the_rest_is_right(case: Case, backed_up: Shelf) -> None:
    chip = case.chip()
    place = next(i for i in range(case.size) if case.old[i] != case.new[i])
    bit = next(b for b in range(8) if not case.new[place] >> b & 1)
    chip.stick(place, bit, 1)
    with pytest.raises(VerifyError) as caught, on(chip, case.size) as connection:
        write(connection, backed_up, case)
    assert f"{place // SECTOR * SECTOR:06X}h" in caught.value.cause
    assert "1 stay 1" in caught.value.cause
    assert "replace the chip" in caught.value.remedy
    expected = bytearray(case.new)
    expected[place] |= 1 << bit
    assert chip.contents == expected


def test_scattered_failures_point_to_supply_and_contact(case: Case, backed_up: Shelf) -> None:
    chip = case.chip()
    changed = [
        at
        for at in range(0, case.size, SECTOR)
        if case.old[at : at + SECTOR] != case.new[at : at + SECTOR]
    ]
    for start in changed[::2]:
        place = next(i for i in range(start, start + SECTOR) if case.new[i] & 1)
        chip.stick(place, 0, 0)
    with pytest.raises(VerifyError) as caught, on(chip, case.size) as connection:
        write(connection, backed_up, case)
    assert "supply" in caught.value.remedy
    assert "contact" in caught.value.remedy


def test_witnesses_speak_for_whole_sectors_only() -> None:
    contents = random.Random(1).randbytes(8 * SECTOR)
    assert unconfirmed_sectors(contents, []) == [n * SECTOR for n in range(8)]
    # From the middle of sector 1 to the middle of sector 4: it speaks for 2 and 3.
    part = (SECTOR + 7, contents[SECTOR + 7 : 4 * SECTOR + 9])
    assert unconfirmed_sectors(contents, [part]) == [n * SECTOR for n in (0, 1, 4, 5, 6, 7)]
    other = bytearray(contents)
    other[5 * SECTOR] ^= 1
    whole = (0, bytes(other))
    assert unconfirmed_sectors(contents, [whole]) == [5 * SECTOR]
    assert unconfirmed_sectors(contents, [part, whole]) == [5 * SECTOR]
    assert sector_spans([0, SECTOR, 5 * SECTOR]) == [(0, 2 * SECTOR), (5 * SECTOR, 6 * SECTOR)]


ODD = {"zeros": bytes(SIZE), "pattern": bytes(range(256)) * (SIZE // 256), "text": b"ab\n" * SIZE}


@pytest.mark.parametrize(
    ("kind", "nameless"), [("zeros", False), ("text", False), ("pattern", True)]
)
def test_a_chip_that_holds_what_a_bad_line_gives_can_be_written_again(
    kind: str, nameless: bool, tmp_path: Path
) -> None:
    """It was zeroed, or filled with a test pattern, by this very program."""
    shelf, odd = Shelf(tmp_path), ODD[kind][:SIZE]
    board = Board(noise(1), nameless=nameless)
    board.save(shelf)
    saved = shelf.sets().sets[0].path
    board.write(shelf, Image("odd", odd))
    assert board.holds == odd
    if nameless:
        # Nothing shows that the set is this board's: the person has to say so.
        with pytest.raises(UnstableReadError) as refused:
            board.write(shelf, load_image(saved))
        assert "--backup" in refused.value.remedy
        assert board.holds == odd
    said = board.write(shelf, load_image(saved), backup=saved if nameless else None)
    assert any("Caution" in line for line in said.lines)
    assert board.holds == noise(1)


def test_a_verdict_of_odd_contents_is_waived_with_the_backup(tmp_path: Path) -> None:
    board = Board(bytes(SIZE), nameless=True)
    board.write(Shelf(tmp_path), Image("new", noise(1)), without_backup=True)
    assert board.holds == noise(1)


def test_a_conversion_of_a_zeroed_board_says_what_to_do_first(tmp_path: Path) -> None:
    board, shelf = Board(noise(1)), Shelf(tmp_path)
    board.save(shelf)
    saved = shelf.sets().sets[0].path
    board.chip.contents[:] = bytes(SIZE)
    with board.session() as connection, pytest.raises(UnstableReadError) as refused:
        convert.prepare(connection, shelf, Image("new", noise(2)), convert.Asked(), WATCHER)
    assert str(saved) in refused.value.remedy
    board.write(shelf, load_image(saved))
    assert board.holds == noise(1)
