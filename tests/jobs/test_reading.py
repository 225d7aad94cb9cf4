"""Reading on a bad clip: more passes, settling, probes, and what is left when it fails."""

from __future__ import annotations

import itertools
import json
import os
import stat
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_factory
from hwmocks.faults import BitErrors, FixedPlaceError, SlowWire
from hwmocks.ftdi import LongReadFlaw, UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.cli.main import run
from spiflash.errors import InterruptedWorkError, SpiflashError
from spiflash.jobs import Unwatched
from spiflash.jobs.backup import Backup, back_up
from spiflash.jobs.reading.evidence import LIMIT
from spiflash.jobs.reading.kept_passes import UNFINISHED
from spiflash.jobs.reading.passes import _blocks, pass_setting
from spiflash.report.pages import set_page
from tests.benchmarks import believable_reading as benchmark
from tests.job_rig import WATCHER, Rig


class Listener(Unwatched):
    """Keeps what a job says."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.steps: list[str] = []

    def step(self, title, total, counting="bytes"):  # type: ignore[no-untyped-def]
        self.steps.append(title)
        return super().step(title, total)

    def say(self, text: str) -> None:
        self.said.append(text)


def small_rig(contents: bytes | None = None, **more: object) -> Rig:
    """A chip of 1 MiB with a part of the demo board's contents, or with these."""
    size = benchmark.MIB
    chip = NorChip(
        benchmark.described(size, False), contents or benchmark.contents_of(size), seed=7
    )
    return Rig(chip, **more)  # type: ignore[arg-type]


def backed_up(rig: Rig, shelf: Path, **more: object) -> Backup:
    with rig.connect() as connection:
        return back_up(connection, Shelf(shelf), WATCHER, **more)  # type: ignore[arg-type]


FULL = os.environ.get("SPIFLASH_SWEEP") == "full"
SMALL = [
    row
    for row in benchmark.ROWS
    if FULL or (row.size == benchmark.MIB and not row.slow and not row.alone)
]


@pytest.mark.parametrize("row", SMALL, ids=lambda row: row.name)
def test_no_fault_is_called_verified_wrongly(row: benchmark.Row) -> None:
    """The small version of the benchmark; with SPIFLASH_SWEEP=full a few dozen trials a row."""
    count = 30 if FULL else 1
    trials = [benchmark.run_trial(row, seed) for seed in range(1000, 1000 + count)]
    assert not any(trial.wrong for trial in trials)


def test_errors_at_1e6_on_8_mib_are_settled_within_three_times_the_clean_time(
    tmp_path: Path,
) -> None:
    row = next(row for row in benchmark.ROWS if row.name.endswith("8 MiB"))
    trial = benchmark.run_trial(row, 5)
    assert trial.verified
    assert not trial.wrong
    assert trial.inside
    clean = benchmark.run_trial(benchmark.Row("clean", size=row.size), 5)
    assert trial.seconds <= 3 * clean.seconds


def test_the_number_of_passes_follows_from_the_error_rate(tmp_path: Path) -> None:
    """Two agreeing passes are not enough at 1e-5: see the header of reading/evidence.py. (That two
    are enough for 8 MiB without a difference is in test_backup.)"""
    listener = Listener()
    with small_rig(clip=lambda chip: BitErrors(chip, 1e-5, seed=9)).connect() as connection:
        made = back_up(connection, Shelf(tmp_path), listener)
    assert len(made.record.passes) >= 4
    assert "not yet enough proof: reading once more" in listener.said[0]
    # The result is proven, and the clip is bad all the same.
    assert listener.said[-1].startswith("The contact is poor: about 1 in ")
    assert made.record.evidence.expected < LIMIT
    assert made.record.verified


def test_every_pass_begins_its_transfers_elsewhere() -> None:
    """Modulo 4 KiB, below every transfer that an adapter makes: no two passes share a place."""
    chip = NorChip("W25Q64JV")
    with Rig(chip).connect() as connection:
        assert connection.ceiling == 15e6
        settings = [pass_setting(connection, number) for number in range(1, 9)]
    starts = []
    for setting in settings:
        blocks = list(_blocks(8 << 20, setting))
        assert sum(high - low for low, high in blocks) == 8 << 20
        starts.append({low % 4096 for low, _ in blocks if low})
    assert all(len(each) == 1 for each in starts)
    assert len({value for each in starts for value in each}) == len(starts)
    for one, other in itertools.pairwise(settings):
        assert (one.fast, one.chunk, one.hertz) != (other.fast, other.chunk, other.hertz)


@pytest.mark.parametrize("from_end", [1, 9, 300])
def test_a_byte_at_a_fixed_place_is_settled(from_end: int, tmp_path: Path) -> None:
    rig = small_rig(faults=UsbFaults(long_read=LongReadFlaw(from_end=from_end)))
    made = backed_up(rig, tmp_path)
    assert made.set.contents() == bytes(rig.chip.contents)
    assert len(made.record.agreement.settled) == benchmark.MIB >> 16
    assert made.record.verified


def test_a_flaw_of_every_transfer_at_address_0_is_found_by_short_reads(tmp_path: Path) -> None:
    """Each pass begins at address 0: a byte that is wrong in all of its transfers is wrong
    there in all passes. The short transfers of the probe are what shows it."""
    rig = small_rig()
    contents = bytes(rig.chip.contents)
    rig.clip = lambda chip: FixedPlaceError(chip, 3, length=300)
    made = backed_up(rig, tmp_path)
    assert made.set.contents() == contents or not made.record.verified


def test_a_pass_at_a_clock_that_is_too_fast_is_taken_slower(tmp_path: Path) -> None:
    """A wire that is late at the pass's clock gives the same wrong bits every time."""
    rig = small_rig(clip=lambda chip: SlowWire(chip, delay=80e-9, jitter=1e-9, seed=1))
    listener = Listener()
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), listener)
    assert made.set.contents() == bytes(rig.chip.contents)
    assert made.record.verified
    assert all(each.clock_hz < 1 / 80e-9 for each in made.record.passes)
    assert any("ID and SFDP read wrongly" in text for text in listener.said)


def test_an_unstable_sector_is_named_and_nothing_read_is_lost(tmp_path: Path) -> None:
    """Bytes of one value, which one sector holds alone, read differently all the time."""

    class Flickers(BitErrors):
        def transfer(self, mosi, beat):  # type: ignore[no-untyped-def]
            answer = self.inner.transfer(mosi, beat)
            if 0xA7 not in answer:
                return answer
            other = self._rng.integers(0, 2, len(answer))
            return bytes(
                b ^ 8 if b == 0xA7 and o else b for b, o in zip(answer, other, strict=True)
            )

    contents = bytearray((b"\x5a\x11\x7e\x03\x95" * 210000)[: benchmark.MIB])
    contents[0x42000:0x42040] = b"\xa7" * 64
    rig = small_rig(bytes(contents))
    rig.clip = lambda chip: Flickers(chip, 0.0, seed=3)
    made = backed_up(rig, tmp_path)
    assert not made.record.verified
    assert made.record.agreement.unstable == (0x42000,)
    kept = sorted((made.set.path / "data" / "readings").iterdir())
    assert len(kept) > 2
    assert all(path.name.startswith("00042000-") for path in kept)
    assert len({path.read_bytes() for path in kept}) == len(kept)
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in kept)


def test_probes_are_recorded_with_what_they_covered(tmp_path: Path) -> None:
    made = backed_up(small_rig(), tmp_path, page=set_page)
    document = json.loads((made.set.path / "data" / "record.json").read_text())
    probes = {each["name"]: each["outcome"] for each in document["evidence"]["probes"]}
    assert probes == dict.fromkeys(
        ("data-line", "address-lines", "above-end", "fixed-place", "contents"), "held"
    )
    text = (made.set.path / "report.html").read_text()
    assert "Not excluded" in text


def test_a_blank_chip_says_what_it_cannot_show(tmp_path: Path) -> None:
    made = backed_up(small_rig(b"\xff" * benchmark.MIB), tmp_path)
    probes = {each.name: each.outcome for each in made.record.evidence.probes}
    assert probes["address-lines"] == "open"
    assert probes["contents"] == "open"


class _Stop(Unwatched):
    """Ctrl-C when the pass of that number begins."""

    def __init__(self, title: str) -> None:
        self.title = title

    def step(self, title, total, counting="bytes"):  # type: ignore[no-untyped-def]
        if title.startswith(self.title):
            raise KeyboardInterrupt
        return super().step(title, total)


def _cut_short(rig: Rig, shelf: Path) -> None:
    with pytest.raises(InterruptedWorkError), rig.connect() as connection:
        back_up(connection, Shelf(shelf), _Stop("pass 2"))


def test_an_interrupted_backup_goes_on_from_its_finished_passes(tmp_path: Path) -> None:
    rig = small_rig()
    _cut_short(rig, tmp_path)
    kept = list((tmp_path / UNFINISHED).rglob("*.bin"))
    assert len(kept) == 1
    assert stat.S_IMODE(kept[0].stat().st_mode) == 0o600
    assert Shelf(tmp_path).sets().sets == ()
    listener = Listener()
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), listener)
    assert "1 pass of an interrupted backup" in listener.said[0]
    assert not any(title.startswith("pass 1") for title in listener.steps)
    assert made.record.verified
    assert made.set.contents() == bytes(rig.chip.contents)
    assert not (tmp_path / UNFINISHED).exists()


def test_passes_of_other_contents_are_left_with_a_word(tmp_path: Path) -> None:
    """They may be the only copy of what another board, or this one before, held."""
    rig = small_rig()
    _cut_short(rig, tmp_path)
    kept = next((tmp_path / UNFINISHED).rglob("*.bin"))
    first = bytes(rig.chip.contents)
    rig.chip.contents[:] = bytes(reversed(rig.chip.contents))
    listener = Listener()
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), listener)
    assert f"is kept in {kept.parent}" in listener.said[0]
    assert made.set.contents() == bytes(rig.chip.contents)
    assert kept.read_bytes() == first
    rig.chip.contents[:] = first
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), listener)
    assert any("1 pass of an interrupted backup" in line for line in listener.said)
    assert not (tmp_path / UNFINISHED).exists()


def test_two_chips_that_answer_alike_do_not_share_their_passes(tmp_path: Path) -> None:
    """One backup stops in its second pass while another, of a sister board, is under way."""
    first, second = small_rig(), small_rig()
    second.chip.contents[:] = bytes(reversed(second.chip.contents))

    class During(Listener):
        def step(self, title, total, counting="bytes"):  # type: ignore[no-untyped-def]
            if title.startswith("pass 2"):
                with second.connect() as connection:
                    assert not back_up(connection, Shelf(tmp_path), WATCHER).record.doubts
                with pytest.raises(InterruptedWorkError), second.connect() as connection:
                    back_up(connection, Shelf(tmp_path), _Stop("pass 2"))
            return super().step(title, total)

    listener = During()
    with first.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), listener)
    assert not any("interrupted" in line for line in listener.said)
    assert made.set.contents() == bytes(first.chip.contents)
    (kept,) = (tmp_path / UNFINISHED).rglob("*.bin")
    assert kept.read_bytes() == bytes(second.chip.contents)


def test_a_damaged_pass_is_not_used(tmp_path: Path) -> None:
    rig = small_rig()
    _cut_short(rig, tmp_path)
    kept = next((tmp_path / UNFINISHED).rglob("*.bin"))
    kept.write_bytes(kept.read_bytes()[:-1] + b"\x00")
    listener = Listener()
    with rig.connect() as connection:
        made = back_up(connection, Shelf(tmp_path), listener)
    assert "no whole pass" in listener.said[0]
    assert made.record.verified


def test_an_error_in_the_middle_keeps_finished_passes(tmp_path: Path) -> None:
    rig = small_rig(faults=UsbFaults(unplug_at=400))
    with pytest.raises(SpiflashError), rig.connect() as connection:
        back_up(connection, Shelf(tmp_path), WATCHER)
    assert list((tmp_path / UNFINISHED).rglob("*.bin"))


def test_verify_says_how_sure_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "factory.bin"
    path.write_bytes(heron_factory())
    assert run(["verify", str(path), "--adapter", "sim:heron", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    found = document["evidence"]
    assert found["shared"] + found["settled"] < found["limit"]
    assert document["doubts"] == []
