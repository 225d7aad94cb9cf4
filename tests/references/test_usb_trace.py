"""The trace of USB transfers, opened by an analyser that nobody here wrote, and played back.

Reference: Wireshark's tshark (Debian), which reads link type 220 by the kernel's definition
(Documentation/usb/usbmon.rst) and decodes FTDI's requests and MPSSE commands itself.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from hwmocks import replay
from hwmocks.bench import Bench, make_bench
from hwmocks.clock import VirtualClock
from hwmocks.ftdi import AdapterProfile, FtdiDevice, UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.bus import Transaction, trace
from spiflash.bus.locate import open_bench_bus
from spiflash.cli.main import run
from spiflash.errors import AdapterLostError, OutputError, UsageError

ADAPTERS = ("ft232h", "ft2232h", "ft4232h", "ft2232c")
SECRET = b"passphrase of a board"


@pytest.fixture(autouse=True)
def _nothing_is_recorded_afterwards() -> Iterator[None]:
    yield
    assert trace.active() is None


def recorded(path: Path, adapter: str = "ft232h", *, data_read: bool = False) -> Bench:
    """A session with short and long reads, writes and waits; the chip holds a secret."""
    chip = NorChip("W25Q64JV", contents=SECRET.ljust(8 << 20, b"\xff"))
    bench = make_bench(chip, adapter=adapter)
    with trace.recording(path, data_read=data_read):
        bus = open_bench_bus(bench, "trace")
        for _ in range(20):
            bus.run([Transaction(b"\x9f", 3), Transaction(b"\x05", 1), Transaction(b"\x06")])
        assert b"".join(bus.stream(b"\x03\0\0\0", 5000))[: len(SECRET)] == SECRET
        bus.run([Transaction(b"\x06"), Transaction(b"\x02\0\x10\0written", rest=0.003)])
        bus.close()
    return bench


def fields(path: Path, *names: str) -> list[list[str]]:
    words = ["tshark", "-r", str(path), "-T", "fields"]
    for name in names:
        words += ["-e", name]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    return [line.split("\t") for line in done.stdout.splitlines()]


@pytest.mark.needs("tshark")
@pytest.mark.parametrize("adapter", ADAPTERS)
def test_an_analyser_finds_every_transfer(adapter: str, tmp_path: Path) -> None:
    path = tmp_path / "session.pcap"
    bench = recorded(path, adapter)
    counters = bench.device.channels[1].counters
    rows = fields(path, "usb.urb_type", "usb.transfer_type", "usb.endpoint_address.direction")
    found = Counter(tuple(row) for row in rows)
    bulk, control = "0x03", "0x02"
    for event in ("'S'", "'C'"):
        assert found[event, bulk, "0"] == counters.bulk_writes
        assert found[event, bulk, "1"] == counters.bulk_reads
        # One more than the channel counts: the device descriptor, which is nobody's channel.
        controls = sum(found[event, control, direction] for direction in "01")
        assert controls == counters.controls + 1
    # Every submission has one completion, later or at the same time.
    times: dict[str, list[tuple[str, float]]] = {}
    for number, event, when in fields(path, "usb.urb_id", "usb.urb_type", "frame.time_epoch"):
        times.setdefault(number, []).append((event, float(when)))
    assert all([e for e, _ in pair] == ["'S'", "'C'"] for pair in times.values())
    assert all(pair[0][1] <= pair[1][1] for pair in times.values())


@pytest.mark.needs("tshark")
def test_an_analyser_decodes_what_was_sent(tmp_path: Path) -> None:
    path = tmp_path / "session.pcap"
    recorded(path)
    words = ["tshark", "-r", str(path), "-Y", "ftdi-ft"]
    text = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    for request in ("Request: Reset", "Request: SetBitMode", "Request: SetLatTimer"):
        assert request in text
    done = subprocess.run(["tshark", "-r", str(path), "-V"], capture_output=True, text=True)
    assert "[Malformed" not in done.stdout
    assert "idProduct: " in done.stdout


def test_what_was_read_stays_out_unless_it_is_asked_for(tmp_path: Path) -> None:
    recorded(tmp_path / "without.pcap")
    recorded(tmp_path / "with.pcap", data_read=True)
    without, everything = ((tmp_path / f"{n}.pcap").read_bytes() for n in ("without", "with"))
    assert SECRET not in without
    assert SECRET in everything
    assert b"written" in without
    assert (tmp_path / "without.pcap").stat().st_mode & 0o777 == 0o600


def test_nothing_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "mine"
    path.write_text("keep")
    with pytest.raises(UsageError, match="mine"), trace.recording(path):
        pass
    assert path.read_text() == "keep"


def test_a_full_disk_does_not_stop_the_work(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Reference: the kernel's /dev/full (man 4 full)."""
    genuine = os.open

    def full(path: Path, flags: int, mode: int = 0o777) -> int:
        trace_file = path == tmp_path / "trace.pcap"
        return genuine("/dev/full", os.O_WRONLY) if trace_file else genuine(path, flags, mode)

    monkeypatch.setattr(trace.os, "open", full)
    words = ["identify", "--adapter", "sim:heron", "--trace", str(tmp_path / "trace.pcap")]
    assert run(words) == OutputError.status
    said = capsys.readouterr()
    assert "IDENTIFIED" in said.out
    assert "No space left on device" in said.err
    assert "bug" not in said.err


def test_a_pulled_cable_is_in_the_trace(tmp_path: Path) -> None:
    path = tmp_path / "cut.pcap"
    bench = make_bench(NorChip("W25Q64JV"), faults=UsbFaults(unplug_at=20))
    with trace.recording(path):
        bus = open_bench_bus(bench, "cut")
        with pytest.raises(AdapterLostError, match="unplugged"):
            list(bus.run_ahead([Transaction(b"\x9f", 3)] for _ in range(50)))
        bus.close()
    found = replay.transfers(path.read_bytes())
    assert next(each.status for each in found if each.status) == -19  # ENODEV
    whole = path.read_bytes()
    for end in range(0, len(whole), 97):  # a recording program that was killed
        if end >= 24:
            assert len(replay.transfers(whole[:end])) <= len(found)


# -- played back -------------------------------------------------------------------------------


@pytest.mark.parametrize("adapter", ADAPTERS)
@pytest.mark.parametrize("data_read", [False, True])
def test_the_mock_agrees_with_itself(adapter: str, data_read: bool, tmp_path: Path) -> None:
    path = tmp_path / "session.pcap"
    recorded(path, adapter, data_read=data_read)
    result = replay.replay(path.read_bytes())
    assert result.differences == []
    assert result.transfers > 50
    assert set(result.times) >= {"control", "read", "write"}


WRONG = {
    "a reply one byte short": (UsbFaults(loses_last_byte=True), "bytes read"),
    "ten times the latency": (UsbFaults(latency_factor=10), "time of a read of nothing"),
    "an engine that ignores AAh": (UsbFaults(deaf_to=frozenset({0xAA})), "bytes read"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_mock_is_found(name: str, tmp_path: Path) -> None:
    """The capture is of a right adapter; the one that it is played to is not."""
    path = tmp_path / "session.pcap"
    recorded(path)
    faults, kind = WRONG[name]

    def make(profile: AdapterProfile, clock: VirtualClock) -> FtdiDevice:
        return FtdiDevice(profile, clock, faults=faults)

    found = replay.replay(path.read_bytes(), make=make)
    assert kind in {each.kind for each in found.differences}


def test_the_command(tmp_path: Path) -> None:
    path = tmp_path / "session.pcap"
    recorded(path)
    words = [sys.executable, "-m", "hwmocks.replay", str(path)]
    done = subprocess.run([*words, "--json"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["differences"] == []
    wrong = subprocess.run([*words, "--adapter", "FT2232C"], capture_output=True, text=True)
    assert wrong.returncode == 1
    assert "DIFFERENCES" in wrong.stdout
    none = subprocess.run([*words[:3], str(tmp_path)], capture_output=True, text=True)
    assert none.returncode == 2
    (tmp_path / "text").write_text("no capture")
    none = subprocess.run([*words[:3], str(tmp_path / "text")], capture_output=True, text=True)
    assert none.returncode == 2
    assert "Traceback" not in none.stderr
