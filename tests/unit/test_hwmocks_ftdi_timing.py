"""Time on the simulated bridge: clocks, packets, FIFOs, latency and time-outs.

Sources, from memory: AN_108 (clock = base / ((1 + divisor) * 2), base 60 MHz or 12 MHz;
3-phase clocking takes half as long again; n×8 clocks for 0x8F), the data sheets' FIFO sizes,
USB 2.0 (125 µs microframes, 1 ms frames, short packets end a transfer), AN_232B-04 (status
bytes, latency timer, flush).
"""

from __future__ import annotations

import errno
from contextlib import suppress

import pytest
import usb.core
from hypothesis import given, settings
from hypothesis import strategies as st
from pyftdi.ftdi import Ftdi

from hwmocks.clock import VirtualClock
from hwmocks.ftdi import (
    FT232H,
    FT2232D,
    FT2232H,
    FT4232H,
    AdapterProfile,
    Counters,
    FtdiDevice,
    UsbBackend,
)
from hwmocks.ftdi.channel import Channel
from tests.effort import effort
from tests.ftdi_rig import CS, DESELECT, MASTER, SELECT, Zeros, answer, exchange, rig

IN, OUT = 0x81, 0x02  # endpoints of interface 1
READ_64K = b"\x24\xff\xff"


def test_the_clock_moves_only_when_told() -> None:
    clock = VirtualClock()
    clock.sleep(1.5)
    clock.advance(0.25)
    clock.advance_to(1.0)
    assert clock.now() == 1.75
    with pytest.raises(ValueError, match="go back"):
        clock.advance(-0.1)


@pytest.mark.parametrize("divide_by_5", [False, True])
@pytest.mark.parametrize("divisor", [0, 1, 2, 29, 0x1234])
def test_spi_clock_of_the_high_speed_types(divide_by_5: bool, divisor: int) -> None:
    expected = (12e6 if divide_by_5 else 60e6) / ((1 + divisor) * 2)
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.write_data(
            bytes((0x8B if divide_by_5 else 0x8A, 0x86)) + divisor.to_bytes(2, "little")
        )
        ftdi.write_data(SELECT + b"\x11\x63\x00" + bytes(100) + DESELECT)
        bench.clock.sleep(1)
        bench.device.settle()
        chip = bench.chip
        assert {beat.hertz for beat in chip.beats} == {expected}
        start, end = (chip.times[place] for place in (0, -1))
        # 800 bits, and at most four commands' worth of engine overhead (5 µs is generous).
        assert 800 / expected <= end - start <= 800 / expected + 5e-6


@pytest.mark.parametrize("divisor", [0, 5])
def test_spi_clock_of_the_full_speed_types(divisor: int) -> None:
    bench = rig(FT2232D)
    with bench.opened() as ftdi:
        ftdi.write_data(b"\x86" + divisor.to_bytes(2, "little"))
        assert exchange(ftdi, SELECT + b"\x20\x04\x00\x87", 5) == answer(5)
        assert {beat.hertz for beat in bench.chip.beats} == {12e6 / ((1 + divisor) * 2)}


def test_three_phase_clocking_takes_half_as_long_again() -> None:
    spans = []
    for enable in (False, True):
        bench = rig(FT232H)
        with bench.opened(frequency=1e6) as ftdi:
            ftdi.enable_3phase_clock(enable)
            ftdi.write_data(SELECT + b"\x11\x63\x00" + bytes(100) + DESELECT)
            bench.clock.sleep(1)
            bench.device.settle()
            spans.append(bench.chip.times[-1] - bench.chip.times[0])
    assert spans[1] / spans[0] == pytest.approx(1.5, rel=0.01)


def test_idle_clocks_last_eight_bits_each() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=1e6) as ftdi:
        bench.device.settle()
        before = bench.device.channels[1].counters.snapshot()
        ftdi.write_data(b"\x8f\xe7\x03")  # 1000 bytes' worth
        bench.clock.sleep(1)
        bench.device.settle()
        spent = bench.device.channels[1].counters.since(before)
        assert spent.busy == pytest.approx(8e-3, abs=5e-6)
        assert spent.stalled == 0


# -- packets ------------------------------------------------------------------------------


@pytest.mark.parametrize(("profile", "packet"), [(FT232H, 512), (FT2232D, 64)])
def test_every_packet_starts_with_two_status_bytes(profile: AdapterProfile, packet: int) -> None:
    bench = rig(profile)
    with bench.opened(latency=255) as ftdi:
        ftdi.write_data(SELECT + b"\x20\x57\x02\x87")  # 600 bytes
        got = b""
        while len(got) < 600:
            raw = bytes(ftdi.usb_dev.read(IN, 16 * packet))
            pieces = [raw[place : place + packet] for place in range(0, len(raw), packet)]
            # Nothing but the last packet of a transfer may be short.
            assert all(len(piece) == packet for piece in pieces[:-1])
            assert {piece[0] & 0xF0 for piece in pieces} == {0x30}
            got += b"".join(piece[2:] for piece in pieces)
        assert got == answer(600)


def test_send_now_beats_the_latency_timer() -> None:
    waits = []
    for flush in (b"", b"\x87"):
        bench = rig(FT232H)
        with bench.opened(latency=100) as ftdi:
            ftdi.usb_dev.read(IN, 512)  # a status packet starts the timer afresh
            ftdi.write_data(b"\x81" + flush)
            start = bench.clock.now()
            assert len(ftdi.usb_dev.read(IN, 512)) == 3
            waits.append(bench.clock.now() - start)
    assert waits[0] == pytest.approx(0.1, abs=2e-3)
    assert waits[1] <= 3 * 125e-6


def test_the_latency_counts_from_the_last_packet_of_a_run() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=1e6, latency=100) as ftdi:
        bench.clock.sleep(0.05)  # half a period since the last packet
        ftdi.write_data(SELECT + b"\x20" + (510 * 4 - 1).to_bytes(2, "little"))
        raw = bytes(ftdi.usb_dev.read(IN, 2048))
        assert len(raw) == 2048
        # Status byte 2, bit 6 (0x40): nothing under way; so not before the last byte.
        assert [raw[place] & 0x40 for place in range(1, 2048, 512)] == [0, 0, 0, 0x40]
        start = bench.clock.now()
        assert len(ftdi.usb_dev.read(IN, 2048)) == 2
        assert bench.clock.now() - start == pytest.approx(0.1, abs=1e-3)


def test_a_status_packet_each_latency_period() -> None:
    bench = rig(FT232H)
    with bench.opened(latency=20) as ftdi:
        ftdi.usb_dev.read(IN, 512)
        start = bench.clock.now()
        assert [len(ftdi.usb_dev.read(IN, 512)) for _ in range(10)] == [2] * 10
        assert bench.clock.now() - start == pytest.approx(0.2, abs=2e-3)


def test_a_read_shorter_than_the_latency_times_out() -> None:
    bench = rig(FT232H)
    with bench.opened(latency=200) as ftdi:
        ftdi.usb_dev.read(IN, 512)
        start = bench.clock.now()
        with pytest.raises(usb.core.USBTimeoutError):
            ftdi.usb_dev.read(IN, 512, timeout=50)
        assert bench.clock.now() - start == pytest.approx(0.05)


def test_a_packet_that_does_not_fit_is_an_overflow() -> None:
    with rig(FT232H).opened() as ftdi:
        ftdi.write_data(SELECT + b"\x20\xff\x00\x87")
        ftdi.usb_dev.read(IN, 512)
        ftdi.write_data(b"\x20\xff\x00\x87")
        with pytest.raises(usb.core.USBError) as caught:
            ftdi.usb_dev.read(IN, 64)
        assert caught.value.errno == errno.EOVERFLOW


def test_very_slow_clocks_lose_nothing() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=1000, latency=16) as ftdi:
        start = bench.clock.now()
        ftdi.write_data(SELECT + b"\x20\x63\x00\x87")
        got = bytearray()
        while len(got) < 100:
            got += ftdi.read_data_bytes(100 - len(got), 1)
        assert bytes(got) == answer(100)
        assert bench.clock.now() - start == pytest.approx(0.8, abs=0.02)


# -- stalls ---------------------------------------------------------------------------------


@pytest.mark.parametrize("profile", [FT232H, FT2232H, FT4232H, FT2232D], ids=lambda p: p.name)
def test_the_engine_stops_when_nobody_fetches_its_replies(profile: AdapterProfile) -> None:
    bench = rig(profile)
    with bench.opened() as ftdi:
        ftdi.write_data(SELECT + READ_64K)
        bench.clock.sleep(1)
        bench.device.settle()
        assert bench.chip.position == Ftdi.FIFO_SIZES[profile.release][1]
        counters = bench.device.channels[1].counters
        assert counters.stalled == pytest.approx(1, abs=0.01)
        got = bytearray()
        while len(got) < 65536:
            got += ftdi.read_data_bytes(65536 - len(got), 4)
        assert bytes(got) == answer(65536)


@pytest.mark.parametrize("profile", [FT232H, FT2232H, FT4232H, FT2232D], ids=lambda p: p.name)
def test_a_write_times_out_behind_a_stalled_engine(profile: AdapterProfile) -> None:
    bench = rig(profile)
    with bench.opened() as ftdi:
        handle = ftdi.usb_dev
        handle.write(OUT, SELECT + READ_64K)
        bench.clock.sleep(0.5)
        # Whole packets are taken until the command FIFO is full, then the time-out passes.
        start = bench.clock.now()
        taken = handle.write(OUT, b"\x85" * 65536, timeout=300)
        assert taken == Ftdi.FIFO_SIZES[profile.release][0]
        assert bench.clock.now() - start == pytest.approx(0.3)
        start = bench.clock.now()
        with pytest.raises(usb.core.USBTimeoutError) as caught:
            handle.write(OUT, b"\x81", timeout=300)
        assert caught.value.errno == errno.ETIMEDOUT
        assert bench.clock.now() - start == pytest.approx(0.3)
        # Once somebody reads, everything that was accepted is carried out.
        got = bytearray()
        while len(got) < 65536:
            got += ftdi.read_data_bytes(65536 - len(got), 4)
        assert bytes(got) == answer(65536)
        assert exchange(ftdi, b"\xaa\x87", 2) == b"\xfa\xaa"


def test_a_long_write_returns_once_the_rest_fits_into_the_fifo() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=1e6) as ftdi:
        start = bench.clock.now()
        assert ftdi.usb_dev.write(OUT, SELECT + b"\x11\xff\x0f" + bytes(4096)) == 4102
        # 8 µs a byte; 1 KiB of them may still wait (FT232H data sheet).
        assert bench.clock.now() - start == pytest.approx((4096 - 1024) * 8e-6, abs=1e-3)


def test_a_bad_command_waits_for_room_for_both_bytes() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=30e6) as ftdi:
        ftdi.write_data(SELECT + b"\x20\xfe\x03" + b"\xaa")  # leaves one byte of 1024
        bench.clock.sleep(0.1)
        bench.device.settle()
        assert bench.device.channels[1].engine.level == 1023
        assert bytes(ftdi.read_data_bytes(1025, 4))[-2:] == b"\xfa\xaa"


def test_purging_drops_commands_that_still_wait() -> None:
    bench = rig(FT232H)
    with bench.opened(frequency=30e6) as ftdi:
        ftdi.write_data(SELECT + b"\x20\xff\x07" + b"\xaa")  # stalls after 1 KiB of 2 KiB
        bench.clock.sleep(0.01)
        ftdi.purge_rx_buffer()
        ftdi.write_data(b"\xab")
        got = bytes(ftdi.read_data_bytes(2050, 4))
        assert got == answer(2048) + b"\xfa\xab"


def test_purging_empties_the_fifo_that_is_named() -> None:
    # pyftdi's words and AN_232B: "RX" is what the chip received from the host.
    bench = rig(FT232H)
    with bench.opened() as ftdi:
        ftdi.write_data(b"\x81" * 5)
        ftdi.purge_rx_buffer()
        assert len(ftdi.read_data_bytes(5, 4)) == 5
        ftdi.write_data(b"\x81" * 5)
        ftdi.purge_tx_buffer()
        assert ftdi.read_data_bytes(5, 4) == b""


# -- throughput ---------------------------------------------------------------------------


def stream(
    profile: AdapterProfile, total: int, piece: int = 16384, hertz: float = 30e6
) -> tuple[float, Counters]:
    """Read `total` bytes in 64 KiB commands, three waiting; virtual seconds and counters."""
    clock = VirtualClock()
    device = FtdiDevice(profile, clock, {1: Zeros()})
    ftdi = Ftdi()
    ftdi.open_mpsse_from_device(
        usb.core.find(backend=UsbBackend([device])), 1, MASTER, CS, frequency=hertz
    )
    ftdi.read_data_set_chunksize(piece)
    ftdi.write_data(SELECT)
    device.settle()
    before = device.channels[1].counters.snapshot()
    start = clock.now()
    ftdi.write_data(READ_64K * 3)
    asked = 3
    for done in range(0, total, 65536):
        assert len(ftdi.read_data_bytes(65536, 4)) == 65536
        if done // 65536 < total // 65536 - 3:
            ftdi.write_data(READ_64K)
            asked += 1
    assert asked == total // 65536
    device.settle()
    return clock.now() - start, device.channels[1].counters.since(before)


@pytest.mark.parametrize("profile", [FT232H, FT2232H], ids=lambda p: p.name)
def test_a_stream_keeps_the_bus_busy(profile: AdapterProfile) -> None:
    total = 2 << 20
    seconds, spent = stream(profile, total)
    # 30 MHz move 3.75 MB/s at best.
    assert total * 8 / 30e6 <= seconds <= 1.05 * total * 8 / 30e6
    assert spent.clocked == spent.bytes_in == total
    assert spent.utilisation > 0.95
    assert spent.busy + spent.stalled + spent.idle == pytest.approx(seconds, rel=1e-3)


def test_small_reads_leave_the_bus_waiting() -> None:
    # One 512-byte packet a call: call, microframe and completion take two microframes.
    total = 1 << 19
    seconds, spent = stream(FT232H, total, piece=512)
    assert seconds >= total / 510 * 2 * 125e-6
    assert spent.stalled > 0.3 * seconds


def test_a_full_speed_bridge_stays_below_its_6_mhz() -> None:
    total = 1 << 18
    seconds, spent = stream(FT2232D, total, hertz=6e6)
    assert total * 8 / 6e6 <= seconds <= 1.5 * total * 8 / 6e6
    assert spent.clocked == total


def test_packets_in_a_run_and_one_by_one_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    for in_runs in (True, False):
        if not in_runs:
            monkeypatch.setattr(Channel, "_run_of_packets", lambda *_: b"")
        bench = rig(FT2232H)
        with bench.opened(frequency=30e6) as ftdi:
            ftdi.write_data(SELECT + READ_64K + b"\x24\x33\x11" + READ_64K + b"\x81\x87")
            trace = []
            received = 0
            while received < 65536 * 2 + 0x1134 + 1:
                raw = bytes(ftdi.usb_dev.read(IN, 8192))
                received += len(raw) - 2 * -(-len(raw) // 512)
                trace.append((raw, round(bench.clock.now() * 1e9)))
            seen.append(trace)
    assert seen[0] == seen[1]


def test_simulating_8_mib_costs_little_real_time() -> None:
    assert effort(lambda: stream(FT232H, 8 << 20)) < 1.0


# -- causality -----------------------------------------------------------------------------


def test_a_byte_never_leaves_before_it_arrived() -> None:
    # At 1 kHz a byte lasts 8 ms; the second one is sent between two byte times.
    bench = rig(FT232H)
    with bench.opened(frequency=1000) as ftdi:
        ftdi.write_data(SELECT + b"\x11\x01\x00a")
        bench.clock.sleep(0.011)
        bench.device.settle()
        arrival = bench.clock.now()
        ftdi.write_data(b"b")
        bench.clock.sleep(0.1)
        bench.device.settle()
        assert bench.chip.mosi == b"ab"
        assert bench.chip.beats[1].start >= arrival


COMMANDS = st.one_of(
    st.binary(min_size=1, max_size=700).map(
        lambda data: (b"\x11" + (len(data) - 1).to_bytes(2, "little") + data, 0)
    ),
    st.binary(min_size=1, max_size=300).map(
        lambda data: (b"\x31" + (len(data) - 1).to_bytes(2, "little") + data, len(data))
    ),
    st.integers(1, 5000).map(lambda n: (b"\x24" + (n - 1).to_bytes(2, "little"), n)),
    st.integers(1, 500).map(lambda n: (b"\x8f" + (n - 1).to_bytes(2, "little"), 0)),
    st.sampled_from(
        [(SELECT, 0), (DESELECT, 0), (b"\x81", 1), (b"\xaa", 2), (b"\x87", 0), (b"\x22\x07", 1)]
    ),
)


@settings(max_examples=40, deadline=None)
@given(
    commands=st.lists(COMMANDS, min_size=1, max_size=8),
    profile=st.sampled_from([FT232H, FT4232H]),
    sizes=st.lists(st.integers(1, 600), min_size=1, max_size=4),
    reads=st.lists(st.integers(1, 8).map(lambda n: 512 * n), min_size=1, max_size=4),
)
def test_how_the_host_cuts_its_calls_changes_nothing_but_time(
    commands: list[tuple[bytes, int]],
    profile: AdapterProfile,
    sizes: list[int],
    reads: list[int],
) -> None:
    """Any cutting of the same commands into writes and reads gives the same bytes on both
    sides; no event lies before its cause, and the engine's time adds up."""
    stream_out = b"".join(command for command, _ in commands)
    wanted = sum(count for _, count in commands)
    seen = []
    for cuts, pieces in (([512], [65536]), (sizes, reads)):
        bench = rig(profile)
        with bench.opened(frequency=30e6) as ftdi:
            handle = ftdi.usb_dev
            began = bench.clock.now()
            before = bench.device.channels[1].counters.snapshot()
            got, sent = bytearray(), 0
            turn = 0
            while sent < len(stream_out) or len(got) < wanted:
                if sent < len(stream_out):
                    piece = stream_out[sent : sent + cuts[turn % len(cuts)]]
                    # A stalled engine takes nothing: read first.
                    with suppress(usb.core.USBTimeoutError):
                        sent += handle.write(OUT, piece, timeout=20)
                raw = bytes(handle.read(IN, pieces[turn % len(pieces)]))
                got += b"".join(raw[place + 2 : place + 512] for place in range(0, len(raw), 512))
                turn += 1
            bench.clock.sleep(0.01)
            bench.device.settle()
            spent = bench.device.channels[1].counters.since(before)
            total = spent.busy + spent.stalled + spent.idle
            assert total == pytest.approx(bench.clock.now() - began, abs=1e-6)
            assert bench.chip.times == sorted(bench.chip.times)
            assert all(began <= moment <= bench.clock.now() for moment in bench.chip.times)
            edges = [kind for kind, _ in bench.chip.events if kind != "transfer"]
            seen.append((bytes(got), bytes(bench.chip.mosi), edges))
    assert seen[0] == seen[1]
    assert len(seen[0][0]) == wanted
