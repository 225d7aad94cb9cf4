"""Taking a backup: what is on the shelf afterwards, and what is not when it goes wrong."""

from __future__ import annotations

import hashlib
import re
import stat
import subprocess
from pathlib import Path

import pytest

from hwmocks.faults import BitErrors
from hwmocks.ftdi import LongReadFlaw, UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.backupset import open_set
from spiflash.archive.shelf import Shelf
from spiflash.errors import AdapterLostError, InterruptedWorkError, ShelfError
from spiflash.jobs.backup import Backup, back_up, now, put_on_shelf, read_for_set
from spiflash.jobs.reading import read_in_passes
from spiflash.report.pages import set_page
from tests.effort import effort
from tests.job_rig import WATCHER, Rig, heron_rig

ADAPTERS = ("ft232h", "ft2232h", "ft4232h", "ft2232c", "ft2232d")


@pytest.mark.parametrize("adapter", ADAPTERS)
def test_what_is_saved_is_what_the_chip_holds(adapter: str, tmp_path: Path) -> None:
    rig = heron_rig(adapter=adapter)
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), WATCHER, board="gauge 23", page=set_page)
    found = open_set(made.set.path)
    assert found.contents() == bytes(rig.chip.contents)
    assert found.record.verified
    assert found.record.sha256 == hashlib.sha256(rig.chip.contents).hexdigest()
    assert found.record.chip.unique_id == rig.chip.unique_id.hex()
    assert found.record.board == "gauge 23"


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[Backup, float]:
    """A backup of the demo board, and the seconds of processor time that it took."""
    rig = heron_rig()
    shelf, made = Shelf(tmp_path_factory.mktemp("shelf")), []

    def work() -> None:
        with rig.connect() as connection:
            made.append(back_up(connection, shelf, WATCHER, page=set_page))

    seconds = effort(work)
    return made[0], seconds


def test_the_two_passes_share_no_setting(plain: tuple[Backup, float]) -> None:
    first, second = plain[0].record.passes
    for setting in ("opcode", "clock_hz", "sampling", "chunk", "direction"):
        assert getattr(first, setting) != getattr(second, setting), setting


def test_a_set_passes_sha256sum_and_is_private(plain: tuple[Backup, float]) -> None:
    made, _ = plain
    subprocess.run(
        ["sha256sum", "--strict", "-c", "manifest-sha256.txt"],
        cwd=made.set.path,
        check=True,
        capture_output=True,
    )
    files = [path for path in made.set.path.rglob("*") if path.is_file()]
    assert {path.name for path in files} >= {"flash.bin", "record.json", "report.html"}
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in files)


def test_a_set_made_in_a_batch_has_the_audit_on_its_page(tmp_path: Path) -> None:
    with heron_rig().connect() as connection:
        reading = read_in_passes(connection, 2, WATCHER)
        one_time = read_for_set(connection, reading)
        filed = put_on_shelf(
            connection, reading, one_time, Shelf(tmp_path), "heron", now(), set_page
        ).set
    page = filed.page.read_text("utf-8")
    assert {"map", "layout", "files", "own"} <= set(re.findall(r' id="(\w+)"', page))
    assert filed.record.verified
    assert filed.record.board == "heron"


def test_security_registers_are_saved(tmp_path: Path) -> None:
    rig = heron_rig()
    rig.chip.security[0][:4] = b"HG23"
    with rig.connect(part="W25Q64JV") as connection:
        made = back_up(connection, Shelf(tmp_path), WATCHER)
    assert made.set.otp() == b"".join(bytes(each) for each in rig.chip.security)


def test_a_backup_of_the_demo_board_takes_under_15_seconds(plain: tuple[Backup, float]) -> None:
    """Of processor time, which other work on the machine does not lengthen."""
    assert plain[1] < 15


def test_rare_bit_errors_are_settled(tmp_path: Path) -> None:
    rig = heron_rig(clip=lambda chip: BitErrors(chip, 2e-8, seed=5))
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), WATCHER)
    assert made.record.agreement.settled
    assert made.set.contents() == bytes(rig.chip.contents)
    assert made.record.verified


def test_a_byte_wrong_at_a_fixed_place_of_long_transfers_is_noticed(tmp_path: Path) -> None:
    """Reported of some FT232H: passes with equal transfers would agree on the wrong byte."""
    rig = heron_rig(faults=UsbFaults(long_read=LongReadFlaw()))
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), WATCHER)
    assert len(made.record.agreement.settled) == 8 << 20 >> 16
    assert made.set.contents() == bytes(rig.chip.contents)


def test_a_hopeless_contact_gives_a_set_that_is_not_verified(tmp_path: Path) -> None:
    rig = heron_rig()
    noise = BitErrors(rig.chip, 0.0, seed=3)
    rig.clip = lambda chip: noise
    with rig.connect() as connection:
        noise.rate = 1e-4
        made = back_up(connection, Shelf(tmp_path), _quiet_between_passes(noise))
    assert not made.record.verified
    assert made.record.agreement.unstable
    assert "read differently each time" in made.record.doubts[0]


def _quiet_between_passes(noise: BitErrors) -> object:
    """The ID must come through between passes, or the backup ends before its end."""
    from collections.abc import Iterator
    from contextlib import contextmanager

    class Watcher:
        @contextmanager
        def step(self, title: str, total: int, counting: str = "bytes") -> Iterator[object]:
            noise.rate = 1e-4
            yield lambda count: None
            noise.rate = 0.0

        def say(self, text: str) -> None:
            pass

    return Watcher()


def test_mirrored_halves_are_not_verified(tmp_path: Path) -> None:
    """A chip that holds half of what it claims repeats itself; here a person insists."""
    half = bytes(NorChip("W25Q64JV", seed=1).contents[: 4 << 20])
    half = b"\x12\x34" + half[2:]
    rig = Rig(NorChip("W25Q64JV", half * 2, seed=1))
    with rig.connect(size=8 << 20) as connection:
        made = back_up(connection, Shelf(tmp_path), WATCHER)
    assert not made.record.verified
    assert any("repeat" in doubt for doubt in made.record.doubts)


def test_unplugging_leaves_no_set(tmp_path: Path) -> None:
    rig = heron_rig(faults=UsbFaults(unplug_at=400))
    with pytest.raises(AdapterLostError), rig.connect() as connection:
        back_up(connection, Shelf(tmp_path), WATCHER)
    assert Shelf(tmp_path).sets().sets == ()
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_leaves_no_set_and_a_released_bus(tmp_path: Path) -> None:
    def press(number: int) -> None:
        if number == 400:
            raise KeyboardInterrupt

    rig = heron_rig(faults=UsbFaults(on_transfer=press))
    with pytest.raises(InterruptedWorkError) as caught, rig.connect() as connection:
        back_up(connection, Shelf(tmp_path), WATCHER)
    assert "nothing on it has changed" in caught.value.state
    assert list(tmp_path.iterdir()) == []
    assert rig.bench is not None
    assert rig.bench.device.channels[1].engine.pins.direction == 0


def test_a_shelf_that_cannot_be_written_is_known_before_reading(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    rig = heron_rig()
    with rig.connect() as connection:
        before = rig.chip.opcode_counts[0x0B]
        with pytest.raises(ShelfError):
            back_up(connection, Shelf(blocked / "shelf"), WATCHER)
        assert rig.chip.opcode_counts[0x0B] == before
