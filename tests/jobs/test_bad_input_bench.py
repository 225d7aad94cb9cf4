"""What goes wrong at the bench, as the command line tells it: adapters and chips.

In one process, with the simulated bench spoilt before the command opens it.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import hwmocks.bench
from hwmocks.bench import Bench as SimulatedBench
from hwmocks.bench import make_bench
from hwmocks.faults.pins import LooseMiso
from hwmocks.ftdi import UsbFaults
from hwmocks.wire import Beat, SpiDevice
from spiflash.bus import locate
from spiflash.bus.locate import Adapter
from spiflash.cli.main import run
from spiflash.errors import (
    AdapterChoiceError,
    AdapterLostError,
    AdapterNotFoundError,
    ChipAbsentError,
    ChipUnknownError,
)
from tests.jobs.cli_rig import Bench, Ended, assert_said, contents_of


@pytest.fixture(scope="module")
def whole(saved: Bench) -> Bench:
    """With an image that differs in a few places."""
    image = bytearray(saved.flash)
    for start in range(0, len(image), 1 << 19):
        image[start : start + 4] = b"new\n"
    (saved.folder / "image").write_bytes(image)
    return saved


@dataclass
class Here:
    """Runs commands in this process; `faults` and `clip` spoil every bench that is opened."""

    bench: Bench
    capfd: pytest.CaptureFixture[str]
    faults: UsbFaults = field(default_factory=UsbFaults)
    clip: Callable[[SpiDevice], SpiDevice] | None = None
    opened: SimulatedBench | None = None

    def run(self, command: str, *arguments: str) -> Ended:
        shelf = ("--shelf", str(self.bench.shelf)) if command in ("backup", "restore") else ()
        status = run([command, "--adapter", f"sim:{self.bench.board}", *shelf, *arguments])
        said = self.capfd.readouterr()
        return Ended(status, said.out, said.err)


@pytest.fixture
def here(
    whole: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Here:
    found = Here(whole.copy(tmp_path / "bench"), capfd)
    genuine = hwmocks.bench.open_bench

    def spoilt(spec: str) -> SimulatedBench:
        opened = genuine(spec)
        found.opened = make_bench(
            opened.chip, folder=opened.folder, faults=found.faults, clip=found.clip
        )
        return found.opened

    monkeypatch.setattr(hwmocks.bench, "open_bench", spoilt)
    return found


# -- adapters --------------------------------------------------------------------------------


def plugged_in(monkeypatch: pytest.MonkeyPatch, *serials: str) -> None:
    adapters = tuple(
        Adapter(f"ftdi://0x403:0x6014:{serial}/1", "FT232H", "A", serial, 30e6)
        for serial in serials
    )
    monkeypatch.setattr(locate, "list_adapters", lambda: adapters)


@pytest.mark.parametrize("command", ["identify", "backup", "verify", "restore", "erase"])
def test_no_adapter(
    whole: Bench, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    plugged_in(monkeypatch)
    monkeypatch.delenv("SPIFLASH_ADAPTER", raising=False)
    source = [str(whole.folder / "image")] if command in ("verify", "restore") else []
    status = run([command, *source])
    said = capfd.readouterr()
    assert_said(Ended(status, said.out, said.err), AdapterNotFoundError.status, "sim:heron")
    assert run([command, *source, "--json"]) == AdapterNotFoundError.status
    assert json.loads(capfd.readouterr().out)["error"] == "AdapterNotFoundError"


def test_two_adapters_and_no_choice(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    plugged_in(monkeypatch, "BENCH1", "BENCH2")
    monkeypatch.delenv("SPIFLASH_ADAPTER", raising=False)
    status = run(["identify"])
    said = capfd.readouterr()
    # The way on is to name one: both names are there to be copied.
    assert_said(
        Ended(status, said.out, said.err),
        AdapterChoiceError.status,
        "ftdi://0x403:0x6014:BENCH1/1",
        "ftdi://0x403:0x6014:BENCH2/1",
    )


@pytest.mark.parametrize("number", [1, 2, 30, 100, 400])
def test_unplugged_while_reading(here: Here, number: int) -> None:
    before, flash = contents_of(here.bench.shelf), here.bench.flash
    here.faults = UsbFaults(unplug_at=number)
    assert_said(here.run("backup"), AdapterLostError.status, "unplugged", "again")
    assert contents_of(here.bench.shelf) == before
    assert here.bench.flash == flash


def first_and_last_erase(here: Here, *arguments: str) -> tuple[int, int]:
    """Between which USB transfers a command erases, when nothing goes wrong: by the wear of
    the simulated chip's sectors."""
    worn: dict[int, int] = {}

    def look(number: int) -> None:
        assert here.opened is not None
        worn[number] = sum(here.opened.chip.wear)

    here.faults = UsbFaults(on_transfer=look)
    assert here.run(*arguments).status == 0
    low, high = min(worn.values()), max(worn.values())
    assert low < high
    first = min(number for number, wear in worn.items() if wear > low)
    return first, min(number for number, wear in worn.items() if wear == high)


def test_unplugged_while_writing(here: Here, tmp_path: Path) -> None:
    image = str(here.bench.folder / "image")
    bench = here.bench
    here.bench = bench.copy(tmp_path / "spare")
    first, last = first_and_last_erase(here, "restore", image, "--yes")
    here.bench = bench
    here.faults = UsbFaults(unplug_at=(first + last) // 2)
    ended = here.run("restore", image, "--yes")
    assert ended.status == AdapterLostError.status, ended
    assert "Traceback" not in ended.err
    (journal,) = (bench.shelf / "journals").iterdir()
    assert str(journal) in ended.err
    for needed in ("mixture", "restore --resume", "do not power the board"):
        assert needed in " ".join(ended.err.split())
    factory, new = ((bench.folder / name).read_bytes() for name in ("factory.bin", "image"))
    assert bench.flash not in (factory, new)
    here.faults = UsbFaults()
    assert here.run("restore", "--resume", "--yes").status == 0
    assert bench.flash == new


# -- chips -----------------------------------------------------------------------------------


class Answers:
    """A chip of which nothing is known but its ID: it answers 9Fh, and nothing else."""

    def __init__(self, ident: bytes) -> None:
        self._ident = ident
        self._at = 0
        self._opcode: int | None = None

    def select(self, now: float) -> None:
        self._opcode, self._at = None, 0

    def deselect(self, now: float) -> None:
        pass

    def level(self, pin: str, high: bool | None, now: float) -> None:
        pass

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        answer = bytearray()
        for octet in mosi:
            if self._opcode is None:
                self._opcode = octet
                answer.append(0xFF)
            elif self._opcode == 0x9F:
                answer.append(self._ident[self._at % len(self._ident)])
                self._at += 1
            else:
                answer.append(0x00 if self._opcode == 0x05 else 0xFF)
        return bytes(answer)


ABSENT: dict[str, Callable[[SpiDevice], SpiDevice]] = {
    "all FF": lambda chip: LooseMiso(chip, True),
    "all 00": lambda chip: LooseMiso(chip, False),
}
UNKNOWN = b"\x7a\x33\x44"


@pytest.mark.parametrize("command", ["identify", "backup", "verify", "restore"])
@pytest.mark.parametrize("kind", ABSENT)
def test_nothing_on_the_clip(here: Here, kind: str, command: str) -> None:
    before, flash = contents_of(here.bench.shelf), here.bench.flash
    here.clip = ABSENT[kind]
    source = [str(here.bench.folder / "image")] if command in ("verify", "restore") else []
    assert_said(here.run(command, *source), ChipAbsentError.status)
    assert contents_of(here.bench.shelf) == before
    assert here.bench.flash == flash


@pytest.mark.parametrize("command", ["backup", "restore"])
def test_a_chip_that_nobody_knows(here: Here, command: str) -> None:
    here.clip = lambda chip: Answers(UNKNOWN)
    before, flash = contents_of(here.bench.shelf), here.bench.flash
    source = [str(here.bench.folder / "image")] if command == "restore" else []
    assert_said(here.run(command, *source), ChipUnknownError.status, "7A 33 44")
    assert contents_of(here.bench.shelf) == before
    assert here.bench.flash == flash
