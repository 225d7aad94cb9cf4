"""First contact: silent, sleeping, busy and flickering chips, on the simulated bench.

Facts of data sheets and drivers are cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hwmocks.bench import Bench, make_bench
from hwmocks.faults import (
    BitErrors,
    DeadClock,
    HeldLow,
    LooseChipSelect,
    LooseMiso,
    LooseMosi,
    NoPower,
    OneBitLate,
)
from hwmocks.nor.catalog import CATALOG
from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat, SpiDevice
from spiflash.bus import Transaction
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import ChipAbsentError, ChipTimeoutError, SpiflashError, UnstableReadError
from spiflash.nor.addressing import find_mode
from spiflash.nor.chip import Answers
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import chip_table, identify
from spiflash.nor.probe import probe, read_security, read_unique_id


def bench(
    chip: NorChip | str = "W25Q64JV", clip: Callable[[SpiDevice], SpiDevice] | None = None
) -> tuple[Bench, FtdiBus]:
    made = make_bench(NorChip(chip) if isinstance(chip, str) else chip, clip=clip)
    return made, open_bench_bus(made, "test")


def assert_complete(error: SpiflashError) -> None:
    assert error.cause
    assert error.state
    assert error.remedy


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_what_each_chip_says(name: str) -> None:
    made, bus = bench(name)
    before = made.chip.snapshot()
    answers = probe(bus)
    description = made.chip.description
    assert answers.id == (description.id * 8)[:8]
    if description.rems:
        assert answers.rems == description.rems
    if description.legacy_id is not None:
        assert answers.legacy == bytes((description.legacy_id,))
    assert answers.sfdp == description.sfdp[: len(answers.sfdp)]
    assert bool(answers.sfdp) == bool(description.sfdp)
    assert made.chip.snapshot() == before
    assert not made.chip.busy_drawn, "probing must not start anything"
    bus.close()


def test_only_reading_opcodes_are_sent_to_a_chip_that_answers() -> None:
    """9Fh, 90h, ABh, 5Ah and 05h; no reset, no write of any kind."""
    made, bus = bench()
    probe(bus)
    assert set(made.chip.opcode_counts) <= {0x9F, 0x90, 0xAB, 0x5A, 0x05}


# -- silence -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clip", "level"),
    [
        (lambda chip: LooseMiso(chip, True), "all FF"),
        (lambda chip: LooseMiso(chip, False), "all 00"),
        (LooseChipSelect, "all FF"),
        (DeadClock, "all FF"),
        (lambda chip: LooseMosi(chip, True), "all FF"),
        (lambda chip: LooseMosi(chip, False), "all FF"),
        (lambda chip: NoPower(chip, True), "all FF"),
        (lambda chip: NoPower(chip, False), "all 00"),
        (lambda chip: HeldLow(chip, "HOLD#"), "all FF"),
    ],
    ids=["MISO high", "MISO low", "CS", "SCK", "MOSI high", "MOSI low", "off", "off low", "HOLD"],
)
def test_a_silent_chip(clip: Callable[[SpiDevice], SpiDevice], level: str) -> None:
    # GD25Q64C: quad mode is off as delivered, so that HOLD# counts.
    made, bus = bench("GD25Q64C", clip)
    before = made.chip.snapshot()
    with pytest.raises(ChipAbsentError, match=level) as caught:
        probe(bus)
    assert_complete(caught.value)
    assert made.chip.snapshot() == before
    assert made.clock.now() < 1.0, "nobody wants to wait for a clip that is not seated"
    bus.close()


# -- asleep, busy, half-way ---------------------------------------------------------------------


def test_a_chip_asleep_is_woken_gently() -> None:
    made, bus = bench()
    bus.run([Transaction(b"\xb9", rest=1e-4)])
    assert bus.run([Transaction(b"\x9f", 3)]) == [b"\xff\xff\xff"]
    assert probe(bus).jedec_id == b"\xef\x40\x17"
    assert made.chip.opcode_counts[0x99] == 0, "waking needs no reset"


@pytest.mark.parametrize(
    ("name", "order", "limit"),
    [
        ("W25Q64JV", "20 00 10 00", 0.4),
        ("W25Q64JV", "d8 01 00 00", 2.0),
        ("MX25L6406E", "d8 01 00 00", 2.0),
        ("MX25L6406E", "02 00 00 00 48 65 72 6f 6e", 5e-3),
    ],
)
def test_a_chip_in_mid_write_is_left_to_finish(name: str, order: str, limit: float) -> None:
    """A reset (66h, 99h) would break off what an earlier, interrupted program started."""
    made, bus = bench(NorChip(name, seed=4))
    bus.run([Transaction(b"\x06"), Transaction(bytes.fromhex(order)), Transaction(b"", 1)])
    end = made.chip.busy_until()
    assert end > made.clock.now()
    assert probe(bus).jedec_id == made.chip.description.id[:3]
    assert made.clock.now() >= end
    assert made.clock.now() < end + limit + 0.1
    assert made.chip.opcode_counts[0x99] == 0
    if order.startswith("02"):
        assert made.chip.contents[:6] == b"Heron\xff"


def test_a_chip_erase_under_way_is_named_and_not_broken_off() -> None:
    made, bus = bench()
    bus.run([Transaction(b"\x06"), Transaction(b"\xc7"), Transaction(b"\x05", 1)])
    end = made.chip.busy_until()
    with pytest.raises(ChipTimeoutError, match="busy") as caught:
        probe(bus)
    assert_complete(caught.value)
    assert made.chip.opcode_counts[0x99] == 0
    made.clock.advance_to(end)
    assert probe(bus).jedec_id == b"\xef\x40\x17"


def test_an_auto_increment_run_that_was_broken_off_is_ended() -> None:
    """SST25VF032B data sheet: in AAI mode only ADh, 05h and 04h are taken."""
    _, bus = bench("SST25VF032B")
    bus.run([Transaction(b"\x06"), Transaction(b"\x01\x00", rest=1e-3), Transaction(b"\x06")])
    bus.run([Transaction(bytes.fromhex("ad 00 00 00 12 34"), rest=1e-3)])
    assert bus.run([Transaction(b"\x9f", 3)]) == [b"\xff\xff\xff"]
    assert probe(bus).jedec_id == b"\xbf\x25\x4a"


class ContinuousRead:
    """A chip that a processor left in continuous read mode: until a mode byte that is not Axh
    arrives, it takes whatever comes for an address (W25Q64FV data sheet)."""

    def __init__(self, inner: SpiDevice) -> None:
        self.inner = inner
        self.stuck = True
        self._seen = bytearray()

    def select(self, now: float) -> None:
        self._seen.clear()
        if not self.stuck:
            self.inner.select(now)

    def deselect(self, now: float) -> None:
        if not self.stuck:
            self.inner.deselect(now)
        # On one line, eight clocks of 1s end the mode of dual and quad reads.
        if self._seen[:2] == b"\xff\xff":
            self.stuck = False

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        self._seen += mosi
        return b"\xff" * len(mosi) if self.stuck else self.inner.transfer(mosi, beat)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        self.inner.level(pin, high, now)


def test_a_chip_in_continuous_read_mode_is_called_back() -> None:
    made, bus = bench(clip=ContinuousRead)
    assert probe(bus).jedec_id == b"\xef\x40\x17"
    assert made.chip.opcode_counts[0x99] == 0


# -- unsteady answers --------------------------------------------------------------------------


class Flicker:
    """The answers of one select period in two differ by a bit."""

    def __init__(self, inner: SpiDevice) -> None:
        self.inner = inner
        self._period = 0

    def select(self, now: float) -> None:
        self._period += 1
        self.inner.select(now)

    def deselect(self, now: float) -> None:
        self.inner.deselect(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        answer = self.inner.transfer(mosi, beat)
        if self._period > 4 and answer:
            return answer[:-1] + bytes((answer[-1] ^ 0x20,))
        return answer

    def level(self, pin: str, high: bool | None, now: float) -> None:
        self.inner.level(pin, high, now)


def test_an_id_that_flickers() -> None:
    _, bus = bench(clip=Flicker)
    with pytest.raises(UnstableReadError, match="two different IDs") as caught:
        probe(bus)
    assert_complete(caught.value)


@pytest.mark.parametrize("seed", range(6))
def test_noise_never_passes_for_another_chip(seed: int) -> None:
    """With one bit in twenty wrong, two equal wrong readings of 64 bits do not happen."""
    _, bus = bench(clip=lambda chip: BitErrors(chip, 0.05, seed=seed))
    try:
        answers = probe(bus)
    except SpiflashError as exc:
        answers = None
        error = exc
    if answers is None:
        assert isinstance(error, UnstableReadError | ChipTimeoutError | ChipAbsentError)
    else:
        assert answers.jedec_id == b"\xef\x40\x17"


def test_a_bit_late_is_not_taken_for_a_known_chip() -> None:
    _, bus = bench(clip=OneBitLate)
    assert probe(bus).jedec_id != b"\xef\x40\x17"


# -- unique ID and security registers ----------------------------------------------------------


@pytest.mark.parametrize(
    "name", [name for name, chip in sorted(CATALOG.items()) if chip.unique_id_length]
)
def test_unique_id(name: str) -> None:
    made, bus = bench(NorChip(name, seed=3))
    chip = identify(probe(bus), chip_table(), name)
    with NorFlash(bus, chip, find_mode(bus, chip)) as flash, flash.short_addresses():
        assert read_unique_id(bus, chip) == made.chip.unique_id


def test_no_unique_id() -> None:
    _, bus = bench("MX25L6406E")
    chip = identify(probe(bus), chip_table(), "MX25L6406E")
    assert read_unique_id(bus, chip) is None
    _, blank = bench(NorChip("W25Q64JV", unique_id=b"\xff" * 8))
    assert read_unique_id(blank, identify(probe(blank), chip_table(), "W25Q64JV")) is None


def test_security_registers() -> None:
    made, bus = bench()
    for number, register in enumerate(made.chip.security):
        register[:] = bytes((number * 17 + i) & 0xFF for i in range(len(register)))
    chip = identify(probe(bus), chip_table(), "W25Q64JV")
    assert list(read_security(bus, chip)) == [bytes(r) for r in made.chip.security]
    _, plain = bench("S25FL128S")
    found = identify(probe(plain), chip_table())
    assert read_security(plain, found) == () or found.security is not None


def test_answers_hold_the_first_three_bytes_apart() -> None:
    assert Answers(bytes(range(8))).jedec_id == b"\x00\x01\x02"
