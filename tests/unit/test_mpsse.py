"""The MPSSE compiler against AN_108, and against a model of the FIFOs of its own.

Opcodes, argument orders and the divisor formula: FTDI AN_108, sections 3.2 to 3.8 (from memory).
FIFO sizes and clocks: FT232H, FT2232H, FT4232H and FT2232D data sheets (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spiflash.bus import Sampling, Transaction, mpsse

FT2232C, FT2232H, FT4232H, FT232H = 0x0500, 0x0700, 0x0800, 0x0900
FIFOS = {FT2232C: (128, 384), FT2232H: (4096, 4096), FT4232H: (2048, 2048), FT232H: (1024, 1024)}
TOP = {FT2232C: 6e6, FT2232H: 30e6, FT4232H: 30e6, FT232H: 30e6}
RELEASES = sorted(FIFOS)


# -- an interpreter of its own -----------------------------------------------------------------


@dataclass
class Command:
    """One MPSSE command in a stream of bytes."""

    start: int
    end: int
    opcode: int
    argument: int = 0
    data: bytes = b""
    reply: int = 0


def decode(stream: bytes) -> list[Command]:
    """AN_108 command by command; AssertionError for anything else or half."""
    commands = []
    at = 0
    while at < len(stream):
        opcode = stream[at]
        if opcode in (0x80, 0x82, 0x86, 0x11, 0x20, 0x24, 0x8F):
            size, argument = 3, stream[at + 1] | stream[at + 2] << 8
        else:
            assert opcode in (0x81, 0x83, 0x85, 0x87, 0x8A, 0x8D, 0x97), f"opcode {opcode:#x}"
            size, argument = 1, 0
        data = b""
        if opcode == 0x11:
            data = stream[at + 3 : at + 4 + argument]
            assert len(data) == argument + 1
            size += len(data)
        reply = argument + 1 if opcode in (0x20, 0x24) else int(opcode in (0x81, 0x83))
        commands.append(Command(at, at + size, opcode, argument, data, reply))
        at += size
    assert at == len(stream)
    return commands


def write_stalls(stream: bytes, tx_fifo: int, rx_fifo: int) -> bool:
    """Whether a host that writes `stream` and reads nothing meanwhile gets stuck.

    The engine takes commands in order and works a reading command off byte by byte; it stops
    where a reply byte finds the reply FIFO full. The write is complete when what has not been
    taken up fits the command FIFO.
    """
    replies = 0
    for command in decode(stream):
        if len(stream) - command.start <= tx_fifo:
            return False
        replies += command.reply
        if replies > rx_fifo:
            # Stuck inside this command: its own bytes have left the FIFO.
            return len(stream) - command.end > tx_fifo
    return False


def test_the_model_knows_a_stall_when_it_sees_one() -> None:
    read_100, filler = b"\x20\x63\x00", b"\x87"
    assert write_stalls(read_100 + filler * 2000, 1024, 99)
    assert not write_stalls(read_100 + filler * 2000, 1024, 100)
    assert not write_stalls(read_100 + filler * 1000, 1024, 99)


# -- literals ----------------------------------------------------------------------------------


def compiled(
    transactions: list[Transaction],
    release: int = FT232H,
    hertz: float = 6e6,
    sampling: Sampling = Sampling.LATE,
    pins: mpsse.Pins | None = None,
) -> list[mpsse.Burst]:
    engine = mpsse.ENGINES[release]
    return list(mpsse.bursts(transactions, engine, pins or mpsse.Pins(), sampling, hertz))


def test_reading_an_id_byte_by_byte() -> None:
    """AN_108 3.6.1 (80h value direction), 3.3.2 (11h), 3.3.6 (24h), 3.7 (87h): CS is D3, SCK and
    MOSI are outputs, lengths are n-1 little-endian."""
    (burst,) = compiled([Transaction(b"\x9f", 3)])
    assert burst.out.hex(" ") == "80 00 0b 11 00 00 9f 24 02 00 80 08 0b 87"
    assert burst.reply == 3
    assert not burst.sync


def test_sampling_on_the_rising_edge_uses_20h() -> None:
    (burst,) = compiled([Transaction(b"\x05", 1)], sampling=Sampling.EDGE)
    assert burst.out.hex(" ") == "80 00 0b 11 00 00 05 20 00 00 80 08 0b 87"


def test_write_only_needs_no_flush() -> None:
    (burst,) = compiled([Transaction(b"\x06")])
    assert burst.out.hex(" ") == "80 00 0b 11 00 00 06 80 08 0b"
    assert burst.reply == 0


def test_lengths_are_little_endian_and_one_less() -> None:
    """AN_108 3.3: a length of 0000h moves one byte, FFFFh moves 65536."""
    (burst,) = compiled([Transaction(b"\x03\x01\x02\x03", 65536)])
    assert burst.out[3:7].hex(" ") == "11 03 00 03"
    assert bytes.fromhex("24 ff ff") in burst.out
    (longer,) = compiled([Transaction(b"", 65537)])
    assert bytes.fromhex("24 ff ff 24 00 00") in longer.out
    (payload,) = compiled([Transaction(bytes(65537))])
    commands = [c for c in decode(payload.out) if c.opcode == 0x11]
    assert [len(c.data) for c in commands] == [65536, 1]


def test_idle_clocks_let_time_pass_while_deselected() -> None:
    """AN_108 3.8.10: 8Fh clocks n+1 times 8 bits without data. 1 ms at 6 MHz is 6000 bits, 750
    groups of eight."""
    (burst,) = compiled([Transaction(b"\x06", rest=1e-3)])
    assert burst.out.hex(" ").endswith("80 08 0b 8f ed 02")
    assert burst.seconds == pytest.approx((8 + 6000) / 6e6)


def test_types_without_idle_clocks_pause_in_the_host_after_a_mark() -> None:
    first, second = compiled([Transaction(b"\x06", rest=6e-3), Transaction(b"\x05", 1)], FT2232C)
    assert first.out.hex(" ") == "80 00 0b 11 00 00 06 80 08 0b 81 87"
    assert (first.reply, first.sync, first.pause) == (1, True, 6e-3)
    assert (second.reply, second.sync, second.pause) == (1, False, 0.0)


def test_types_without_idle_clocks_send_bytes_to_nobody_for_a_short_rest() -> None:
    """1 ms at 6 MHz is 750 bytes, sent (11h) while chip select is high."""
    (burst,) = compiled([Transaction(b"\x06", rest=1e-3)], FT2232C)
    assert burst.out == bytes.fromhex("80000b 11000006 80080b 11ed02") + bytes(750)
    assert (burst.pause, burst.seconds) == (0.0, pytest.approx((8 + 6000) / 6e6))


def test_setup_of_a_high_speed_type() -> None:
    """AN_108 3.8: 8Ah (no division by 5), 97h (adaptive off), 8Dh (three-phase off), 85h
    (loop-back off), 86h divisor, then the pins: deselected."""
    engine = mpsse.ENGINES[FT232H]
    setup = mpsse.setup(engine, mpsse.Pins(), mpsse.divisor(engine, 1e6))
    assert setup.hex(" ") == "8a 97 8d 85 86 1d 00 80 08 0b"


def test_setup_of_a_full_speed_type_sends_nothing_it_does_not_know() -> None:
    engine = mpsse.ENGINES[FT2232C]
    setup = mpsse.setup(engine, mpsse.Pins(), mpsse.divisor(engine, 1e6))
    assert setup.hex(" ") == "85 86 05 00 80 08 0b"


def test_release_makes_all_sixteen_pins_inputs() -> None:
    assert mpsse.RELEASE.hex(" ") == "80 00 00 82 00 00"


def test_spare_pins_are_held_in_every_pin_command() -> None:
    (burst,) = compiled([Transaction(b"\x06")], pins=mpsse.Pins(high=0x30, low=0x40))
    assert burst.out.hex(" ") == "80 30 7b 11 00 00 06 80 38 7b"


@pytest.mark.parametrize(("high", "low"), [(0x10, 0x10), (0x08, 0), (0, 0x01), (0x100, 0)])
def test_pins_that_cannot_be_held(high: int, low: int) -> None:
    with pytest.raises(ValueError, match=r"pin|free"):
        mpsse.Pins(high, low)


# -- clock -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("release", "asked", "value", "hertz"),
    [
        # AN_108 3.8.2: SCK = 60 MHz / ((1 + divisor) * 2), or 12 MHz on the older types.
        (FT232H, 30e6, 0x0000, 30e6),
        (FT232H, 29.9e6, 0x0001, 15e6),
        (FT232H, 15e6, 0x0001, 15e6),
        (FT232H, 10e6, 0x0002, 10e6),
        (FT232H, 6e6, 0x0004, 6e6),
        (FT232H, 1e6, 0x001D, 1e6),
        (FT232H, 100e6, 0x0000, 30e6),
        (FT232H, 30e6 / 7, 0x0006, 30e6 / 7),
        (FT232H, 500, 0xEA5F, 500),
        (FT232H, 1, 0xFFFF, 457.763671875),
        (FT2232C, 6e6, 0x0000, 6e6),
        (FT2232C, 5.9e6, 0x0001, 3e6),
        (FT2232C, 1, 0xFFFF, 91.552734375),
    ],
)
def test_divisor(release: int, asked: float, value: int, hertz: float) -> None:
    found = mpsse.divisor(mpsse.ENGINES[release], asked)
    assert (found.value, found.hertz) == (value, pytest.approx(hertz))
    assert found.command == bytes((0x86, value & 0xFF, value >> 8))


@pytest.mark.parametrize("hertz", [0.0, -1.0, math.nan])
def test_divisor_refuses_what_is_no_clock(hertz: float) -> None:
    with pytest.raises(ValueError, match="does not exist"):
        mpsse.divisor(mpsse.ENGINES[FT232H], hertz)


@given(st.sampled_from(RELEASES), st.floats(min_value=458, max_value=60e6))
def test_clock_is_the_fastest_not_above_what_was_asked(release: int, asked: float) -> None:
    found = mpsse.divisor(mpsse.ENGINES[release], asked)
    top = TOP[release]
    assert found.hertz == pytest.approx(top / (1 + found.value))
    assert found.hertz <= asked * (1 + 1e-9)
    if found.value:
        assert top / found.value > asked * (1 - 1e-9), "the next faster one would have done"


@pytest.mark.parametrize("release", RELEASES)
def test_fifos_and_clocks_of_the_types(release: int) -> None:
    engine = mpsse.ENGINES[release]
    assert (engine.tx_fifo, engine.rx_fifo) == FIFOS[release]
    assert engine.top_hz == TOP[release]
    assert engine.slowest_hz == pytest.approx(TOP[release] / 65536)


@pytest.mark.parametrize("count", [0, -1, 65537])
def test_one_command_reads_1_to_65536_bytes(count: int) -> None:
    with pytest.raises(ValueError, match="cannot read"):
        mpsse.bytes_in(count, Sampling.LATE)


# -- any list of transactions ------------------------------------------------------------------


def transactions() -> st.SearchStrategy[list[Transaction]]:
    sizes = st.one_of(
        st.integers(0, 8),
        st.sampled_from((61, 62, 63, 120, 128, 256, 260, 320, 384, 1000, 1024, 4096)),
        st.integers(0, 5000),
    )
    reads = st.one_of(sizes, st.sampled_from((65535, 65536, 65537, 131073)))
    rests = st.one_of(st.just(0.0), st.sampled_from((1e-9, 1e-6, 7e-4, 3e-3)))
    one = st.builds(
        lambda seed, size, read, rest: Transaction(bytes((seed,)) * size, read, rest),
        st.integers(0, 255),
        sizes,
        reads,
        rests,
    )
    short = st.builds(Transaction, st.just(b"\x05"), st.integers(0, 3), rests)
    return st.lists(st.one_of(one, short, short), max_size=40)


@settings(max_examples=120, deadline=None)
@given(
    transactions(),
    st.sampled_from(RELEASES),
    st.sampled_from((1e3, 1e6, 30e6)),
    st.sampled_from(Sampling),
)
def test_bursts_never_stall_and_keep_every_promise(
    wanted: list[Transaction], release: int, asked: float, sampling: Sampling
) -> None:
    engine = mpsse.ENGINES[release]
    hertz = mpsse.divisor(engine, asked).hertz
    found = list(mpsse.bursts(wanted, engine, mpsse.Pins(), sampling, hertz))
    tx_fifo, rx_fifo = FIFOS[release]

    # One list of what happens on the wires; host pauses join in as rests.
    periods: list[tuple[bytes, int, float]] = []
    sent, read, rest, selected = b"", 0, 0.0, False
    for burst in found:
        assert not write_stalls(burst.out, tx_fifo, rx_fifo)
        replies = bits = 0
        for command in decode(burst.out):
            replies += command.reply
            if command.opcode == 0x80:
                level, direction = command.argument & 0xFF, command.argument >> 8
                assert direction == 0x0B
                if level & 0x08:
                    assert selected
                    selected = False
                else:
                    assert not selected
                    selected = True
                    if periods:
                        periods[-1] = (*periods[-1][:2], rest)
                    sent, read, rest = b"", 0, 0.0
                if not selected:
                    periods.append((sent, read, 0.0))
            elif command.opcode == 0x11 and not selected:
                assert release == FT2232C, "H types have idle clocks"
                assert not any(command.data)
                rest += 8 * len(command.data) / hertz
                bits += 8 * len(command.data)
            elif command.opcode == 0x11:
                assert not read
                sent += command.data
                bits += 8 * len(command.data)
            elif command.opcode in (0x20, 0x24):
                assert selected
                assert command.opcode == (0x24 if sampling is Sampling.LATE else 0x20)
                read += command.reply
                bits += 8 * command.reply
            elif command.opcode == 0x8F:
                assert not selected
                assert release != FT2232C, "FT2232C/D do not know 8Fh"
                rest += 8 * (command.argument + 1) / hertz
                bits += 8 * (command.argument + 1)
            elif command.opcode == 0x87:
                assert command.end == len(burst.out)
        rest += burst.pause
        assert replies == burst.reply
        assert burst.seconds == pytest.approx(bits / hertz)
        if burst.reply:
            assert burst.out[-1] == 0x87, "replies would wait for the latency timer"
        if burst.pause:
            assert burst.sync, "a pause must begin when the bits have gone out"
            assert not selected
    if periods:
        periods[-1] = (*periods[-1][:2], rest)
    assert not selected
    assert [p[:2] for p in periods] == [(t.out, t.read) for t in wanted]
    for (_, _, rested), transaction in zip(periods, wanted, strict=True):
        assert rested >= transaction.rest * (1 - 1e-12)


@given(st.lists(st.integers(0, 50), max_size=12))
def test_answers_are_cut_where_they_belong(reads: list[int]) -> None:
    replies = bytes(i & 0xFF for i in range(sum(reads)))
    wanted = [Transaction(b"", count) for count in reads]
    cut = mpsse.answers(wanted, replies)
    assert [len(answer) for answer in cut] == reads
    assert b"".join(cut) == replies
    with pytest.raises(ValueError, match="reply bytes"):
        mpsse.answers(wanted, replies + b"\x00")
