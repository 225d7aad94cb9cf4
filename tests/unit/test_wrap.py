"""The wrap-around probe on arrays whose true size is known because they are made here."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spiflash.nor.capacity import PLACES, SAMPLE, Reach, wrap_probe

MIB = 1 << 20


def chip(contents: bytes) -> Callable[[Sequence[int], int], list[bytes]]:
    """Reads as a chip does: address bits above its size are ignored."""
    size = len(contents)

    def read(places: Sequence[int], length: int) -> list[bytes]:
        return [contents[p % size : p % size + length] for p in places]

    return read


def noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


@pytest.mark.parametrize("stated", [64 << 10, 512 << 10, MIB, 8 * MIB, 3 * MIB])
def test_a_chip_that_holds_what_it_says(stated: int) -> None:
    found = wrap_probe(chip(noise(stated)), stated)
    assert (found.reach, found.period) == (Reach.FULL, None)


@pytest.mark.parametrize("true", [256 << 10, 512 << 10, MIB, 2 * MIB, 4 * MIB])
def test_a_relabelled_chip_shows_its_true_size(true: int) -> None:
    found = wrap_probe(chip(noise(true)), 8 * MIB)
    assert (found.reach, found.period) == (Reach.REPEATS, true)


@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_blank_chips_prove_nothing(byte: int) -> None:
    found = wrap_probe(chip(bytes([byte]) * (4 * MIB)), 8 * MIB)
    assert found.reach is Reach.UNKNOWN
    assert "blank" in found.reason


@pytest.mark.parametrize("period", [2, 256, 4096, 32768])
def test_patterns_prove_nothing(period: int) -> None:
    found = wrap_probe(chip(noise(period) * (8 * MIB // period)), 8 * MIB)
    assert found.reach is Reach.UNKNOWN
    assert "repeat" in found.reason


def test_one_used_sector_in_a_blank_chip_is_found() -> None:
    """Places are no further apart than a sector on 8 MiB: 4 KiB of contents are enough."""
    for sector in (0, 1, 700, 1023):
        contents = bytearray(b"\xff" * (8 * MIB))
        contents[sector * 4096 : (sector + 1) * 4096] = noise(4096)
        assert wrap_probe(chip(bytes(contents)), 8 * MIB).reach is Reach.FULL, sector


def test_a_bad_lead_proves_nothing() -> None:
    """Differences that are not there a second time are errors, not places."""
    errors = random.Random(5)
    array = chip(noise(4 * MIB))

    def read(places: Sequence[int], length: int) -> list[bytes]:
        return [bytes((b[0] ^ errors.randrange(256), *b[1:])) for b in array(places, length)]

    assert wrap_probe(read, 8 * MIB).reach is Reach.UNKNOWN


def test_no_more_is_read_than_promised() -> None:
    counted = 0
    array = chip(b"\xff" * MIB)

    def read(places: Sequence[int], length: int) -> list[bytes]:
        nonlocal counted
        assert all(0 <= place <= 8 * MIB - length for place in places)
        counted += len(places) * length
        return array(places, length)

    wrap_probe(read, 8 * MIB)
    assert counted <= 2 * (PLACES + 64) * SAMPLE


@settings(max_examples=40, deadline=None)
@given(
    stated=st.integers(16, 23).map(lambda n: 1 << n),
    shorter=st.integers(0, 3),
    seed=st.integers(0, 1000),
)
def test_never_wrong_on_contents_that_do_not_repeat(stated: int, shorter: int, seed: int) -> None:
    true = max(stated >> shorter, 1 << 16)
    found = wrap_probe(chip(noise(true, seed)), stated)
    if true == stated:
        assert found.reach is Reach.FULL
    else:
        assert (found.reach, found.period) == (Reach.REPEATS, true)


def test_too_small_to_be_compared() -> None:
    """A person's own table may name such a chip."""
    found = wrap_probe(chip(bytes(range(256)) * 128), 32768)
    assert (found.reach, found.compared) == (Reach.UNKNOWN, 0)
    assert "too small" in found.reason
