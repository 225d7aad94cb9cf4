"""Wire faults: that each does what it says, by counting, and that seeds repeat."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from hwmocks import faults
from hwmocks.nor import NorChip
from hwmocks.wire import Beat
from tests.nor_rig import NorRig

BEAT = Beat(0.0, 10e6)
RANDOM = np.random.default_rng(1).integers(0, 256, size=1 << 16, dtype=np.uint8).tobytes()


class Constant:
    """A device that answers the same bytes for ever and remembers what it heard."""

    def __init__(self, answer: bytes) -> None:
        self.answer = answer
        self.heard: list[bytes] = []
        self.selects: list[tuple[str, float]] = []

    def select(self, now: float) -> None:
        self.selects.append(("down", now))

    def deselect(self, now: float) -> None:
        self.selects.append(("up", now))

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        self.heard.append(mosi)
        return (self.answer * (len(mosi) // len(self.answer) + 1))[: len(mosi)]

    def level(self, pin: str, high: bool | None, now: float) -> None:
        self.selects.append((f"{pin}={high}", now))


def flips(one: bytes, two: bytes) -> int:
    difference = np.frombuffer(one, np.uint8) ^ np.frombuffer(two, np.uint8)
    return int(np.bitwise_count(difference).sum())


@pytest.mark.parametrize("rate", [1e-5, 1e-3, 0.1, 1.0])
def test_bit_error_rate(rate: float) -> None:
    fault = faults.BitErrors(Constant(RANDOM), rate, seed=2)
    rounds = 40
    count = sum(flips(fault.transfer(bytes(65536), BEAT), RANDOM) for _ in range(rounds))
    bits = rounds * 65536 * 8
    spread = math.sqrt(bits * rate * (1 - rate))
    assert abs(count - bits * rate) <= 4 * spread


def test_bit_errors_at_one_in_a_billion() -> None:
    # 20 000 transfers of 64 KiB are 1.05e10 bits: 10.5 flips expected, Poisson.
    fault = faults.BitErrors(Constant(bytes(65536)), 1e-9, seed=3)
    idle = bytes(65536)
    hit = sum(fault.transfer(idle, BEAT) != idle for _ in range(20000))
    assert 2 <= hit <= 24  # outside with a chance below 1 in 10 000


def test_bit_errors_spread_over_all_bits_and_bytes() -> None:
    fault = faults.BitErrors(Constant(bytes(256)), 0.02, seed=4)
    total = np.zeros(2048)
    for _ in range(2000):
        total += np.unpackbits(np.frombuffer(fault.transfer(bytes(256), BEAT), np.uint8))
    assert total.min() > 10  # 40 expected for each bit
    assert total.max() < 80


def test_bit_errors_on_mosi() -> None:
    inner = Constant(b"\x00")
    fault = faults.BitErrors(inner, 0.0, mosi_rate=1.0)
    assert fault.transfer(b"\x0f", BEAT) == b"\x00"
    assert inner.heard == [b"\xf0"]


def test_seeds_repeat() -> None:
    answers = [
        faults.BitErrors(Constant(RANDOM), 1e-3, seed=seed).transfer(bytes(4096), BEAT)
        for seed in (1, 1, 2)
    ]
    assert answers[0] == answers[1] != answers[2]


def test_slow_wire_fails_above_15_mhz_early_and_30_mhz_late() -> None:
    def wrong(hertz: float, late: bool) -> int:
        fault = faults.SlowWire(Constant(RANDOM), seed=5)
        return flips(fault.transfer(bytes(65536), Beat(0.0, hertz, late)), RANDOM)

    assert wrong(10e6, False) == wrong(15e6, False) == 0
    assert wrong(20e6, False) > 100_000
    assert wrong(20e6, True) == wrong(30e6, True) == 0
    assert wrong(40e6, True) > 100_000
    growing = [wrong(hertz, False) for hertz in (15e6, 16e6, 16.5e6, 17e6, 17.5e6)]
    assert growing == sorted(growing)
    assert 0 < growing[1] < 1000
    # Half a period of 56 ns is the delay itself: half of the bits come too late.
    assert faults.SlowWire(Constant(b"0")).miss_chance(1 / 56e-9, False) == pytest.approx(0.5)


def test_missed_bits_read_as_the_bit_before() -> None:
    fault = faults.SlowWire(Constant(RANDOM), seed=5)
    all_missed = fault.transfer(bytes(65536), Beat(0.0, 30e6, False))
    true = int.from_bytes(RANDOM, "big")
    expected = (true >> 1) | 1 << (65536 * 8 - 1)
    assert all_missed == expected.to_bytes(65536, "big")
    steady = faults.SlowWire(Constant(b"\xff"), seed=5)
    assert steady.transfer(bytes(64), Beat(0.0, 30e6, False)) == b"\xff" * 64


def test_one_bit_late() -> None:
    fault = faults.OneBitLate(NorChip("W25Q64JV"))
    # FF EF 40 17 shifted right by one, a one coming in from the idle line.
    assert NorRig(fault).run("9F", 3) == bytes.fromhex("F7A00B")
    pieces = faults.OneBitLate(Constant(RANDOM))
    pieces.select(0.0)
    late = pieces.transfer(bytes(65536), BEAT) + pieces.transfer(bytes(2), BEAT)
    whole = (int.from_bytes(RANDOM + RANDOM[:2], "big") >> 1) | 1 << (65538 * 8 - 1)
    assert late == whole.to_bytes(65538, "big")


def test_fixed_place() -> None:
    fault = faults.FixedPlaceError(Constant(RANDOM), 65500)
    for _ in range(2):
        answer = fault.transfer(bytes(65536), BEAT)
        wrong = [i for i in range(65536) if answer[i] != RANDOM[i]]
        assert wrong == [65500]
    assert fault.transfer(bytes(65535), BEAT) == RANDOM[:65535]


def test_loose_miso() -> None:
    chip = NorChip("W25Q64JV")
    assert NorRig(faults.LooseMiso(chip, True)).run("9F", 3) == b"\xff" * 3
    assert NorRig(faults.LooseMiso(chip, False)).run("9F", 3) == b"\x00" * 3
    noise = NorRig(faults.LooseMiso(chip, None)).run("9F", 4096)
    ones = int.from_bytes(noise, "big").bit_count() / 32768
    assert 0.86 < ones < 0.89
    NorRig(faults.LooseMiso(chip, None)).run("06")
    assert chip.registers["SR1"] == 0x02, "the chip still hears"


def test_wires_that_do_not_reach_the_chip() -> None:
    for fault in (
        faults.LooseMosi(NorChip("W25Q64JV"), False),
        faults.LooseMosi(NorChip("W25Q64JV"), True),
        faults.LooseChipSelect(NorChip("W25Q64JV")),
        faults.DeadClock(NorChip("W25Q64JV")),
        faults.NoPower(NorChip("W25Q64JV")),
    ):
        assert NorRig(fault).run("9F", 3) == b"\xff" * 3
        assert isinstance(fault.inner, NorChip)
        assert not fault.inner.opcode_counts
    assert NorRig(faults.NoPower(NorChip("W25Q64JV"), False)).run("9F", 3) == b"\x00" * 3


def test_held_low() -> None:
    chip = NorChip("W25Q64FV")
    fault = faults.HeldLow(chip, "HOLD#")
    fault.level("HOLD#", True, 0.0)
    assert NorRig(fault).run("9F", 3) == b"\xff" * 3
    locked = faults.HeldLow(NorChip("W25Q64FV"), "WP#")
    rig = NorRig(locked)
    rig.write("0180")
    rig.write("0100")
    rig.run("04")
    assert rig.status() == 0x80


def test_bursts_alternate_with_the_means_asked_for() -> None:
    bursts = faults.Bursts(0.1, 0.01, seed=6)
    edges = bursts.edges(0.0, 100.0)
    assert edges == sorted(edges)
    assert not bursts.disturbed(0.0)
    assert bursts.disturbed(edges[0])
    assert not bursts.disturbed(edges[1])
    disturbed = sum(up - down for down, up in zip(edges[::2], edges[1::2], strict=False))
    assert disturbed / 100 == pytest.approx(0.01 / 0.11, rel=0.2)
    with pytest.raises(ValueError, match="above zero"):
        faults.Bursts(0.0, 1.0, seed=0)


def test_intermittent_miso_floats_in_bursts_only() -> None:
    fault = faults.IntermittentContact(Constant(b"\x00"), quiet=5e-3, burst=5e-3, seed=7)
    answer = fault.transfer(bytes(65536), Beat(0.0, 10e6))  # 52 ms, 0.8 µs a byte
    for edge in fault.bursts.edges(0.0, 65536 * 0.8e-6):
        byte = math.ceil(edge / 0.8e-6)
        if byte < 65000:
            inside = fault.bursts.disturbed(edge)
            window = answer[byte : byte + 8] if inside else answer[byte - 8 : byte]
            assert window.count(0) < 8
    quiet = [i for i in range(65536) if not fault.bursts.disturbed(i * 0.8e-6)]
    assert 10000 < len(quiet) < 55000
    assert all(answer[i] == 0 for i in quiet)


def test_intermittent_chip_select_starts_new_commands() -> None:
    inner = Constant(b"\x00")
    fault = faults.IntermittentContact(inner, line="CS", quiet=5e-3, burst=5e-3, seed=7)
    fault.select(0.0)
    sent = np.arange(65536, dtype=np.uint32).astype(np.uint8).tobytes()
    fault.transfer(sent, Beat(0.0, 10e6))
    fault.deselect(0.06)
    kinds = [kind for kind, _ in inner.selects]
    assert kinds[:3] == ["down", "up", "down"]
    assert all(a != b for a, b in itertools.pairwise(kinds))
    assert b"".join(inner.heard) == sent
    times = [when for _, when in inner.selects[1:] if when < 0.06]
    edges = fault.bursts.edges(0.0, 65536 * 0.8e-6)
    assert len(times) > 4
    assert np.allclose(times, edges, atol=1e-6)
    with pytest.raises(ValueError, match="MOSI"):
        faults.IntermittentContact(inner, line="MOSI")


def test_other_master_garbles_both_lines() -> None:
    inner = Constant(b"\xff")
    fault = faults.OtherMaster(inner, quiet=5e-3, burst=5e-3, seed=8)
    answer = fault.transfer(b"\xff" * 65536, Beat(0.0, 10e6))
    heard = b"".join(inner.heard)
    assert len(answer) == len(heard) == 65536
    disturbed = [i for i in range(65536) if fault.bursts.disturbed(i * 0.8e-6)]
    quiet = sorted(set(range(65536)) - set(disturbed))
    assert all(answer[i] == heard[i] == 0xFF for i in quiet)
    assert 0.4 < sum(answer[i].bit_count() for i in disturbed) / (8 * len(disturbed)) < 0.6
    assert any(heard[i] != answer[i] for i in disturbed)


def test_power_cut_at_a_time() -> None:
    chip = NorChip("W25Q64JV", bytes(8 << 20))
    cut = faults.PowerCut(chip, at=10e-3)
    rig = NorRig(cut)
    rig.run("06")
    rig.run("20000000")
    rig.wait(1.0)
    assert rig.status() == 0xFF
    assert cut.happened
    assert 0 < chip.contents[:4096].count(0xFF) < 4096, "cut off at 10 ms, not when noticed"
    cut.restore(rig.now)
    rig.wait(0.01)
    assert rig.status() == 0x00


def test_power_cut_after_a_number_of_selects() -> None:
    chip = NorChip("W25Q64JV")
    rig = NorRig(faults.PowerCut(chip, after=2))
    rig.run("06")
    assert chip.powered
    rig.run("20000000")
    assert not chip.powered
