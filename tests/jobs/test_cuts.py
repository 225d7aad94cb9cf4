"""A restore that is cut off at any moment is finished by the next one, and nothing is lost.

The expected contents come from the test; what a broken-off erase or page leaves behind is the
business of the simulated chip (`hwmocks.nor.cells`).
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import nullcontext
from pathlib import Path

import pytest

from hwmocks import store
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import Time
from spiflash.archive.journal import OpenJournals, open_journals
from spiflash.archive.shelf import Shelf
from spiflash.errors import ChipTimeoutError, InterruptedWorkError, ShelfError, SpiflashError
from spiflash.jobs.backup import back_up
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from spiflash.nor.addressing import ModeFound
from spiflash.nor.commands import ReadStyle, read_status, write_enable, write_register
from spiflash.nor.flash import NorFlash
from tests.benchmarks.cuts import Case, cut_once, sweep
from tests.job_rig import WATCHER, Rig
from tests.power_loss import CutError, Cutter, install
from tests.small_board import noise, small_part, yes

KIB = 1024
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def case() -> Case:
    return Case(512 * KIB, contents="mixed")


def test_a_cut_at_any_transfer_loses_nothing(case: Case, tmp_path: Path, full_sweep: bool) -> None:
    counts, losses = sweep(case, tmp_path, every=1 if full_sweep else 47)
    assert not losses
    assert counts["cuts by unplug"] > 5
    assert counts["during erase-4096"]
    assert counts["resumed from a journal"] > 10


def test_a_cut_is_really_a_cut(case: Case, backed_up: Shelf, backup: Path) -> None:
    """What the sweep calls a loss is one: without the journal the chip stays half written."""
    chip = case.chip()
    first, last = case.transfers(backup)
    place = (first + last) // 2
    with (
        pytest.raises(SpiflashError),
        case.session(chip, UsbFaults(unplug_at=place)) as (connection, _),
    ):
        case.write(connection, backed_up, case.image)
    assert chip.contents not in (case.old, case.new)
    (journal,) = open_journals(backed_up.journals).whole
    ranges = [(r.start, r.start + r.length) for r in journal.state.ranges]
    assert journal.before() == b"".join(case.old[low:high] for low, high in ranges)
    assert journal.after() == b"".join(case.new[low:high] for low, high in ranges)
    different = [i for i in range(case.size) if case.old[i] != case.new[i]]
    assert all(any(low <= i < high for low, high in ranges) for i in different[::97])


def test_the_switch_that_cuts_every_job(
    case: Case, backed_up: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--cuts` (tests/power_loss.py) on one restore; and it notices one whose journal is lost."""
    cutter = Cutter(every=4)
    remove = install(cutter)
    # Its neighbours in the sector go with the erase, and only the journal has them.
    image, at = Image("small", bytes(range(256)) * 3), 0x12345
    new = case.old[:at] + image.contents + case.old[at + len(image.contents) :]
    try:
        for lost in (False, True):
            if lost:
                monkeypatch.setattr(
                    "spiflash.jobs.write.open_journals", lambda _: OpenJournals((), ())
                )
            chip = case.chip()
            with case.session(chip, UsbFaults()) as (connection, _):
                notices = pytest.raises(CutError, match="contents not as without a cut")
                with notices if lost else nullcontext():
                    restore(
                        connection,
                        backed_up,
                        image,
                        WATCHER,
                        WriteOptions(at=at),
                        agree=lambda _: True,
                    )
            assert chip.contents == new
    finally:
        remove()
    assert cutter.counts["jobs"] == 2
    assert cutter.counts["cuts"] > 5


def test_ctrl_c_says_what_to_do(case: Case, backed_up: Shelf, backup: Path) -> None:
    first, last = case.transfers(backup)
    place = (first + last) // 2

    def interrupt(number: int) -> None:
        if number == place:
            raise KeyboardInterrupt

    chip = case.chip()
    with (
        pytest.raises(InterruptedWorkError) as caught,
        case.session(chip, UsbFaults(on_transfer=interrupt)) as (connection, _),
    ):
        case.write(connection, backed_up, case.image)
    assert str(backed_up.journals) in caught.value.state
    assert "--resume" in caught.value.remedy
    chip.power(False, 1e9)
    with case.session(chip, UsbFaults()) as (connection, _):
        case.write(connection, backed_up, None)
    assert chip.contents == case.new


def test_a_second_cut_during_the_resume(case: Case, backed_up: Shelf, backup: Path) -> None:
    first, last = case.transfers(backup)
    chip = case.chip()
    for place in ((first + last) // 2, first + (last - first) // 3):
        with (
            pytest.raises(SpiflashError),
            case.session(chip, UsbFaults(unplug_at=place)) as (connection, bench),
        ):
            case.write(connection, backed_up, case.image)
        chip.power(False, bench.clock.now())
    assert len(open_journals(backed_up.journals).whole) == 1
    with case.session(chip, UsbFaults()) as (connection, _):
        case.write(connection, backed_up, case.image)
    assert chip.contents == case.new


def test_a_cut_restore_can_be_undone(case: Case, backed_up: Shelf, backup: Path) -> None:
    first, last = case.transfers(backup)
    chip = case.chip()
    with (
        pytest.raises(SpiflashError),
        case.session(chip, UsbFaults(unplug_at=(first + last) // 2)) as (connection, bench),
    ):
        case.write(connection, backed_up, case.image)
    chip.power(False, bench.clock.now())
    assert chip.contents != case.old
    with case.session(chip, UsbFaults()) as (connection, _):
        restore(connection, backed_up, None, WATCHER, WriteOptions(undo=True), agree=lambda _: True)
    assert chip.contents == case.old
    assert not open_journals(backed_up.journals).whole


def test_another_image_waits_until_the_cut_one_is_finished(
    case: Case, backed_up: Shelf, backup: Path
) -> None:
    first, last = case.transfers(backup)
    chip = case.chip()
    with (
        pytest.raises(SpiflashError),
        case.session(chip, UsbFaults(unplug_at=(first + last) // 2)) as (connection, _),
    ):
        case.write(connection, backed_up, case.image)
    half = bytes(chip.contents)
    with (
        pytest.raises(ShelfError) as caught,
        case.session(chip, UsbFaults()) as (connection, _),
    ):
        case.write(connection, backed_up, Image("other", case.old[case.at : -case.at]))
    assert "--resume" in caught.value.remedy
    assert chip.contents == half


def test_a_journal_of_another_chip_is_left_alone(
    case: Case, backed_up: Shelf, backup: Path
) -> None:
    """Same kind, other unique ID."""
    first, last = case.transfers(backup)
    with (
        pytest.raises(SpiflashError),
        case.session(case.chip(), UsbFaults(unplug_at=(first + last) // 2)) as (connection, _),
    ):
        case.write(connection, backed_up, case.image)
    other = Case(case.size, seed=2)
    other_chip = other.chip()
    with other.session(other_chip, UsbFaults()) as (connection, _):
        with pytest.raises(SpiflashError, match="nothing to resume"):
            restore(connection, backed_up, None, WATCHER, agree=lambda _: True)
        restore(
            connection,
            backed_up,
            other.image,
            WATCHER,
            WriteOptions(without_backup=True, at=other.at),
            agree=lambda _: True,
        )
    assert other_chip.contents == other.new
    assert len(open_journals(backed_up.journals).whole) == 1


@pytest.mark.parametrize("adapter", ["ft2232h", "ft2232c"])
def test_other_adapters(adapter: str, tmp_path: Path) -> None:
    case = Case(256 * KIB, adapter)
    case.prepare(tmp_path)
    first, last = case.transfers(tmp_path)
    for kind in ("unplug", "power"):
        outcome = cut_once(case, tmp_path, kind, first + (last - first) * 2 // 3)
        assert outcome.happened
        assert not outcome.problem


# -- registers and address mode ----------------------------------------------------------------


def test_protection_is_put_back_by_the_resume(tmp_path: Path) -> None:
    """An MX25L6406E has no volatile status write: a cut leaves it open (data sheet, from
    memory: BP2-BP0 in SR1 bits 4-2)."""
    chip = NorChip("MX25L6406E", seed=3)
    rig, shelf = Rig(chip), Shelf(tmp_path)
    image = Image("new", bytes(range(256)) * 300)
    with rig.connect("MX25L6406E") as connection:
        connection.bus.run([write_enable(), write_register(0x01, b"\x1c", rest=0.1)])
    assert chip.registers["SR1"] == 0x1C
    options = WriteOptions(without_backup=True, unprotect=True)

    def unplug(number: int) -> None:
        # In the middle of the pages: nobody can put anything back.
        if chip.pages_programmed > 100 and rig.bench is not None:
            rig.bench.device.unplug()

    rig.faults = UsbFaults(on_transfer=unplug)
    with pytest.raises(SpiflashError), rig.connect("MX25L6406E") as connection:
        restore(connection, shelf, image, WATCHER, options, agree=lambda _: True)
    chip.power(False, 1e9)
    assert not chip.registers["SR1"] & 0x1C, "the cut left it open"
    rig.faults = UsbFaults()
    with rig.connect("MX25L6406E") as connection:
        restore(connection, shelf, None, WATCHER, agree=lambda _: True)
    assert chip.contents[: len(image.contents)] == image.contents
    assert chip.registers["SR1"] == 0x1C


@pytest.mark.parametrize("name", ["MX25L25635E", "W25Q256JV"])
def test_the_address_mode_from_before_a_killed_session_is_put_back(name: str) -> None:
    """The chip kept its supply and is still in 4-byte mode; the journal knows better."""
    chip = NorChip(name, seed=3)
    with Rig(chip).connect(name) as connection:
        chip.set_four_byte_mode(True)
        with NorFlash(connection.bus, connection.chip, ModeFound(four=True)) as flash:
            assert flash.read_all(20 << 20, 4, ReadStyle()) == b"\xff" * 4
        connection.bus.run([read_status()])
        assert chip.four_byte_mode, "left as it was met"
        with NorFlash(connection.bus, connection.chip, ModeFound(four=True)) as flash:
            flash.restore_mode_to(ModeFound(four=False))
        connection.bus.run([read_status()])
        assert not chip.four_byte_mode


# -- killed ----------------------------------------------------------------------------------------


def spiflash(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "spiflash", *arguments]


def test_a_killed_process(tmp_path: Path, full_sweep: bool) -> None:
    """SIGKILL in mid-work, on a board that lives in a folder; `enough` sectors had been written."""
    for enough in (1, 2, 3, 5, 8, 12, 20, 30, 38) if full_sweep else (12,):
        kill_and_resume(tmp_path / str(enough), enough)


def kill_and_resume(folder: Path, enough: int) -> None:
    board, shelf, image = folder / "board", folder / "shelf", folder / "new.bin"
    folder.mkdir()
    old = store.create(board, "W25Q64JV", seed=4).contents
    new = bytearray(old)
    for sector in range(100, 1700, 40):
        new[sector * 4096 : (sector + 1) * 4096] = os.urandom(4096)
    image.write_bytes(new)
    adapter = f"sim:{board}?through=1"
    common = ("--adapter", adapter, "--shelf", str(shelf), "--yes", "--without-backup")
    before = (board / store.CONTENTS).read_bytes()
    process = subprocess.Popen(
        spiflash("restore", str(image), *common), cwd=ROOT, stderr=subprocess.DEVNULL
    )
    deadline = time.monotonic() + 60
    while changed_sectors(before, (board / store.CONTENTS).read_bytes()) < enough:
        assert process.poll() is None, "it ended before it could be killed"
        assert time.monotonic() < deadline
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    half = (board / store.CONTENTS).read_bytes()
    assert half not in (before, new)
    resumed = subprocess.run(
        spiflash("restore", "--resume", *common), cwd=ROOT, capture_output=True, text=True
    )
    assert resumed.returncode == 0, resumed.stderr
    assert (board / store.CONTENTS).read_bytes() == new
    assert not open_journals(Shelf(shelf).journals).whole


def changed_sectors(before: bytes, now: bytes) -> int:
    return sum(
        before[at : at + 4096] != now[at : at + 4096] for at in range(100 * 4096, 1700 * 4096, 4096)
    )


def test_a_chip_erase_that_takes_too_long_is_not_tried_again(tmp_path: Path) -> None:
    """Of a worn chip blocks may still be erased in time, when all of it no longer is."""
    old, new = noise(1, 256 * KIB), noise(2, 256 * KIB)
    rig = Rig(NorChip(small_part(chip_erase=Time(1e3, 1e3)), old))
    shelf = Shelf(tmp_path)
    with rig.connect() as connection:
        back_up(connection, shelf, WATCHER)
    with pytest.raises(ChipTimeoutError), rig.connect() as connection:
        restore(connection, shelf, Image("new", new), WATCHER, agree=yes)
    rig.chip.power(False, 1e9)
    with rig.connect() as connection:
        restore(connection, shelf, None, WATCHER, agree=yes)
    assert bytes(rig.chip.contents) == new
    assert not open_journals(shelf.journals).whole
