"""Signs of a bad reading: each is seen when it is there, and never on a good dump."""

from __future__ import annotations

import random

import numpy as np
import pytest

from hwmocks.boards.heron import (
    failed_card_flash,
    heron_factory,
    heron_open,
    heron_variant,
)
from spiflash.dump.symptoms import symptoms

FACTORY = heron_factory()
# Boot, environment, factory block, tree, kernel: 1 MiB keeps the sweeps below short.
PIECE = FACTORY[:0x100000]


def names(contents: bytes) -> list[str]:
    return [symptom.name for symptom in symptoms(contents)]


@pytest.mark.parametrize(
    "contents",
    [
        FACTORY,
        heron_open(),
        heron_variant(3),
        failed_card_flash(FACTORY, heron_open(), 0x81234),
        PIECE,
        random.Random(5).randbytes(1 << 20),
        b"\xff" * 8191 + b"\xfe\xfc",
    ],
    ids=["factory", "open", "variant", "failed", "piece", "random", "nearly blank"],
)
def test_a_good_dump_has_none(contents: bytes) -> None:
    assert symptoms(contents) == ()


@pytest.mark.parametrize("contents", [b"", b"\xff", b"\0" * 4095])
def test_less_than_a_sector_says_nothing(contents: bytes) -> None:
    assert symptoms(contents) == ()


@pytest.mark.parametrize(
    ("value", "name"), [(0xFF, "all-ones"), (0x00, "all-zeros"), (0x9F, "all-same")]
)
def test_one_value_throughout(value: int, name: str) -> None:
    (symptom,) = symptoms(bytes([value]) * 65536)
    assert symptom.name == name
    assert f"{value:02X}h" in symptom.sign


@pytest.mark.parametrize("bit", range(8))
@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_bit(bit: int, level: int) -> None:
    data = np.frombuffer(PIECE, dtype=np.uint8)
    stuck = data | (1 << bit) if level else data & (0xFF ^ 1 << bit)
    found = symptoms(stuck.astype(np.uint8).tobytes())
    assert [symptom.name for symptom in found] == [f"stuck-bit-{bit}"]
    assert f"Bit {bit} of every byte is {level}" in found[0].sign


@pytest.mark.parametrize("size", [64 << 10, 256 << 10, 1 << 20])
@pytest.mark.parametrize("times", [2, 4])
def test_a_wrapped_capacity(size: int, times: int) -> None:
    (symptom,) = symptoms(PIECE[:size] * times)
    assert symptom.name == "wrapped"
    assert f"every {size:,} bytes, {times} times" in symptom.sign


@pytest.mark.parametrize("period", [2, 3, 16, 255, 256, 4096, 5000])
def test_a_short_period(period: int) -> None:
    piece = random.Random(period).randbytes(period)
    contents = (piece * (200_000 // period + 1))[:200_000]
    (symptom,) = symptoms(contents)
    assert symptom.name == "short-period"
    assert f"every {period:,} bytes" in symptom.sign


def test_one_different_byte_is_no_period() -> None:
    contents = bytearray(random.Random(1).randbytes(256) * 400)
    contents[70_000] ^= 1
    assert names(bytes(contents)) == []


def as_bits(contents: bytes) -> str:
    return bin(int.from_bytes(b"\1" + contents, "big"))[3:]


def from_bits(bits: str) -> bytes:
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


def test_a_lost_and_an_added_bit() -> None:
    # Moved with Python's integers, which share nothing with the arrays of the search.
    contents = FACTORY[0x60000:0xA4000]
    bits = as_bits(contents)
    (lost,) = symptoms(from_bits(bits[1:] + "1"))
    (added,) = symptoms(from_bits("1" + bits[:-1]))
    assert (lost.name, added.name) == ("bit-lost", "bit-added")
    assert "Linux Kernel Image" in lost.sign
    assert "Linux Kernel Image" in added.sign


def test_each_is_a_sentence_with_a_cause() -> None:
    text = str(symptoms(bytes(8192))[0])
    assert text.startswith("Every byte is 00h. Likely cause: ")
    assert text.endswith(".")
