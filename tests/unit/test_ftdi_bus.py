"""The FTDI adapter as a bus: real pyftdi on the simulated bridge, a recording slave behind it.

Expectations come from the contract of `Bus`, from carrying the same transactions out on the
slave without any adapter, and from the pins of the simulated bridge.

Facts of data sheets and drivers are cited from memory.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import pytest
import usb.core
from hypothesis import given, settings
from hypothesis import strategies as st

from hwmocks.clock import VirtualClock
from hwmocks.ftdi import (
    FT232H,
    FT2232C,
    FT2232D,
    FT2232H,
    FT4232H,
    FT4232HA,
    AdapterProfile,
    FtdiDevice,
    Mode,
    UsbBackend,
    UsbFaults,
)
from hwmocks.wire import Beat
from spiflash.bus import Sampling, Transaction
from spiflash.bus.ftdi import FtdiBus, open_channel
from spiflash.bus.link import GRACE, Port
from spiflash.bus.mpsse import Pins
from spiflash.errors import AdapterLostError, BusError, UsageError

ADAPTERS = [FT232H, FT2232H, FT4232H, FT4232HA, FT2232C, FT2232D]
ID = Transaction(b"\x9f", 3)


@dataclass
class Tape:
    """A slave whose answer depends on select period and place, and that writes all down."""

    periods: list[bytearray] = field(default_factory=list)
    selects: list[float] = field(default_factory=list)
    deselects: list[float] = field(default_factory=list)
    levels: list[tuple[str, bool | None]] = field(default_factory=list)
    beats: list[Beat] = field(default_factory=list)
    selected: bool = False

    def select(self, now: float) -> None:
        self.selected = True
        self.periods.append(bytearray())
        self.selects.append(now)

    def deselect(self, now: float) -> None:
        self.selected = False
        self.deselects.append(now)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        self.levels.append((pin, high))

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        if not self.selected:
            return b"\xff" * len(mosi)
        self.beats.append(beat)
        start = len(self.periods[-1])
        self.periods[-1] += mosi
        first = len(self.periods) * 37
        return bytes(
            (first + place * 11 + place // 256) & 0xFF for place in range(start, len(mosi) + start)
        )

    def forget(self) -> None:
        for log in (self.periods, self.selects, self.deselects, self.levels, self.beats):
            log.clear()


def directly(transactions: list[Transaction], tape: Tape) -> list[bytes]:
    """The transactions on the slave itself, without any adapter."""
    answers = []
    for transaction in transactions:
        tape.select(0.0)
        mosi = transaction.out + bytes(transaction.read)
        answers.append(tape.transfer(mosi, Beat(0.0, 1e6))[len(transaction.out) :])
        tape.deselect(0.0)
    return answers


@dataclass
class Rig:
    tape: Tape
    device: FtdiDevice
    clock: VirtualClock
    interface: int
    bus: FtdiBus

    def pins_driven(self) -> int:
        self.device.settle()
        return self.device.channels[self.interface].pins.driven


def make_device(
    profile: AdapterProfile, tape: Tape, interface: int = 1, faults: UsbFaults | None = None
) -> FtdiDevice:
    return FtdiDevice(profile, VirtualClock(), {interface: tape}, serial="T1", faults=faults)


def open_on(
    device: FtdiDevice, tape: Tape, interface: int = 1, pins: Pins | None = None
) -> FtdiBus:
    ftdi = Port()
    ftdi.open_from_device(usb.core.find(backend=UsbBackend([device])), interface)
    return open_channel(ftdi, device.clock, description="test", serial="", pins=pins)


def rig(
    profile: AdapterProfile = FT232H,
    interface: int = 1,
    faults: UsbFaults | None = None,
    pins: Pins | None = None,
) -> Rig:
    tape = Tape()
    device = make_device(profile, tape, interface, faults)
    bus = open_on(device, tape, interface, pins)
    assert not tape.selects, "opening must not select the chip"
    tape.forget()
    return Rig(tape, device, device.clock, interface, bus)


# -- the same answers as without an adapter ----------------------------------------------------

TRANSACTIONS = st.lists(
    st.builds(
        lambda seed, size, read, rest: Transaction(
            bytes((seed + 3 * i) & 0xFF for i in range(size)), read, rest
        ),
        st.integers(0, 255),
        st.one_of(st.integers(0, 6), st.sampled_from((120, 128, 260, 1030, 2600))),
        st.one_of(st.integers(0, 4), st.sampled_from((63, 64, 382, 510, 1024, 5000))),
        st.sampled_from((0.0, 0.0, 2e-5, 1e-3)),
    ),
    max_size=12,
)


@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
@settings(max_examples=20, deadline=None)
@given(TRANSACTIONS, st.sampled_from((1e6, 6e6, 30e6)), st.sampled_from(Sampling))
def test_answers_are_those_of_the_slave_itself(
    profile: AdapterProfile, wanted: list[Transaction], hertz: float, sampling: Sampling
) -> None:
    r = rig(profile)
    actual = r.bus.set_clock(hertz)
    r.bus.set_sampling(sampling)
    alone = Tape()
    assert r.bus.run(wanted) == directly(wanted, alone)
    r.clock.sleep(1.0)
    r.device.settle()
    assert [bytes(p[: len(t.out)]) for p, t in zip(r.tape.periods, wanted, strict=True)] == [
        t.out for t in wanted
    ]
    assert [len(p) for p in r.tape.periods] == [len(p) for p in alone.periods]
    assert all(beat.hertz == pytest.approx(actual) for beat in r.tape.beats)
    assert actual <= hertz
    for up, down, transaction in zip(
        r.tape.deselects, r.tape.selects[1:], wanted[:-1], strict=False
    ):
        assert down - up >= transaction.rest * (1 - 1e-9)
    r.bus.close()
    assert r.pins_driven() == 0


@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
@settings(max_examples=12, deadline=None)
@given(st.integers(0, 9000), st.sampled_from((1, 7, 512, 4095, 4096, 65536)), st.binary(max_size=6))
def test_a_stream_is_one_select_period(
    profile: AdapterProfile, length: int, chunk: int, out: bytes
) -> None:
    length = min(length, 200) if chunk < 100 else length
    r = rig(profile)
    pieces = list(r.bus.stream(out, length, chunk))
    r.device.settle()
    assert b"".join(pieces) == directly([Transaction(out, length)], Tape())[0]
    assert all(0 < len(piece) <= chunk for piece in pieces)
    assert [bytes(p[: len(out)]) for p in r.tape.periods] == [out]
    assert len(r.tape.periods[0]) == len(out) + length
    assert not r.tape.selected
    r.bus.close()


@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
@pytest.mark.parametrize(
    ("size", "length", "chunk"),
    [(0, 0, 10), (500, 0, 1), (130, 70000, 65536), (3000, 5000, 1024), (70000, 10, 5)],
)
def test_a_stream_whose_head_outgrows_the_fifo(
    profile: AdapterProfile, size: int, length: int, chunk: int
) -> None:
    r = rig(profile)
    out = bytes(place & 0xFF for place in range(size))
    pieces = list(r.bus.stream(out, length, chunk))
    r.clock.sleep(2.0)
    r.device.settle()
    assert b"".join(pieces) == directly([Transaction(out, length)], Tape())[0]
    assert [len(period) for period in r.tape.periods] == [size + length]
    assert not r.tape.selected
    assert_right(r)


def test_long_reads_leave_no_gap_in_the_clock() -> None:
    """The next read command waits in the adapter: SCK stops for well under one byte time per
    chunk (a USB round trip would be some 250 microseconds)."""
    r = rig(FT2232H)
    r.bus.set_clock(30e6)
    for _ in r.bus.stream(b"\x03\x00\x00\x00", 4 * 65536):
        pass
    r.device.settle()
    pure = 8 * (4 * 65536 + 4) / 30e6
    assert r.tape.deselects[0] - r.tape.selects[0] < pure * 1.002


@pytest.mark.parametrize("chunk", [0, -1, 65537])
def test_a_chunk_that_no_command_moves(chunk: int) -> None:
    r = rig()
    with pytest.raises(ValueError, match="chunk"):
        next(r.bus.stream(b"", 10, chunk))
    assert r.bus.run([ID]) == directly([ID], Tape())


def test_sampling_reaches_the_wire() -> None:
    r = rig()
    for sampling in (Sampling.EDGE, Sampling.LATE):
        r.bus.set_sampling(sampling)
        r.tape.beats.clear()
        r.bus.run([ID])
        assert r.tape.beats[-1].late == (sampling is Sampling.LATE)


# -- channels ----------------------------------------------------------------------------------


@pytest.mark.parametrize("profile", [FT2232H, FT4232H], ids=lambda profile: profile.name)
def test_channel_b_works(profile: AdapterProfile) -> None:
    r = rig(profile, interface=2)
    assert r.bus.run([ID]) == directly([ID], Tape())
    assert r.device.channels[1].engine.mode is Mode.SERIAL, "channel A is not touched"
    r.bus.close()
    assert r.pins_driven() == 0


@pytest.mark.parametrize(
    ("profile", "interface"), [(FT4232H, 3), (FT4232H, 4), (FT2232C, 2), (FT2232D, 2)]
)
def test_channels_without_an_engine_are_refused(profile: AdapterProfile, interface: int) -> None:
    tape = Tape()
    device = make_device(profile, tape, interface)
    with pytest.raises(UsageError, match="MPSSE") as caught:
        open_on(device, tape, interface)
    assert caught.value.remedy
    assert device.channels[interface].engine.mode is Mode.SERIAL, "as the serial port it was"
    assert not tape.selects


def test_other_ftdi_devices_are_refused() -> None:
    """0600h is the FT232R, a serial port without an MPSSE (FTDI drivers)."""
    tape = Tape()
    device = make_device(replace(FT232H, release=0x0600), tape)
    with pytest.raises(UsageError, match="MPSSE"):
        open_on(device, tape)


# -- clock -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "limits"),
    [(FT232H, (457.76, 30e6)), (FT4232H, (457.76, 30e6)), (FT2232C, (91.55, 6e6))],
)
def test_clock_limits(profile: AdapterProfile, limits: tuple[float, float]) -> None:
    r = rig(profile)
    assert r.bus.clock_limits == pytest.approx(limits, rel=1e-4)
    assert r.bus.set_clock(1e9) == limits[1]
    r.bus.run([ID])
    assert r.tape.beats[-1].hertz == pytest.approx(limits[1])


def test_the_clock_survives_a_loss_of_step() -> None:
    r = rig()
    assert r.bus.set_clock(2e6) == 2e6
    r.bus.stream(b"\x03", 100000).close()
    iterator = r.bus.stream(b"\x03", 100000)
    next(iterator)
    iterator.close()
    r.bus.run([ID])
    assert r.tape.beats[-1].hertz == pytest.approx(2e6)


def test_very_slow_clocks_are_waited_for() -> None:
    """500 Hz: 300 bytes take 4.8 s, far beyond any count of retries."""
    r = rig()
    assert r.bus.set_clock(500) == pytest.approx(500)
    wanted = [Transaction(b"\x03\x00\x00\x00", 300)]
    assert r.bus.run(wanted) == directly(wanted, Tape())
    assert r.clock.now() > 8 * 304 / 500
    r.tape.forget()
    assert (
        b"".join(r.bus.stream(b"\x03\x00\x00\x00", 200))
        == directly([Transaction(b"\x03\x00\x00\x00", 200)], Tape())[0]
    )


@pytest.mark.parametrize("profile", [FT232H, FT2232C], ids=lambda profile: profile.name)
def test_a_long_rest_delays_the_next_run_and_is_no_hang(profile: AdapterProfile) -> None:
    """The rest comes after the last reply: the next run has to wait it out."""
    r = rig(profile)
    rest = 3 * GRACE
    r.bus.run([Transaction(b"\x05", 1, rest=rest)])
    start = r.clock.now()
    r.bus.run([ID])
    assert r.tape.selects[1] - r.tape.deselects[0] >= rest
    assert r.clock.now() - start < rest + 0.1


def test_a_long_rest_is_no_hang_for_a_stream_either() -> None:
    r = rig()
    r.bus.run([Transaction(b"\x05", 1, rest=3 * GRACE)])
    assert sum(len(piece) for piece in r.bus.stream(b"\x03", 100)) == 100


# -- errors and the way back into step ---------------------------------------------------------


def assert_right(r: Rig) -> None:
    """The next exchange gives exactly what the slave says."""
    r.clock.sleep(0.1)
    r.device.settle()
    r.tape.forget()
    wanted = [ID, Transaction(b"\x03\x00\x00\x00", 700), ID]
    assert r.bus.run(wanted) == directly(wanted, Tape())


@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
@pytest.mark.parametrize("taken", [0, 1, 2])
def test_a_stream_left_half_way_ends_its_select_period(profile: AdapterProfile, taken: int) -> None:
    r = rig(profile)
    stream = r.bus.stream(b"\x03\x00\x00\x00", 300000)
    for _ in range(taken):
        next(stream)
    stream.close()
    assert not r.tape.selected, "closing the iterator ends the select period"
    assert_right(r)


def test_an_exception_in_mid_stream() -> None:
    r = rig()

    def work() -> None:
        for _ in r.bus.stream(b"\x03\x00\x00\x00", 300000):
            raise RuntimeError("mine")

    with pytest.raises(RuntimeError, match="mine"):
        work()
    assert_right(r)


def test_a_run_inside_a_stream_never_mixes_the_two() -> None:
    r = rig()
    stream = r.bus.stream(b"\x03\x00\x00\x00", 300000)
    next(stream)
    assert [len(answer) for answer in r.bus.run([ID])] == [3]
    with pytest.raises(BusError):
        next(stream)
    assert_right(r)


def job(bus: FtdiBus) -> None:
    """A bit of everything."""
    bus.run([ID])
    bus.set_clock(10e6)
    for _ in bus.stream(b"\x03\x00\x00\x00", 3000, 1024):
        pass
    for _ in range(4):
        bus.run(PAGES)


PAGES = [
    order
    for _ in range(5)
    for order in (
        Transaction(b"\x06"),
        Transaction(b"\x02" + bytes(259), rest=4e-4),
        Transaction(b"\x05", 1),
    )
]


def transfers_of_the_job(profile: AdapterProfile) -> tuple[int, int, int]:
    """USB transfers until the bus is open, until the job is done, until it is closed."""
    r = rig(profile)
    opened = r.device.transfers
    job(r.bus)
    done = r.device.transfers
    r.bus.close()
    return opened, done, r.device.transfers


@pytest.mark.parametrize("profile", [FT232H, FT2232C], ids=lambda profile: profile.name)
def test_unplugged_at_every_transfer(profile: AdapterProfile) -> None:
    _, done, closed = transfers_of_the_job(profile)
    assert done > 10
    for number in range(1, closed + 1):
        tape = Tape()
        device = make_device(profile, tape, faults=UsbFaults(unplug_at=number))
        lost: AdapterLostError | None = None
        bus = None
        try:
            bus = open_on(device, tape)
            job(bus)
        except AdapterLostError as exc:
            lost = exc
        if bus is not None:
            bus.close()
            bus.close()
        assert (lost is not None) == (number <= done), f"transfer {number}"
        assert lost is None or (lost.cause and lost.state and lost.remedy)
        assert not tape.selected
        assert device.clock.now() < 5.0


def test_an_adapter_that_has_gone_stays_gone() -> None:
    r = rig()
    r.device.unplug()
    for _ in range(2):
        with pytest.raises(AdapterLostError):
            r.bus.run([ID])
        with pytest.raises(AdapterLostError):
            list(r.bus.stream(b"\x03", 10))
    r.bus.close()


@pytest.mark.parametrize("profile", [FT232H, FT2232C], ids=lambda profile: profile.name)
def test_a_write_that_times_out_at_every_transfer(profile: AdapterProfile) -> None:
    opened, done, closed = transfers_of_the_job(profile)
    errors = 0
    for number in range(opened + 1, closed + 1):
        faults = UsbFaults(write_timeouts=frozenset({number}))
        r = rig(profile, faults=faults)
        error: BusError | None = None
        try:
            job(r.bus)
        except BusError as exc:
            error = exc
        if error is not None:
            errors += 1
            assert not isinstance(error, AdapterLostError)
            assert error.remedy
            assert_right(r)
        r.bus.close()
        assert r.pins_driven() == 0, f"transfer {number}"
        assert not r.tape.selected
    assert errors >= 5
    assert closed > done, "closing is among the transfers that fail"


@pytest.mark.parametrize("profile", [FT232H, FT2232C], ids=lambda profile: profile.name)
def test_interrupted_at_every_transfer(profile: AdapterProfile) -> None:
    """Ctrl-C anywhere, closing included: pins are inputs, and the chip is deselected."""
    opened, _, closed = transfers_of_the_job(profile)

    def interrupt_at(number: int) -> Callable[[int], None]:
        def hook(transfer: int) -> None:
            if transfer == number:
                raise KeyboardInterrupt

        return hook

    for number in range(opened + 1, closed + 1):
        put_away = []
        r = rig(profile, faults=UsbFaults(on_transfer=interrupt_at(number)))
        r.bus.on_close = lambda log=put_away: log.append(1)
        with pytest.raises(KeyboardInterrupt):  # noqa: PT012 (closing may be what is hit)
            try:
                job(r.bus)
            finally:
                r.bus.close()
        assert r.pins_driven() == 0, f"transfer {number}"
        assert not r.tape.selected
        assert put_away == [1]


def test_an_interrupted_run_can_be_followed_by_another() -> None:
    hits = []

    def hook(transfer: int) -> None:
        if transfer == stop and not hits:
            hits.append(transfer)
            raise KeyboardInterrupt

    stop = transfers_of_the_job(FT232H)[1] - 1
    r = rig(faults=UsbFaults(on_transfer=hook))
    with pytest.raises(KeyboardInterrupt):
        job(r.bus)
    assert_right(r)


def test_an_adapter_that_stops_answering() -> None:
    r = rig()
    r.device.channels[1].engine.mode = Mode.SERIAL
    start = r.clock.now()
    with pytest.raises(BusError, match="0 of 3 bytes"):
        r.bus.run([ID])
    assert GRACE <= r.clock.now() - start < 4 * GRACE
    assert_right(r)


def test_an_engine_that_cannot_be_synchronised_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """AN_135: an unknown opcode is answered FAh and itself; anything else means trouble."""
    tape = Tape()
    device = make_device(FT232H, tape)
    real = device.bulk_read

    def off(interface: int, size: int, timeout: int) -> bytes:
        data = real(interface, size, timeout)
        return data[:2] + bytes(byte ^ 1 for byte in data[2:])

    monkeypatch.setattr(device, "bulk_read", off)
    with pytest.raises(BusError, match="does not respond correctly") as caught:
        open_on(device, tape)
    assert "fb ab where fa aa was expected" in str(caught.value)
    assert device.channels[1].pins.driven == 0


# -- the serial port ---------------------------------------------------------------------------


@pytest.mark.parametrize("stubborn", [False, True], ids=["restarts", "stubborn"])
@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
def test_the_serial_port_does_not_get_the_pins_back(
    profile: AdapterProfile, stubborn: bool
) -> None:
    """Its TXD and RTS# would drive the board's SCK and MISO (data sheets). Only an
    engine that goes on with what it was at is stopped by way of it, deselected."""
    opened, done, _ = transfers_of_the_job(profile)
    for lost in range(opened + 1, done, 3):
        faults = UsbFaults(write_timeouts=frozenset({lost}), stubborn_engine=stubborn)
        r = rig(profile, faults=faults)
        pins = r.device.channels[1].pins
        assert pins.serial_spells == 0, "opening"
        with contextlib.suppress(BusError):
            job(r.bus)
        stream = r.bus.stream(b"\x03\x00\x00\x00", 300000)
        next(stream)
        stream.close()
        assert_right(r)
        assert not r.tape.selected
        assert stubborn or pins.serial_spells == 0, f"transfer {lost}"
        spells = pins.serial_spells
        r.bus.close()
        assert r.pins_driven() == 0
        assert pins.serial_spells == spells
        again = open_on(r.device, r.tape)
        again.close()
        assert pins.serial_spells == spells, "opening once more"


@pytest.mark.parametrize("stubborn", [False, True], ids=["restarts", "stubborn"])
@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
def test_commands_that_were_left_over_are_never_carried_out(
    profile: AdapterProfile, stubborn: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After Ctrl-C in a batch of pages the FIFO holds more of them: what is sent next must not
    set them off."""
    r = rig(profile, faults=UsbFaults(stubborn_engine=stubborn))
    engine = r.device.channels[1].engine
    r.bus.set_clock(1e6)
    hits: list[int] = []

    def interrupt(number: int) -> None:
        if engine.room < engine.profile.tx_fifo // 2 and not hits:
            hits.append(number)
            raise KeyboardInterrupt

    r.device.faults.on_transfer = interrupt
    with pytest.raises(KeyboardInterrupt):
        r.bus.run(PAGES * 3)
    assert engine.room < engine.profile.tx_fifo, "nothing is left over: the test proves nothing"
    seen: list[int] = []
    switch = engine.switch

    def watched(mode: Mode, now: float, outputs: int = 0) -> None:
        switch(mode, now, outputs)
        seen.append(len(r.tape.periods))

    monkeypatch.setattr(engine, "switch", watched)
    assert len(r.bus.run([ID])[0]) == 3
    r.clock.sleep(1.0)
    r.device.settle()
    assert [bytes(period[:1]) for period in r.tape.periods[seen[0] :]] == [b"\x9f"]


def test_bytes_on_their_way_through_usb_are_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """A purge empties the adapter, not what has left it: AN_135 reads until the answer comes."""
    tape = Tape()
    device = make_device(FT232H, tape)
    monkeypatch.setattr(device.channels[1].engine, "drop_replies", lambda: None)
    bus = open_on(device, tape)
    tape.forget()
    assert bus.run([ID]) == directly([ID], Tape())
    bus.close()


def test_an_engine_that_never_answers_leaves_the_pins_inputs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tape = Tape()
    device = make_device(FT232H, tape, faults=UsbFaults(stubborn_engine=True))
    monkeypatch.setattr(device.channels[1].engine, "push", lambda data: None)
    with pytest.raises(BusError, match="answered nothing"):
        open_on(device, tape)
    assert device.channels[1].pins.driven == 0
    assert not tape.selects
    assert device.clock.now() < 2 * GRACE


# -- closing and side wires --------------------------------------------------------------------


@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
def test_close_makes_every_pin_an_input(profile: AdapterProfile) -> None:
    r = rig(profile, pins=Pins(high=0x30))
    calls: list[int] = []
    r.bus.on_close = lambda: calls.append(1)
    r.bus.run([ID])
    assert r.pins_driven() & 0xFF == 0x3B
    r.bus.close()
    assert r.pins_driven() == 0
    assert not r.tape.selected
    r.bus.close()
    assert calls == [1]


@pytest.mark.parametrize(
    "use",
    [
        lambda bus: bus.run([ID]),
        lambda bus: list(bus.stream(b"\x03", 1)),
        lambda bus: bus.set_clock(1.5e6),
    ],
)
def test_a_closed_bus_refuses_work(use: Callable[[FtdiBus], object]) -> None:
    r = rig()
    r.bus.close()
    with pytest.raises(BusError, match="released"):
        use(r.bus)


def test_side_wires_are_held_and_let_go() -> None:
    """WP# and HOLD# high, the processor's reset low, from opening to closing."""
    tape = Tape()
    device = make_device(FT232H, tape)
    bus = open_on(device, tape, pins=Pins(high=0x30, low=0x40))
    device.settle()
    assert dict(tape.levels) == {"WP#": True, "HOLD#": True, "RESET#": False}
    held = len(tape.levels)
    job(bus)
    device.settle()
    assert len(tape.levels) == held, "they must not move while work goes on"
    bus.close()
    device.settle()
    assert dict(tape.levels) == {"WP#": None, "HOLD#": None, "RESET#": None}
    assert device.channels[1].pins.driven == 0


def test_the_port_can_be_opened_again_after_closing() -> None:
    tape = Tape()
    device = make_device(FT232H, tape)
    backend = UsbBackend([device])
    for _ in range(3):
        ftdi = Port()
        ftdi.open_from_device(usb.core.find(backend=backend), 1)
        bus = open_channel(ftdi, device.clock, description="again", serial="")
        tape.forget()
        assert bus.run([ID]) == directly([ID], Tape())
        assert bus.description == "again"
        bus.close()


# -- batch after batch -------------------------------------------------------------------------


@pytest.mark.parametrize("profile", ADAPTERS, ids=lambda profile: profile.name)
def test_batches_give_the_answers_that_single_runs_give(profile: AdapterProfile) -> None:
    batches = [
        [ID, Transaction(b"\x05", 1, rest=number * 2e-3), Transaction(bytes(300), 60 * number)]
        for number in range(6)
    ]
    r = rig(profile)
    ahead = list(r.bus.run_ahead(batches))
    twin = rig(profile)
    assert ahead == [twin.bus.run(batch) for batch in batches]
    assert r.tape.periods == twin.tape.periods
    assert r.device.channels[1].counters.stalled == 0.0


def test_the_wires_do_not_rest_between_batches() -> None:
    """With a whole command FIFO of work ahead, the engine never waits for the host."""
    for profile in (FT232H, FT2232H):
        r = rig(profile)
        r.bus.set_clock(30e6)
        counters = r.device.channels[1].counters
        list(r.bus.run_ahead([PAGES * 4]))
        before = counters.snapshot()
        list(r.bus.run_ahead([PAGES * 4] * 20))
        ahead = counters.since(before)
        before = counters.snapshot()
        for _ in range(20):
            r.bus.run(PAGES * 4)
        single = counters.since(before)
        assert ahead.busy == pytest.approx(single.busy)
        # The start of the first one and the end of the last one remain.
        assert ahead.idle < single.idle / 8
        assert ahead.idle < 1e-3


def test_a_batch_is_asked_for_when_all_answers_but_the_last_are_known() -> None:
    r = rig(FT232H)
    known: list[int] = []

    def batches() -> Iterator[list[Transaction]]:
        for number in range(5):
            assert len(known) == max(0, number - 1)
            yield [Transaction(b"\x9f", number + 1)]

    for answers in r.bus.run_ahead(batches()):
        known.append(len(answers[0]))
    assert known == [1, 2, 3, 4, 5]


def test_batches_that_are_given_up_leave_a_bus_that_works() -> None:
    r = rig(FT232H)
    running = r.bus.run_ahead([[ID]] * 9)
    next(running)
    running.close()
    twin = rig(FT232H)
    r.tape.forget()
    assert r.bus.run([ID]) == twin.bus.run([ID])
