"""`compare` and `hints` on dumps that were made to waste time: bounded, as the survey is."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.compare import compare
from spiflash.dump.hints import hints
from tests.effort import effort
from tests.unit.hostile_dumps import MIB, fill

SIZE = 16 * MIB
SECTOR = 4096
SECONDS = 30.0
"""Of processor time. Generous: the worst takes a few seconds on a two-core machine; work that
grows with the square of the dump would be minutes."""


def every_other(size: int) -> tuple[bytes, bytes]:
    """Every second sector differs: as many separate differences as there can be."""
    a = random.Random(1).randbytes(size)
    b = bytearray(a)
    for at in range(0, size, 2 * SECTOR):
        b[at] ^= 1
    return a, bytes(b)


def alike_everywhere(size: int) -> tuple[bytes, bytes]:
    """One sector over and over: each place fits each other, for shifts without end."""
    sector = random.Random(2).randbytes(SECTOR)
    return fill(sector, size), fill(sector[1:] + b"x", size)


def moved_by_sectors(size: int) -> tuple[bytes, bytes]:
    """The same sectors in another order: each suggests a shift of its own."""
    rng = random.Random(3)
    sectors = [rng.randbytes(SECTOR) for _ in range(size // SECTOR)]
    other = rng.sample(sectors, len(sectors))
    return b"".join(sectors), b"".join(other)


def environments(size: int) -> tuple[bytes, bytes]:
    """Variables, and nothing else, with other values in each of the two."""
    return fill(b"a=1\0bootcmd=run a\0" * 9, size), fill(b"a=2\0bootcmd=run b\0" * 9, size)


def nothing_alike(size: int) -> tuple[bytes, bytes]:
    return random.Random(4).randbytes(size), random.Random(5).randbytes(size)


PAIRS: dict[str, Callable[[int], tuple[bytes, bytes]]] = {
    "every other sector": every_other,
    "alike everywhere": alike_everywhere,
    "moved by sectors": moved_by_sectors,
    "environments": environments,
    "nothing alike": nothing_alike,
}


@pytest.mark.parametrize("name", PAIRS)
def test_comparing_is_bounded(name: str) -> None:
    before, after = PAIRS[name](SIZE)
    found = []
    seconds = effort(lambda: found.append(compare(before, after)))
    print(f"{name}: {seconds:.2f} s")
    assert seconds < SECONDS
    assert not found[0].equal


TEXTS: dict[str, bytes] = {
    "boot commands": b"bootcmd=run a; run b; fatload mmc 0:1 0x41000000 x.bin\0",
    "arguments": b"bootargs=console=ttyS0,115200 mtdparts=a:1k(b),-(c)\0",
    "versions": b"U-Boot 2019.07 (Aug 14 2019 - 09:12:31 +0000)\0",
    "names that name each other": b"a=${b}${b}${b}\0b=${a}${a}${a}\0bootcmd=run a b\0",
    "runs that branch": b"bootcmd=run "
    + b"b " * 400
    + b"\0b=run "
    + b"c " * 400
    + b"\0c=run "
    + b"d " * 400
    + b"\0d=run "
    + b"e " * 400
    + b"\0e=\0",
    "one line without end": b"fatload mmc 0:1 ",
    "opening brackets": b"${",
    "semicolons": b"bootcmd=;;;;;;;;\0",
    "digits": b"115200",
    "printable": b"console=ttyS",
}


@pytest.mark.parametrize("name", TEXTS)
def test_hints_are_bounded(name: str) -> None:
    contents = fill(TEXTS[name], SIZE // 4)
    found = []
    seconds = effort(lambda: found.append(hints(survey(contents))))
    print(f"{name}: {seconds:.2f} s")
    assert seconds < SECONDS
    assert len(repr(found)) < 1 << 20
