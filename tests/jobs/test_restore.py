"""Writing: only what differs, never without a way back, and safe against cuts."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from job_rig import WATCHER, Rig, heron_rig

from hwmocks.boards.heron import failed_card_flash, heron_open, heron_variant
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import (
    ChipProtectedError,
    ChipUnknownError,
    DeclinedError,
    ImageError,
    InterruptedWorkError,
    NoBackupError,
    ShelfError,
    SpiflashError,
    VerifyError,
)
from spiflash.nor.commands import write_enable, write_register
from spiflash.work.backup import back_up
from spiflash.work.erase import erase
from spiflash.work.image import Image
from spiflash.work.restore import Leave, restore
from spiflash.work.rewrite import Work
from spiflash.work.verify import verify

SECTOR = 4096
FREELY = Leave(without_backup=True)


def yes(work: Work) -> bool:
    return True


def saved(rig: Rig, shelf: Shelf) -> bytes:
    """Take a backup; the contents."""
    with rig.connect() as connection:
        return back_up(connection, shelf, WATCHER).contents


def test_five_per_cent_of_the_sectors_and_no_others(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    old = saved(rig, shelf)
    rng = random.Random(20)
    sectors = sorted(rng.sample(range(2048), 102))
    new = bytearray(old)
    for sector in sectors:
        new[sector * SECTOR : (sector + 1) * SECTOR] = rng.randbytes(SECTOR)
    with rig.connect() as connection:
        done = restore(connection, shelf, Image("new", bytes(new)), WATCHER, agree=yes)
    assert bytes(rig.chip.contents) == bytes(new)
    wear = rig.chip.wear
    touched = [i for i, erases in enumerate(wear) if erases]
    # A blank sector needs no erase before it is written; no sector outside may be erased.
    blank = {s for s in sectors if old[s * SECTOR : (s + 1) * SECTOR] == b"\xff" * SECTOR}
    assert set(touched) <= set(sectors)
    assert set(sectors) - set(touched) <= blank
    assert max(wear) == 1
    assert done.proof is not None
    assert not done.repaired
    assert not open_journals(shelf.journals).whole


def test_nothing_is_written_when_nothing_differs(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    old = saved(rig, shelf)
    with rig.connect() as connection:
        done = restore(connection, shelf, Image("same", old), WATCHER, agree=yes)
    assert not done.plan.steps
    assert rig.chip.pages_programmed == 0
    assert not rig.chip.erased


def test_recovery_after_a_failed_card_update(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    factory = saved(rig, shelf)
    rig.chip.contents[:] = failed_card_flash(factory, heron_open(), 0x265000)
    with rig.connect() as connection:
        restore(connection, shelf, Image("factory", factory), WATCHER, agree=yes)
        assert verify(connection, Image("factory", factory), WATCHER).equal
    assert bytes(rig.chip.contents) == factory


def test_a_small_image_leaves_its_neighbours(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    old = saved(rig, shelf)
    piece = Image("piece", bytes(range(256)) * 5)
    with rig.connect() as connection:
        restore(connection, shelf, piece, WATCHER, agree=yes, at=0x40123)
    expected = old[:0x40123] + piece.contents + old[0x40123 + 1280 :]
    assert bytes(rig.chip.contents) == expected


def test_erase_of_a_range_keeps_the_rest(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    old = saved(rig, shelf)
    with rig.connect() as connection:
        erase(connection, shelf, WATCHER, agree=yes, at=0x440100, length=0x10000)
    assert bytes(rig.chip.contents) == old[:0x440100] + b"\xff" * 0x10000 + old[0x450100:]


def test_the_whole_chip_can_be_blanked(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    saved(rig, shelf)
    with rig.connect() as connection:
        erase(connection, shelf, WATCHER, agree=yes)
    assert bytes(rig.chip.contents) == b"\xff" * (8 << 20)


# -- refusals: each before anything is changed -----------------------------------------------


def refused(
    rig: Rig,
    shelf: Shelf,
    kind: type[SpiflashError],
    image: Image,
    *,
    at: int = 0,
    leave: Leave | None = None,
    agree: object = yes,
) -> SpiflashError:
    before = rig.chip.snapshot()
    with pytest.raises(kind) as caught, rig.connect() as connection:
        restore(connection, shelf, image, WATCHER, agree=agree, leave=leave, at=at)  # type: ignore[arg-type]
    assert rig.chip.snapshot() == before
    assert rig.chip.pages_programmed == 0
    assert not rig.chip.erased
    error = caught.value
    assert error.cause
    assert error.state
    assert not open_journals(shelf.journals).whole
    return error


def test_without_a_backup_it_is_refused(tmp_path: Path) -> None:
    error = refused(heron_rig(), Shelf(tmp_path), NoBackupError, Image("x", heron_open()))
    assert "--without-backup" in error.remedy


def test_another_boards_backup_does_not_count(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    other = Rig(NorChip("W25Q64JV", heron_variant(9), seed=99))
    saved(other, shelf)
    refused(heron_rig(), shelf, NoBackupError, Image("x", heron_open()))


def test_a_named_backup_of_another_board_is_refused(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    other = Rig(NorChip("W25Q64JV", heron_variant(9), seed=99))
    with other.connect() as connection:
        foreign = back_up(connection, shelf, WATCHER).set.path
    refused(
        heron_rig(), shelf, NoBackupError, Image("x", heron_open()), leave=Leave(backup=foreign)
    )


def test_a_tampered_backup_does_not_count(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    with rig.connect() as connection:
        made = back_up(connection, shelf, WATCHER)
    with (made.set.path / "data" / "flash.bin").open("r+b") as file:
        file.seek(0x1234)
        file.write(b"?")
    refused(rig, shelf, NoBackupError, Image("x", heron_open()))


def test_an_image_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    big = Image("sixteen", heron_open() * 2)
    error = refused(heron_rig(), Shelf(tmp_path), ImageError, big, leave=FREELY)
    assert "chip of this size" in error.remedy
    padded = Image("padded", heron_open() + b"\xff" * (8 << 20))
    error = refused(heron_rig(), Shelf(tmp_path), ImageError, padded, leave=FREELY)
    assert "cut the file at 8388608 bytes" in error.remedy


def test_saying_no_changes_nothing(tmp_path: Path) -> None:
    refused(
        heron_rig(),
        Shelf(tmp_path),
        DeclinedError,
        Image("x", heron_open()),
        leave=FREELY,
        agree=lambda work: False,
    )


def test_a_protected_range_is_refused(tmp_path: Path) -> None:
    """BP2-BP0 = 001 protects the upper 1/64 of a W25Q64JV (data sheet rev. J, table of
    section 7.1.13, from memory): 7E0000h to 7FFFFFh."""
    shelf, rig = Shelf(tmp_path), heron_rig()
    old = saved(rig, shelf)
    with rig.connect() as connection:
        connection.bus.run([write_enable(), write_register(0x01, b"\x04", rest=0.1)])
    error = refused(rig, shelf, ChipProtectedError, Image("x", old[:-1] + b"\x00"))
    assert "0x7e0000" in error.cause
    # Below the protected range the same chip may be written.
    with rig.connect() as connection:
        restore(connection, shelf, Image("y", b"\x00" * 16), WATCHER, agree=yes)
    assert bytes(rig.chip.contents[:16]) == bytes(16)


def test_a_chip_that_is_not_in_the_table_is_only_read(tmp_path: Path) -> None:
    rig = heron_rig()
    rig.chip.core.description = _renamed(rig.chip.core.description)
    error = refused(rig, Shelf(tmp_path), ChipUnknownError, Image("x", b"\x00"), leave=FREELY)
    assert "--part" in error.remedy


def _renamed(description: object) -> object:
    from dataclasses import replace

    return replace(description, id=b"\x5a\x5a\x17")  # type: ignore[type-var]


# -- cuts --------------------------------------------------------------------------------------


def scattered(old: bytes, count: int, seed: int) -> bytes:
    rng = random.Random(seed)
    new = bytearray(old)
    for sector in rng.sample(range(len(old) // SECTOR), count):
        new[sector * SECTOR + 10 : sector * SECTOR + 900] = rng.randbytes(890)
    return bytes(new)


def small_rig() -> Rig:
    """A chip of 1 MiB would be quicker, but boards carry 8 MiB: real size, fewer cuts."""
    return heron_rig()


@pytest.mark.parametrize("kind", ["unplug", "power", "ctrl-c"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95])
def test_a_cut_is_finished_by_resume(kind: str, share: float, tmp_path: Path) -> None:
    """`share` says how far into the writing the cut comes."""
    shelf, rig = Shelf(tmp_path), small_rig()
    old = saved(rig, shelf)
    new = scattered(old, 12, seed=1)
    first, last = writing_transfers(old, new, tmp_path / "trial")
    place = round(first + (last - first) * share)

    def cut(number: int) -> None:
        if number != place:
            return
        assert rig.bench is not None
        if kind == "ctrl-c":
            raise KeyboardInterrupt
        if kind == "power":
            rig.chip.power(False, rig.bench.clock.now())
        rig.bench.device.unplug()

    rig.faults = UsbFaults(on_transfer=cut)
    with pytest.raises(SpiflashError) as caught, rig.connect() as connection:
        restore(connection, shelf, Image("new", new), WATCHER, agree=yes)
    assert str(shelf.journals) in caught.value.state
    if kind == "ctrl-c":
        assert isinstance(caught.value, InterruptedWorkError)
    rig.chip.power(False, 0.0)
    rig.faults = UsbFaults()
    with rig.connect() as connection:
        restore(connection, shelf, None, WATCHER, agree=yes)
    assert bytes(rig.chip.contents) == new
    assert not open_journals(shelf.journals).whole


def writing_transfers(old: bytes, new: bytes, folder: Path) -> tuple[int, int]:
    """Numbers of the first and last USB transfer that erase or program, from a trial run."""
    rig = Rig(NorChip("W25Q64JV", old, seed=7))
    seen: list[int] = []

    def note(number: int) -> None:
        if rig.chip.opcode_counts[0x06]:
            seen.append(number)
            counts.append(rig.chip.opcode_counts[0x06])

    counts: list[int] = []
    rig.faults = UsbFaults(on_transfer=note)
    with rig.connect() as connection:
        restore(connection, Shelf(folder), Image("new", new), WATCHER, agree=yes, leave=FREELY)
    end = next(n for n, count in zip(seen, counts, strict=True) if count == counts[-1])
    return seen[0], end


def test_another_image_waits_until_the_cut_one_is_finished(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), small_rig()
    old = saved(rig, shelf)
    new = scattered(old, 12, seed=1)
    first, last = writing_transfers(old, new, tmp_path / "trial")
    rig.faults = UsbFaults(unplug_at=(first + last) // 2)
    with pytest.raises(SpiflashError), rig.connect() as connection:
        restore(connection, shelf, Image("new", new), WATCHER, agree=yes)
    rig.faults = UsbFaults()
    with pytest.raises(ShelfError) as caught, rig.connect() as connection:
        restore(connection, shelf, Image("other", old), WATCHER, agree=yes)
    assert "--resume" in caught.value.remedy
    # The same image again is the other way to finish.
    with rig.connect() as connection:
        restore(connection, shelf, Image("new", new), WATCHER, agree=yes)
    assert bytes(rig.chip.contents) == new


# -- chips that do not do as they are told ------------------------------------------------------


def test_a_stuck_bit_is_named(tmp_path: Path) -> None:
    shelf, rig = Shelf(tmp_path), heron_rig()
    old = saved(rig, shelf)
    rig.chip.stick(0x7F0123, 3, 1)
    new = old[:0x7F0000] + bytes(0x1000) + old[0x7F1000:]
    with pytest.raises(VerifyError) as caught, rig.connect() as connection:
        restore(connection, shelf, Image("new", new), WATCHER, agree=yes)
    assert "0x7f0000" in caught.value.cause
    assert "replace the chip" in caught.value.remedy
    expected = bytearray(new)
    expected[0x7F0123] = 0x08
    assert bytes(rig.chip.contents) == bytes(expected)
