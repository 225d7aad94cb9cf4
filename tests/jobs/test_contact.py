"""The contact check on every fault of the simulated bench: named, with the pin to look at."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from hwmocks.bench import make_bench
from hwmocks.boards.heron import heron_factory
from hwmocks.faults import (
    BitErrors,
    DeadClock,
    HeldLow,
    IntermittentContact,
    LooseChipSelect,
    LooseMiso,
    LooseMosi,
    NoPower,
    OneBitLate,
    OtherMaster,
    SlowWire,
    StuckBits,
)
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice
from spiflash.bus.locate import open_bench_bus
from spiflash.cli.main import run
from spiflash.errors import AdapterLostError
from spiflash.jobs import contact
from spiflash.jobs.connection import Settings
from spiflash.jobs.contact import Contact
from spiflash.report.bench import contact_json, contact_text

Clip = Callable[[SpiDevice], SpiDevice]


def look(
    monkeypatch: pytest.MonkeyPatch,
    clip: Clip | None = None,
    *,
    quad: bool = True,
    faults: UsbFaults | None = None,
) -> Contact:
    """The contact check of a demo board whose clip has a fault."""
    chip = NorChip("W25Q64JV", heron_factory(), seed=3)
    if not quad:
        chip.set_register("SR2", chip.registers["SR2"] & ~0x02, lasting=True)
    bench = make_bench(chip, clip=clip, faults=faults)
    bench.clock.advance(0.1)
    monkeypatch.setattr(contact, "open_adapter", lambda _: (open_bench_bus(bench, "test"), None))
    return contact.make_contact(Settings())


@pytest.mark.parametrize("transfer", [40, 620, 920])
def test_an_adapter_that_is_pulled_out_says_nothing_of_the_clip(
    monkeypatch: pytest.MonkeyPatch, transfer: int
) -> None:
    with pytest.raises(AdapterLostError):
        look(monkeypatch, faults=UsbFaults(unplug_at=transfer))


def test_a_good_clip(monkeypatch: pytest.MonkeyPatch) -> None:
    found = look(monkeypatch)
    assert found.good
    assert found.clock == 30e6  # the FT232H's top clock, and the chip reads at more
    assert found.latch
    assert all(line.edge == line.late == line.tried for line in found.lines)
    text = contact_text(found)
    assert "30 MHz" in text
    # No figure says more than was measured.
    assert found.repeated is not None
    assert found.repeated.bits > 5_000_000
    assert f"{found.repeated.readings} readings of" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize(
    ("clip", "name", "pin"),
    [
        (lambda c: LooseMiso(c, True), "silent-high", 2),
        (lambda c: LooseMiso(c, False), "silent-low", 2),
        (lambda c: LooseMiso(c, None, seed=1), "floating", 2),
        (lambda c: LooseMosi(c, True), "silent-high", 5),
        (lambda c: LooseMosi(c, False), "silent-high", 5),
        (LooseChipSelect, "silent-high", 1),
        (DeadClock, "silent-high", 6),
        (lambda c: NoPower(c, True), "silent-high", 8),
        (lambda c: NoPower(c, False), "silent-low", 8),
        (OneBitLate, "bit-late", 6),
        (lambda c: StuckBits(c, 0xF0, False), "stuck-bits", 6),
        (lambda c: StuckBits(c, 0x0F, False), "stuck-bits", 6),
        (lambda c: StuckBits(c, 0x0F, True), "stuck-bits", 6),
        (lambda c: StuckBits(c, 0x08, True), "stuck-bits", 6),
        (lambda c: IntermittentContact(c, quiet=0.1, burst=5e-3, seed=2), "intermittent", 2),
        (lambda c: OtherMaster(c, quiet=0.1, burst=5e-3, seed=2), "other-master", 6),
        (
            lambda c: IntermittentContact(c, line="CS", quiet=0.1, burst=5e-3, seed=2),
            "intermittent",
            1,
        ),
        (lambda c: BitErrors(c, 1e-4, seed=2), "noise", 4),
        # Too rare for the readings of the ID: 134,400 bits.
        (lambda c: BitErrors(c, 1e-6, seed=2), "read-errors", 4),
    ],
)
def test_a_fault_is_named(monkeypatch: pytest.MonkeyPatch, clip: Clip, name: str, pin: int) -> None:
    found = look(monkeypatch, clip)
    assert [fault.name for fault in found.faults] == [name]
    assert pin in found.faults[0].pins
    assert f"pin {pin} " in contact_text(found)


def test_hold_pulled_low(monkeypatch: pytest.MonkeyPatch) -> None:
    found = look(monkeypatch, lambda c: HeldLow(c, "HOLD#"), quad=False)
    assert found.faults[0].name == "silent-high"
    assert 7 in found.faults[0].pins


def test_a_slow_wire_shows_where_it_starts_to_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """60 ns: the rising edge leaves half a period, good below 8.3 MHz; late sampling a whole
    one, good below 16.7 MHz. One step of reserve is kept from what fails."""
    found = look(monkeypatch, lambda c: SlowWire(c, delay=60e-9, jitter=1e-9, seed=1))
    right = {line.hertz: (line.edge, line.late) for line in found.lines}
    assert right[7.5e6] == (16, 16)
    assert right[10e6] == (0, 16)
    assert right[15e6] == (0, 16)
    assert right[30e6][1] == 0
    assert found.clock == 10e6  # 15 MHz works, 30 MHz does not
    assert found.edge_limit == 6e6


def test_json_holds_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    document = json.loads(json.dumps(contact_json(look(monkeypatch, OneBitLate))))
    assert document["good"] is False
    assert document["faults"][0]["name"] == "bit-late"
    assert document["clock"] == 0


def test_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["contact", "--adapter", "sim:heron"]) == 0
    assert "--clock auto" in capsys.readouterr().out


def test_nothing_is_changed_on_the_chip(monkeypatch: pytest.MonkeyPatch) -> None:
    chip = NorChip("W25Q64JV", heron_factory(), seed=3)
    before = chip.snapshot()
    bench = make_bench(chip)
    bench.clock.advance(0.1)
    monkeypatch.setattr(contact, "open_adapter", lambda _: (open_bench_bus(bench, "test"), None))
    contact.make_contact(Settings())
    assert chip.snapshot() == before
    assert not chip.registers["SR1"] & 0x02
