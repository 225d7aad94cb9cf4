"""Our MPSSE bytes, decoded by pyftdi's own tracer: do they say what the transactions say?

Reference: pyftdi.tracer.FtdiMpsseTracer, a decoder written by others. It logs pin settings and
bytes going out; of reads it keeps the lengths it expects, and its time base is 60 MHz.
It names 8Fh (clocks without data) but does not decode it: its length is checked apart.
"""

from __future__ import annotations

import logging
import random
import re
from collections.abc import Iterator, Sequence

import pytest
from pyftdi.ftdi import Ftdi
from pyftdi.tracer import FtdiMpsseTracer

from spiflash.bus import Sampling, Transaction, mpsse

H_TYPES = {0x0700: 2, 0x0800: 2, 0x0900: 1}
"""USB device release numbers of the adapters that the tracer knows, and their MPSSE channels."""

NAMES_BY_SAMPLING = {Sampling.EDGE: "READ_BYTES_PVE_MSB", Sampling.LATE: "READ_BYTES_NVE_MSB"}
"""pyftdi's names: sampled on the rising ("positive") or on the falling edge of SCK."""

PINS = re.compile(r"\[\d\]:Set gpio\[7:0\] +([0-9a-f]{2})")
SENT = re.compile(r"\[\d\]:WriteBytesNveMsb> \((\d+)\) ([0-9a-f]+)")
COMMAND = re.compile(r"\[\d\]:\[Command: [0-9A-F]{2}: (\w+)\]")


class Decoded:
    """What the tracer says of a run of command bytes."""

    def __init__(self, data: bytes, version: int, caplog: pytest.LogCaptureFixture) -> None:
        caplog.clear()
        with caplog.at_level(logging.DEBUG, "pyftdi.mpsse.tracer"):
            tracer = FtdiMpsseTracer(version)
            tracer.send(1, data)
        self.lines = [record.getMessage() for record in caplog.records]
        self.complaints = [
            record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING
        ]
        engine = tracer._get_engine(1)
        self.undecoded = bytes(engine._trace_tx)
        self.reads = list(engine._expect_resp)
        self.commands = [m[1] for line in self.lines if (m := COMMAND.search(line))]

    def periods(self) -> Iterator[tuple[bytes, int]]:
        """(bytes out, bytes in) of each time that pin 3 (CS) is low."""
        selected, sent, read = False, b"", 0
        reads = iter(self.reads)
        for line in self.lines:
            if pins := PINS.search(line):
                level = int(pins[1], 16)
                assert level & 0x03 == 0  # SCK and MOSI rest low: SPI mode 0
                now = not level & 0x08
                assert now != selected
                if selected:
                    yield sent, read
                selected, sent, read = now, b"", 0
            elif out := SENT.search(line):
                assert selected
                assert int(out[1]) == len(out[2]) // 2
                sent += bytes.fromhex(out[2])
            elif (command := COMMAND.search(line)) and command[1].startswith("READ_BYTES"):
                assert selected
                read += next(reads)
        assert not selected
        assert next(reads, None) is None


def random_transactions(seed: int) -> list[Transaction]:
    chance = random.Random(seed)
    lengths = (1, 2, 4, 5, 260, 255, 4000)
    reads = (0, 0, 1, 2, 300, 4096, 65535, 65536, 65537, 200_000)
    return [
        Transaction(chance.randbytes(chance.choice(lengths)), chance.choice(reads))
        for _ in range(chance.randrange(1, 25))
    ]


def decode(
    transactions: Sequence[Transaction],
    version: int,
    sampling: Sampling,
    caplog: pytest.LogCaptureFixture,
) -> Decoded:
    engine = mpsse.ENGINES[version]
    bursts = list(mpsse.bursts(transactions, engine, mpsse.Pins(), sampling, engine.top_hz))
    return Decoded(b"".join(burst.out for burst in bursts), version, caplog)


@pytest.mark.parametrize("sampling", Sampling)
@pytest.mark.parametrize("version", H_TYPES)
@pytest.mark.parametrize("seed", range(12))
def test_the_tracer_reads_the_same_transactions(
    seed: int, version: int, sampling: Sampling, caplog: pytest.LogCaptureFixture
) -> None:
    transactions = random_transactions(seed)
    decoded = decode(transactions, version, sampling, caplog)
    assert decoded.complaints == []
    assert decoded.undecoded == b""
    assert list(decoded.periods()) == [(t.out, t.read) for t in transactions]
    ways_of_reading = {name for name in decoded.commands if name.startswith("READ_BYTES")}
    assert ways_of_reading <= {NAMES_BY_SAMPLING[sampling]}
    if any(t.read for t in transactions):
        assert ways_of_reading


@pytest.mark.parametrize("version", H_TYPES)
def test_every_burst_with_an_answer_asks_for_it_at_once(
    version: int, caplog: pytest.LogCaptureFixture
) -> None:
    """Without 87h the adapter keeps a short packet back until its latency timer runs out."""
    engine = mpsse.ENGINES[version]
    # The second write is too long to be sent along while the answers before it wait unread.
    transactions = [Transaction(b"\x05", engine.rx_fifo - 100) for _ in range(2)]
    transactions.append(Transaction(bytes(engine.tx_fifo)))
    bursts = list(mpsse.bursts(transactions, engine, mpsse.Pins(), Sampling.EDGE, engine.top_hz))
    assert [burst.reply > 0 for burst in bursts] == [True, False]
    for burst in bursts:
        decoded = Decoded(burst.out, version, caplog)
        assert sum(decoded.reads) == burst.reply
        assert (decoded.commands[-1] == "SEND_IMMEDIATE") == (burst.reply > 0)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (mpsse.BYTES_OUT, "WRITE_BYTES_NVE_MSB"),
        (mpsse.BYTES_IN_EDGE, "READ_BYTES_PVE_MSB"),
        (mpsse.BYTES_IN_LATE, "READ_BYTES_NVE_MSB"),
        (mpsse.IDLE_CLOCKS, "CLK_BYTES_NO_DATA"),
        (mpsse.READ_LOW_PINS, "GET_BITS_LOW"),
    ],
)
def test_opcodes_are_those_of_the_tool_kit(ours: int, theirs: str) -> None:
    assert getattr(Ftdi, theirs) == ours


def test_a_rest_becomes_clocks_without_data(caplog: pytest.LogCaptureFixture) -> None:
    """The tracer names 8Fh but does not decode it; its length field is read here."""
    hertz, rest = 10e6, 0.7e-3
    engine = mpsse.ENGINES[0x0900]
    (burst,) = mpsse.bursts(
        [Transaction(b"\x06", rest=rest)], engine, mpsse.Pins(), Sampling.EDGE, hertz
    )
    decoded = Decoded(burst.out, 0x0900, caplog)
    assert decoded.commands == [
        *("SET_BITS_LOW", "WRITE_BYTES_NVE_MSB", "SET_BITS_LOW", "CLK_BYTES_NO_DATA"),
    ]
    groups = int.from_bytes(burst.out[-2:], "little") + 1  # AN_108: 8 × (length + 1) clocks
    assert rest <= 8 * groups / hertz < rest + 8 / hertz


@pytest.mark.parametrize("version", H_TYPES)
@pytest.mark.parametrize("hertz", [30e6, 29e6, 12.5e6, 1e6, 100e3, 500.0])
def test_the_tracer_reads_the_clock_that_was_promised(
    version: int, hertz: float, caplog: pytest.LogCaptureFixture
) -> None:
    engine = mpsse.ENGINES[version]
    clock = mpsse.divisor(engine, hertz)
    decoded = Decoded(mpsse.setup(engine, mpsse.Pins(), clock), version, caplog)
    assert decoded.complaints == []
    text = "\n".join(decoded.lines)
    found = re.search(r"Set frequency ([0-9.]+)MHZ", text)
    assert found is not None
    assert float(found[1]) == pytest.approx(clock.hertz / 1e6, abs=0.0006)
    assert clock.hertz <= hertz
    for said in ("Disable clock divisor /5", "Disable adaptive clock", "Disable 3-phase clock"):
        assert said in text
    assert "Disable loopback" in text
    assert [int(m[1], 16) & 0x08 for line in decoded.lines if (m := PINS.search(line))] == [0x08]


@pytest.mark.parametrize("version", H_TYPES)
def test_release_makes_every_pin_an_input(version: int, caplog: pytest.LogCaptureFixture) -> None:
    decoded = Decoded(mpsse.RELEASE, version, caplog)
    assert decoded.complaints == []
    assert decoded.commands == ["SET_BITS_LOW", "SET_BITS_HIGH"]
    # The tracer draws an input as an underscore, an output as 0 or 1.
    drawn = [line.split()[-1] for line in decoded.lines if "Set gpio" in line]
    assert drawn == ["________", "________"]
    idle = Decoded(mpsse.Pins(high=0x30).set_bus(selected=False), version, caplog)
    assert [line.split()[-1] for line in idle.lines if "Set gpio" in line] == ["__111_00"]


def test_the_tracer_notices_bytes_that_are_wrong(caplog: pytest.LogCaptureFixture) -> None:
    """The check can fail: a byte too few, an unknown opcode and a read too long all show."""
    transactions = [Transaction(b"\x9f", 3)]
    engine = mpsse.ENGINES[0x0900]
    (burst,) = mpsse.bursts(transactions, engine, mpsse.Pins(), Sampling.EDGE, 1e6)
    select, rest = burst.out[:3], burst.out[3:]
    assert list(Decoded(burst.out, 0x0900, caplog).periods()) == [(b"\x9f", 3)]
    assert Decoded(select + b"\xab" + rest, 0x0900, caplog).complaints != []
    longer = burst.out.replace(b"\x20\x02\x00", b"\x20\x03\x00")
    assert longer != burst.out
    assert list(Decoded(longer, 0x0900, caplog).periods()) == [(b"\x9f", 4)]
