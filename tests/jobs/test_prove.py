"""`spiflash prove`: right adapters are proven, wrong ones are found out, and no board loses a byte.

Wrong adapters are the simulated one with a fault, behind real pyftdi and pyusb.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from markupsafe import escape
from pyftdi.usbtools import UsbTools

from hwmocks.boards.heron import heron_factory
from hwmocks.clock import VirtualClock
from hwmocks.ftdi import FT232H, FT2232C, FT2232H, AdapterProfile, FtdiDevice, UsbBackend, UsbFaults
from hwmocks.ftdi.faults import LongReadFlaw
from hwmocks.nor.chip import NorChip
from spiflash.archive import adapters
from spiflash.archive.adapters import AdapterRecord, Outcome, keep, known
from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.bus import locate
from spiflash.cli.main import run
from spiflash.errors import BusError, SpiflashError
from spiflash.jobs import Unwatched
from spiflash.jobs import prove as jobs_prove
from spiflash.jobs.connection import Settings, connect
from spiflash.jobs.prove import prove
from spiflash.report.bench import prove_headline, prove_text, proven_sentence
from spiflash.report.pages import prove_page
from tests.nor_rig import chip_with
from tests.small_board import noise, small_part

URL = "ftdi:///1"
CONTENTS = heron_factory()[:0x60000].ljust(8 << 20, b"\xff")
"""The demo board without its large regions, which cost time and show nothing here."""


@dataclass
class Bench:
    """One adapter on the simulated USB, with a board on its clip that stays powered."""

    shelf: Shelf
    clock: VirtualClock = field(default_factory=VirtualClock)
    faults: UsbFaults = field(default_factory=UsbFaults)
    chip: NorChip = field(default_factory=lambda: NorChip("W25Q64JV", CONTENTS, seed=7))
    profile: AdapterProfile = FT232H
    serial: str = "HERON1"

    def plug(self, monkeypatch: pytest.MonkeyPatch) -> FtdiDevice:
        device = FtdiDevice(
            self.profile, self.clock, {1: self.chip}, serial=self.serial, faults=self.faults
        )
        backend = UsbBackend([device])
        monkeypatch.setattr(UsbTools, "_load_backend", classmethod(lambda cls: backend))
        monkeypatch.setattr(locate, "WallClock", lambda: self.clock)
        self.chip.power(True, self.clock.now())
        self.clock.advance(0.1)
        return device

    def prove(self, *, writing: bool = True, **more: Callable[[], bool]) -> AdapterRecord:
        shelf = self.shelf if writing else None
        return prove(Settings(adapter=URL), Unwatched(), shelf=shelf, agree=lambda: True, **more)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setattr(adapters, "default_folder", lambda: tmp_path / "adapters")
    yield Bench(Shelf(tmp_path / "shelf"))
    UsbTools.release_all_devices()
    UsbTools.flush_cache()


def outcomes(record: AdapterRecord) -> dict[str, Outcome]:
    return {each.name: each.outcome for each in record.checks}


READING = ("start", "inputs", "latency", "kill", "clock", "edges", "reading", "long-reads")


@pytest.mark.parametrize(
    ("profile", "untried"),
    [(FT232H, {"unplug"}), (FT2232C, {"unplug", "program"})],
    ids=lambda each: getattr(each, "name", ""),
)
def test_a_right_adapter_is_proven(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, profile: AdapterProfile, untried: set[str]
) -> None:
    bench.profile = profile
    device = bench.plug(monkeypatch)
    before = bytes(bench.chip.contents)
    record = bench.prove()
    assert set(outcomes(record)) == {*READING, "busy", "program", "unplug"}
    assert record.failed == ()
    assert {each for each, found in outcomes(record).items() if found is not Outcome.HOLDS} == (
        untried
    )
    assert prove_headline(record).title == "Partly proven"
    assert bytes(bench.chip.contents) == before
    assert device.channels[1].pins.driven == 0
    assert len(list(bench.shelf.root.glob("*_prove"))) == 1


def test_only_reading_writes_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.profile = FT2232H
    bench.plug(monkeypatch)
    before = bytes(bench.chip.contents)
    record = bench.prove(writing=False)
    assert record.failed == ()
    assert bytes(bench.chip.contents) == before
    assert not bench.shelf.root.exists()
    untried = {name for name, outcome in outcomes(record).items() if outcome is Outcome.UNTRIED}
    assert untried == {"program", "busy", "unplug"}


WRONG = {
    "ten times the latency": (UsbFaults(latency_factor=10), "latency"),
    "an engine that goes on where it was": (UsbFaults(stubborn_engine=True), "start"),
    "one byte wrong in every long read": (UsbFaults(long_read=LongReadFlaw()), "long-reads"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_adapter_is_found_out(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    bench.faults, check = WRONG[name]
    bench.plug(monkeypatch)
    record = bench.prove(writing=False)
    assert [each.name for each in record.failed] == [check]
    assert prove_headline(record).tone == "bad"
    assert "DIFFERS" in prove_text(record, "")


@pytest.mark.parametrize(
    "faults", [UsbFaults(deaf_to=frozenset({0xAA, 0xAB})), UsbFaults(loses_last_byte=True)]
)
def test_one_that_is_none_is_refused_in_words(
    bench: Bench,
    monkeypatch: pytest.MonkeyPatch,
    faults: UsbFaults,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """An engine without the invalid opcodes, or with replies that are too short: nothing can be
    proven, and the command says what stopped answering."""
    bench.faults = faults
    bench.plug(monkeypatch)
    status = run(["prove", "--adapter", URL, "--read-only", "--json"])
    assert status == 13
    assert json.loads(capsys.readouterr().out)["error"] == "BusError"


def test_what_an_adapter_needs_is_kept_and_used(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.faults = UsbFaults(long_read=LongReadFlaw())
    bench.plug(monkeypatch)
    record = bench.prove(writing=False)
    assert record.longest_read < 65536
    path = keep(record)
    assert known(record.model, record.serial) == record
    keep(replace(record, serial="A/1"))
    assert known(record.model, "A-1") is None, "the record of another adapter"
    said: list[AdapterRecord | None] = []
    with connect(Settings(adapter=URL, announce_adapter=said.append)) as connection:
        read = b"".join(connection.bus.stream(b"\x03\0\0\0", 1 << 20))
    assert read == CONTENTS[: 1 << 20]
    assert said == [record]
    for rotten in (b"", b"{}", b"[1]", path.read_bytes()[:-30], b"\xff" * 50):
        path.write_bytes(rotten)
        assert known(record.model, record.serial) is None


def test_other_commands_say_whether_it_is_proven(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.plug(monkeypatch)
    assert run(["contact", "--adapter", URL]) == 0
    assert "not proven" in capsys.readouterr().err
    assert run(["prove", "--adapter", URL, "--read-only"]) == 0
    assert run(["contact", "--adapter", URL]) == 0
    assert "was proven on" in capsys.readouterr().err
    assert run(["contact", "--adapter", "sim:heron"]) == 0
    assert "proven" not in capsys.readouterr().err


@pytest.mark.parametrize("back", [True, False])
def test_the_cable_is_pulled_in_mid_write(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, back: bool
) -> None:
    device = bench.plug(monkeypatch)
    bench.chip.contents[-70000:] = bytes(70000)
    changed = bytes(bench.chip.contents)

    def watch(number: int) -> None:
        # The check's own erase is the only one that takes the second last block.
        if bench.chip.contents[-70000:-65536] != changed[-70000:-65536] and device.plugged:
            bench.faults.on_transfer = None
            device.unplug()

    bench.faults.on_transfer = watch

    def replug() -> bool:
        if back:
            device.replug()
        return back

    record = bench.prove(replug=replug)
    assert outcomes(record)["unplug"] is (Outcome.HOLDS if back else Outcome.UNTRIED)
    if back:
        assert bytes(bench.chip.contents) == changed
    else:
        assert list(bench.shelf.journals.iterdir()), "what the chip held is in the journal"


def test_the_page_and_the_sentences(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.plug(monkeypatch)
    record = bench.prove(writing=False)
    page = prove_page(record)
    assert all(escape(each.assumption) in page for each in record.checks)
    assert "HERON1" in page
    assert "not proven" in proven_sentence(None)
    assert f"{record.made:%Y-%m-%d}" in proven_sentence(record)


def test_a_protected_chip_is_not_written(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.chip = chip_with("W25Q64JV", 0x04)  # BP0: the last 128 KiB (W25Q64JV data sheet, 7.1.16)
    bench.plug(monkeypatch)
    before = bytes(bench.chip.contents)
    record = bench.prove()
    assert {outcomes(record)[name] for name in ("busy", "program")} == {Outcome.UNTRIED}
    assert bytes(bench.chip.contents) == before


def nameless_bench(bench: Bench) -> bytes:
    """A small chip without a unique ID; what it holds."""
    contents = heron_factory()[:0x10000].ljust(0x30000, b"\xff") + noise(3, 0x10000)
    bench.chip = NorChip(small_part(), contents)
    return contents


def test_a_chip_without_unique_id_gets_back_what_the_test_of_writing_erased(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the test ends in its middle, when no set holds what the chip holds then."""
    contents = nameless_bench(bench)
    bench.plug(monkeypatch)

    def stop(*_: object) -> float:
        raise BusError("The adapter did not answer.", state="", remedy="")

    monkeypatch.setattr(jobs_prove, "_page_busy", stop)
    with pytest.raises(BusError):
        bench.prove()
    assert bytes(bench.chip.contents) == contents
    assert not open_journals(bench.shelf.journals).whole


class KilledError(BaseException):
    """The program is gone."""


def test_a_chip_that_is_read_in_no_time_does_not_make_the_clock_wrong(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MX25L512E, 64 KiB: less than a sixtieth of a second at 30 MHz."""
    part = replace(small_part(), id=bytes.fromhex("C22010"), size=0x10000)
    bench.chip = NorChip(part, noise(3, 0x10000))
    bench.plug(monkeypatch)
    assert bench.prove(writing=False).failed == ()


def test_a_cable_that_is_pulled_while_the_adapter_itself_is_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(1, 40, 3):
        bench = Bench(Shelf(tmp_path), faults=UsbFaults(unplug_at=number))
        bench.plug(monkeypatch)
        with pytest.raises(SpiflashError):
            bench.prove(writing=False)
        UsbTools.release_all_devices()
        UsbTools.flush_cache()


def test_a_test_of_writing_that_was_killed_is_finished_like_any_write(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    contents = nameless_bench(bench)
    bench.plug(monkeypatch)

    def die(*_: object) -> None:
        raise KilledError

    with monkeypatch.context() as killed:
        for name in ("_page_busy", "_write_back"):
            killed.setattr(jobs_prove, name, die)
        with pytest.raises(KilledError):
            bench.prove()
    assert bytes(bench.chip.contents) != contents
    record = bench.prove()
    assert {outcomes(record)[name] for name in ("busy", "program")} == {Outcome.UNTRIED}
    adapter = ("--adapter", URL, "--shelf", str(bench.shelf.root))
    assert run(["restore", "--resume", "--yes", *adapter]) == 0
    assert bytes(bench.chip.contents) == contents
    assert not open_journals(bench.shelf.journals).whole


def test_stopping_the_test_of_writing_does_not_say_that_it_changed_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    contents = nameless_bench(bench)
    bench.plug(monkeypatch)

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    for name in ("_page_busy", "_write_back"):
        monkeypatch.setattr(jobs_prove, name, stop)
    assert run(["prove", "--yes", "--adapter", URL, "--shelf", str(bench.shelf.root)]) == 130
    assert bytes(bench.chip.contents) != contents
    assert "--resume" in (shown := capsys.readouterr().err)
    assert "did not change" not in shown
