"""NorFlash on simulated chips: what it does is checked on the memory array itself."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import pytest

from chipdb.part import FourByte
from hwmocks.bench import Bench, make_bench
from hwmocks.faults import LooseMiso
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.description import Bit, Time
from hwmocks.wire import Beat, SpiDevice
from spiflash.bus import Transaction
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import BusError, ChipAbsentError, ChipTimeoutError, ChipUnknownError
from spiflash.nor.chip import Chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.flash import NorFlash
from spiflash.nor.geometry import EraseType
from spiflash.nor.identify import chip_table, identify
from spiflash.nor.probe import probe

MIB = 1 << 20
STYLES = [ReadStyle(fast=False), ReadStyle(fast=True), ReadStyle(fast=True, chunk=1000)]


@dataclass
class Desk:
    """A chip, what was found out about it, and the bus between."""

    simulated: NorChip
    chip: Chip
    bus: FtdiBus
    bench: Bench

    @property
    def contents(self) -> bytearray:
        return self.simulated.contents

    def settle(self) -> None:
        """Let the adapter carry out what it was sent and nobody waited for."""
        self.bench.clock.sleep(1e-3)
        self.bench.device.settle()


@contextmanager
def desk(
    name: str | NorChip,
    *,
    part: str | None = None,
    way: FourByte | None = None,
    adapter: str = "ft232h",
    hertz: float = 30e6,
    clip: Callable[[SpiDevice], SpiDevice] | None = None,
    faults: UsbFaults | None = None,
    seed: int = 1,
) -> Iterator[Desk]:
    """`part` insists on a table entry, `way` on one way above 16 MiB."""
    simulated = NorChip(name, seed=seed) if isinstance(name, str) else name
    bench = make_bench(simulated, adapter=adapter, clip=clip, faults=faults)
    bus = open_bench_bus(bench, "test")
    chip = identify(probe(bus), chip_table(), part)
    if way is not None:
        chip = replace(chip, four_byte=(way,))
    bus.set_clock(hertz)
    try:
        yield Desk(simulated, chip, bus, bench)
    finally:
        bus.close()


def noise(count: int, seed: int = 0) -> bytes:
    return random.Random(seed).randbytes(count)


def paged(start: int, data: bytes, page: int = 256) -> list[tuple[int, bytes]]:
    """Cut at page boundaries."""
    pieces = []
    while data:
        size = page - start % page
        pieces.append((start, data[:size]))
        start, data = start + size, data[size:]
    return pieces


# name on the bench, part to insist on, way above 16 MiB
CHIPS = [
    ("W25Q64JV", "W25Q64JV", None),
    ("GD25Q64C", None, None),
    ("MX25L6406E", "MX25L6406E", None),
    ("W25Q128JV", None, None),
    ("N25Q128A", "N25Q128A13", None),
    ("IS25LP128", None, None),
    ("S25FL128S", None, None),
    ("W25Q256JV", "W25Q256JV", None),
    ("W25Q256JV", "W25Q256JV", FourByte.ENTER),
    ("W25Q256JV", "W25Q256JV", FourByte.EXTENDED_REGISTER),
    ("MX25L25635E", "MX25L25635E", None),
    ("MX25L25645G", "MX25L25635F", None),
    ("EN25QH64", None, None),
]


@pytest.mark.parametrize(("name", "part", "way"), CHIPS)
def test_read_erase_and_program(name: str, part: str | None, way: FourByte | None) -> None:
    with desk(name, part=part, way=way) as d:
        size = d.chip.size
        assert size == d.simulated.description.size
        places = sorted({0, size // 2 - 65536, size // 2, size - 65536})
        for number, place in enumerate(places):
            d.contents[place : place + 65536] = noise(65536, number)
        expected = bytearray(d.contents)
        with NorFlash(d.bus, d.chip) as flash:
            for style in STYLES:
                for place in places:
                    assert (
                        flash.read_all(place + 100, 5000, style)
                        == expected[place + 100 : place + 5100]
                    )
            across = size // 2 - 3000
            assert flash.read_all(across, 6000, STYLES[1]) == expected[across : across + 6000]

            for low, high, kinds in flash.geometry.spans():
                for kind in kinds:
                    for start in (low, high - kind.size):
                        flash.erase(start, kind)
                        expected[start : start + kind.size] = b"\xff" * kind.size
                        assert d.simulated.erased[-1] == (start, kind.size)
                        assert d.contents == expected
            done: list[int] = []
            for place in places:
                start = place + 300
                expected[place : place + 65536] = b"\xff" * 65536
                d.contents[place : place + 65536] = b"\xff" * 65536
                data = noise(20000, place)
                flash.program(paged(start, data), done.append)
                expected[start : start + len(data)] = data
            assert d.contents == expected
            assert sum(done) == 20000 * len(places)
        d.settle()
        assert not d.simulated.four_byte_mode
        assert d.simulated.registers["SR1"] & 0x03 == 0


def test_programming_only_clears_bits() -> None:
    with desk("W25Q64JV") as d, NorFlash(d.bus, d.chip) as flash:
        flash.program([(0, b"\xf0\x0f")])
        flash.program([(0, b"\x3c\x3c")])
        assert d.contents[:3] == b"\x30\x0c\xff"


def test_chip_erase() -> None:
    with desk("W25Q64JV") as d, NorFlash(d.bus, d.chip) as flash:
        d.contents[:] = bytes(len(d.contents))
        kind = flash.geometry.chip_erase
        assert kind is not None
        start = d.bench.clock.now()
        flash.erase(0, kind)
        assert d.contents.count(0xFF) == len(d.contents)
        took = d.bench.clock.now() - start
        drawn = d.simulated.busy_drawn["erase-chip"]
        assert drawn <= took <= drawn * 1.05 + 0.1


@pytest.mark.parametrize("adapter", ["ft232h", "ft2232h", "ft4232h", "ft2232c"])
def test_every_kind_of_adapter(adapter: str) -> None:
    with desk("W25Q64JV", adapter=adapter) as d, NorFlash(d.bus, d.chip) as flash:
        data = noise(9000)
        flash.program(paged(0x1234, data))
        assert d.contents[0x1234 : 0x1234 + 9000] == data
        assert flash.read_all(0x1234, 9000, STYLES[1]) == data


# -- a chip of words (SST25VF032B) -------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "length"), [(0, 256), (1, 255), (0x1001, 2), (0x2000, 1), (0x2003, 1), (0x3000, 7)]
)
def test_word_programming(start: int, length: int) -> None:
    """It wakes with every block locked, and takes two bytes at an even address each."""
    with desk("SST25VF032B") as d:
        assert d.simulated.protected_ranges
        data = noise(length, start)
        with NorFlash(d.bus, d.chip) as flash:
            d.settle()
            assert not d.simulated.protected_ranges
            flash.program(paged(start, data))
        assert d.contents[start : start + length] == data
        assert d.contents.count(0xFF, 0, start) == start
        assert d.contents.count(0xFF, start + length) == len(d.contents) - start - length
        assert d.bus.run([Transaction(b"\x9f", 3)]) == [b"\xbf\x25\x4a"], "left the AAI mode"


def test_a_broken_off_word_run_leaves_a_chip_that_listens() -> None:
    """Ctrl-C at every USB transfer of the run."""
    hits: list[int] = []
    stop = [0]

    def hook(number: int) -> None:
        if number == stop[0]:
            hits.append(number)
            raise KeyboardInterrupt

    with desk("SST25VF032B", faults=UsbFaults(on_transfer=hook)) as d:

        def session(ahead: int) -> None:
            with NorFlash(d.bus, d.chip) as flash:
                stop[0] = d.bench.device.transfers + ahead
                while True:
                    flash.program(paged(0, noise(2048)))

        for ahead in range(1, 12):
            with pytest.raises(KeyboardInterrupt):
                session(ahead)
            assert d.bus.run([Transaction(b"\x9f", 3)]) == [b"\xbf\x25\x4a"]
        assert len(hits) == 11


# -- waiting and repeating ---------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("factor", [1.0, 1.6, 4.0, 7.0])
def test_a_page_sent_to_a_busy_chip_is_sent_again(factor: float, seed: int) -> None:
    """A chip `factor` times slower than its typical time, within its maximum (3 ms)."""
    usual = describe("W25Q64JV")
    slow = replace(usual, program=Time(usual.program.typical * factor, usual.program.maximum))
    with desk(NorChip(slow, seed=seed)) as d, NorFlash(d.bus, d.chip) as flash:
        data = noise(40000, seed)
        flash.program(paged(0x10000, data))
        assert d.contents[0x10000 : 0x10000 + len(data)] == data
        assert d.simulated.opcode_counts[0x02] >= len(data) // 256


def test_waits_cost_little_on_an_ordinary_chip() -> None:
    """The sum of the busy times drawn is the limit; the bits need 8 * 260 / 30 MHz a page."""
    with desk("W25Q64JV", part="W25Q64JV") as d, NorFlash(d.bus, d.chip) as flash:
        flash.program(paged(0, noise(256 * 64)))
        before, start = d.simulated.busy_drawn["program"], d.bench.clock.now()
        flash.program(paged(0x10000, noise(65536)))
        limit = d.simulated.busy_drawn["program"] - before + 256 * 8 * 262 / 30e6
        assert d.bench.clock.now() - start < 1.6 * limit


class Stuck:
    """Once switched on, status register 1 reads `status` whatever the chip does."""

    def __init__(self, inner: SpiDevice, status: int) -> None:
        self.inner = inner
        self.status = status
        self.on = False
        self._opcode: int | None = None

    def select(self, now: float) -> None:
        self._opcode = None
        self.inner.select(now)

    def deselect(self, now: float) -> None:
        self.inner.deselect(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        answer = self.inner.transfer(mosi, beat)
        asked = self._opcode
        if self._opcode is None and mosi:
            self._opcode = mosi[0]
        if not self.on:
            return answer
        return bytes((self.status,)) * len(answer) if asked == 0x05 else answer

    def level(self, pin: str, high: bool | None, now: float) -> None:
        self.inner.level(pin, high, now)


@pytest.mark.parametrize(("status", "error"), [(0x03, ChipTimeoutError), (0xFF, ChipAbsentError)])
@pytest.mark.parametrize("what", ["erase", "program"])
def test_a_chip_that_never_gets_ready(
    status: int, error: type[ChipTimeoutError] | type[ChipAbsentError], what: str
) -> None:
    stuck: list[Stuck] = []

    def clip(chip: SpiDevice) -> SpiDevice:
        stuck.append(Stuck(chip, status))
        return stuck[0]

    with desk("W25Q64JV", clip=clip) as d:
        flash = NorFlash(d.bus, d.chip)
        kind = next(k for k in flash.geometry.erase_types if k.size == 4096)
        longest = kind.time.maximum if what == "erase" else flash.geometry.program.maximum

        def session() -> None:
            with flash:
                stuck[0].on = True
                if what == "erase":
                    flash.erase(0, kind)
                else:
                    flash.program([(0, b"\x00")])

        start = d.bench.clock.now()
        with pytest.raises(error) as caught:
            session()
        assert caught.value.state
        assert caught.value.remedy
        # No earlier than the data sheet's maximum, and 2 s of patience; leaving waits 3 s more.
        assert longest <= d.bench.clock.now() - start < 2 * longest + 5.5


def test_a_chip_that_vanishes_in_mid_erase() -> None:
    with desk("W25Q64JV") as d:
        flash = NorFlash(d.bus, d.chip)
        kind = next(k for k in flash.geometry.erase_types if k.size == 65536)
        pulled: list[int] = []

        def power_off(number: int) -> None:
            if d.simulated.erased and not pulled:
                pulled.append(number)
                d.simulated.power(False, d.bench.clock.now())

        d.bench.device.faults.on_transfer = power_off
        with pytest.raises(ChipAbsentError, match="erasing 64 KiB at 010000h"), flash:
            flash.erase(0x10000, kind)
        assert pulled


def test_a_status_that_cannot_be_heard() -> None:
    with desk("W25Q64JV") as d:
        assert NorFlash(d.bus, d.chip).write_enabled()
        assert not d.simulated.registers["SR1"] & 0x02, "the latch is cleared again"
        d.bench.device.channels[1].pins.chip = LooseMiso(d.simulated, True)
        assert not NorFlash(d.bus, d.chip).write_enabled()
        d.bench.device.channels[1].pins.chip = LooseMiso(d.simulated, False)
        assert not NorFlash(d.bus, d.chip).write_enabled()


# -- address modes -----------------------------------------------------------------------------

MODES = [
    ("MX25L25635E", "MX25L25635E", FourByte.ENTER),
    ("W25Q256JV", "W25Q256JV", FourByte.ENTER_WREN),
    ("W25Q256JV", "W25Q256JV", FourByte.EXTENDED_REGISTER),
]


@pytest.mark.parametrize(("name", "part", "way"), MODES)
@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, BusError])
def test_the_address_mode_is_put_back_after_an_error(
    name: str, part: str, way: FourByte, error: type[BaseException]
) -> None:
    with desk(name, part=part, way=way) as d:
        high = d.chip.size - 4096
        raised = error("x")

        def session() -> None:
            with NorFlash(d.bus, d.chip) as flash:
                flash.read_all(high, 10, STYLES[0])
                if way is FourByte.EXTENDED_REGISTER:
                    assert d.simulated.registers["EAR"] == 1
                else:
                    assert d.simulated.four_byte_mode
                raise raised

        with pytest.raises(error) as caught:
            session()
        assert caught.value is raised
        d.settle()
        assert not d.simulated.four_byte_mode
        assert d.simulated.registers.get("EAR", 0) == 0


@pytest.mark.parametrize(("name", "part", "way"), MODES)
def test_the_address_mode_is_put_back_after_ctrl_c_anywhere(
    name: str, part: str, way: FourByte
) -> None:
    """At every USB transfer of a session, entering included."""

    def session(d: Desk) -> None:
        with NorFlash(d.bus, d.chip) as flash:
            flash.program([(20 * MIB, b"\x12"), (1 * MIB, b"\x34")])
            flash.read_all(20 * MIB, 10, STYLES[0])

    with desk(name, part=part, way=way) as d:
        first = d.bench.device.transfers
        session(d)
        steps = d.bench.device.transfers - first
        stop = [0]

        def hook(number: int) -> None:
            if number == stop[0]:
                raise KeyboardInterrupt

        d.bench.device.faults.on_transfer = hook
        assert steps > 10
        for ahead in range(1, steps + 1):
            stop[0] = d.bench.device.transfers + ahead
            with pytest.raises(KeyboardInterrupt):
                session(d)
            d.settle()
            assert not d.simulated.four_byte_mode, f"transfer {ahead} of {steps}"
            assert d.simulated.registers.get("EAR", 0) == 0, f"transfer {ahead} of {steps}"


def test_ctrl_c_right_after_the_mode_was_entered(monkeypatch: pytest.MonkeyPatch) -> None:
    with desk("MX25L25635E", part="MX25L25635E") as d:
        real = d.bus.run

        def run(transactions: Sequence[Transaction]) -> list[bytes]:
            answers = real(transactions)
            if b"\xb7" in [transaction.out for transaction in transactions]:
                raise KeyboardInterrupt
            return answers

        monkeypatch.setattr(d.bus, "run", run)
        with pytest.raises(KeyboardInterrupt):
            NorFlash(d.bus, d.chip).__enter__()
        d.settle()
        assert d.simulated.opcode_counts[0xB7] == 1
        assert not d.simulated.four_byte_mode


def test_the_segment_left_by_an_earlier_program_is_not_believed() -> None:
    with desk("W25Q256JV", part="W25Q256JV", way=FourByte.EXTENDED_REGISTER) as d:
        d.contents[0:5] = b"lower"
        d.contents[16 * MIB : 16 * MIB + 5] = b"upper"
        d.bus.run([Transaction(b"\x06"), Transaction(b"\xc5\x01"), Transaction(b"\x05", 1)])
        assert d.simulated.registers["EAR"] == 1
        with NorFlash(d.bus, d.chip) as flash:
            assert flash.read_all(0, 5, STYLES[0]) == b"lower"
            assert flash.read_all(16 * MIB, 5, STYLES[0]) == b"upper"
            assert flash.read_all(0, 5, STYLES[1]) == b"lower"


@pytest.mark.parametrize("way", [FourByte.EXTENDED_REGISTER, FourByte.ENTER, FourByte.OPCODES])
def test_reading_across_16_mib(way: FourByte) -> None:
    with desk("W25Q256JV", part="W25Q256JV", way=way) as d:
        border = 16 * MIB
        d.contents[border - 70000 : border + 70000] = noise(140000)
        with NorFlash(d.bus, d.chip) as flash:
            read = b"".join(flash.read(border - 70000, 140000, ReadStyle(chunk=4096)))
            assert read == d.contents[border - 70000 : border + 70000]
            flash.program([(border - 256, bytes(256)), (border, bytes(256)), (0, b"\x01")])
        assert d.contents[border - 256 : border + 256] == bytes(512)
        assert d.contents[0] == 1


def test_native_opcodes_never_enter_a_mode() -> None:
    with desk("W25Q256JV", part="W25Q256JV") as d:
        with NorFlash(d.bus, d.chip) as flash:
            flash.program([(20 * MIB, b"\x12")])
            flash.read_all(20 * MIB, 4, STYLES[1])
            flash.erase(20 * MIB, next(k for k in flash.geometry.erase_types if k.size == 4096))
        assert d.simulated.opcode_counts[0xB7] == 0
        assert d.simulated.opcode_counts[0x12] == 1
        assert d.simulated.opcode_counts[0x21] == 1


def test_a_big_chip_without_a_way_is_refused_in_words() -> None:
    with desk("W25Q256JV", part="W25Q256JV") as d, pytest.raises(ChipUnknownError):
        NorFlash(d.bus, replace(d.chip, four_byte=()))


# -- refusals ----------------------------------------------------------------------------------


def test_addresses_outside_the_chip() -> None:
    with desk("W25Q64JV") as d, NorFlash(d.bus, d.chip) as flash:
        size = d.chip.size
        sector = next(k for k in flash.geometry.erase_types if k.size == 4096)
        for start, length in ((-1, 2), (size, 1), (size - 1, 2), (0, -1)):
            with pytest.raises(ValueError, match="inside"):
                flash.read_all(start, length, STYLES[0])
        for start in (-4096, size):
            with pytest.raises(ValueError, match="inside"):
                flash.erase(start, sector)
        for start, data in ((-1, b"xx"), (size, b"x"), (size - 1, b"xx")):
            with pytest.raises(ValueError, match="inside"):
                flash.program([(start, data)])
        assert flash.read_all(size, 0, STYLES[0]) == b""
        assert flash.read_all(size - 1, 1, STYLES[0]) == b"\xff"
        assert not d.simulated.erased
        assert d.simulated.pages_programmed == 0


def test_a_block_that_is_not_aligned() -> None:
    with desk("W25Q64JV") as d, NorFlash(d.bus, d.chip) as flash:
        for kind in flash.geometry.erase_types:
            with pytest.raises(ValueError, match="not the start"):
                flash.erase(kind.size // 2, kind)
        assert not d.simulated.erased


@pytest.mark.parametrize(("start", "length"), [(0xFF, 2), (0x80, 129), (0, 257), (0x1FF, 256)])
def test_page_crossing(start: int, length: int) -> None:
    """The chip would wrap within the page (W25Q64JV data sheet, page program)."""
    with desk("W25Q64JV") as d, NorFlash(d.bus, d.chip) as flash:
        with pytest.raises(ValueError, match="page boundary"):
            flash.program([(start, bytes(length))])
        assert d.simulated.pages_programmed == 0


def test_an_erase_without_a_4_byte_opcode() -> None:
    with desk("W25Q256JV", part="W25Q256JV") as d, NorFlash(d.bus, d.chip) as flash:
        half = EraseType(32768, 0x52, flash.geometry.program)
        with pytest.raises(ValueError, match="4-byte opcode"):
            flash.erase(0, half)
        assert not d.simulated.erased


# -- looking -----------------------------------------------------------------------------------


def test_registers_and_protection_of_a_real_session() -> None:
    with desk("W25Q64JV", part="W25Q64JV") as d:
        flash = NorFlash(d.bus, d.chip)
        assert flash.registers() == {"SR1": b"\x00", "SR2": b"\x02", "SR3": b"\x60"}
        assert not flash.protection().ranges
        d.bus.run([Transaction(b"\x06"), Transaction(b"\x01\x04", rest=0.02)])
        assert flash.protection().ranges == d.simulated.protected_ranges
        assert flash.protection().ranges == ((0x7E0000, 0x800000),)


def test_protected_blocks_stay_as_they_are_and_nothing_hangs() -> None:
    with desk("W25Q64JV", part="W25Q64JV") as d:
        d.bus.run([Transaction(b"\x06"), Transaction(b"\x01\x1c", rest=0.02)])
        with NorFlash(d.bus, d.chip) as flash:
            start = d.bench.clock.now()
            flash.erase(0, next(k for k in flash.geometry.erase_types if k.size == 4096))
            flash.program([(0, b"\x00")])
            assert d.bench.clock.now() - start < 0.1
        assert d.contents[0] == 0xFF


def test_entering_waits_for_a_busy_chip() -> None:
    with desk("W25Q64JV") as d:
        d.bus.run([Transaction(b"\x06"), Transaction(bytes.fromhex("20 00 00 00"))])
        d.settle()
        end = d.simulated.busy_until()
        assert end > d.bench.clock.now()
        with NorFlash(d.bus, d.chip):
            assert d.bench.clock.now() >= end


def test_leaving_waits_for_a_busy_chip() -> None:
    """A busy chip ignores E9h, and would stay in 4-byte mode."""

    def session(d: Desk) -> None:
        with NorFlash(d.bus, d.chip):
            d.bus.run([Transaction(b"\x06"), Transaction(bytes.fromhex("d8 00 00 00 00"))])
            d.settle()
            assert d.simulated.busy_until() > d.bench.clock.now()
            raise KeyboardInterrupt

    with desk("MX25L25635E", part="MX25L25635E") as d:
        with pytest.raises(KeyboardInterrupt):
            session(d)
        d.settle()
        assert d.simulated.erased == [(0, 65536)]
        assert not d.simulated.four_byte_mode


def test_a_chip_that_powers_up_in_four_byte_mode() -> None:
    """W25Q256JV with ADP set (data sheet, status register 3): native opcodes do not care."""
    description = describe("W25Q256JV")
    chip = NorChip(replace(description, adp=Bit("SR2", 1)))  # QE is 1 from the factory
    assert chip.four_byte_mode
    with desk(chip, part="W25Q256JV") as d, NorFlash(d.bus, d.chip) as flash:
        d.contents[20 * MIB : 20 * MIB + 5] = b"Heron"
        assert flash.read_all(20 * MIB, 5, STYLES[1]) == b"Heron"
        flash.program([(24 * MIB, b"gauge")])
        assert d.contents[24 * MIB : 24 * MIB + 5] == b"gauge"
