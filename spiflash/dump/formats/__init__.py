"""Looking for formats: magic numbers, even with one bit wrong, within a bounded amount of work.

A file can claim ten thousand overlapping items of several megabytes each. Every search that
follows claims found in the dump therefore spends from a budget proportional to the dump's size.

Bulk CRC-32 goes through zlib, which is fast everywhere. The other variants go through crcmod,
whose speed depends on whether it was built with a C compiler: they suit headers and blocks, not
whole dumps. Parameters and check values: the catalogue of parametrised CRC algorithms (Cook).
"""

from __future__ import annotations

import bisect
import functools
import itertools
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

import crcmod
import numpy as np
import numpy.typing as npt

from spiflash.dump.finding import Finding, Verdict
from spiflash.spans import Span


class Budget:
    """A number of units (bytes, steps) that may still be spent."""

    def __init__(self, units: int) -> None:
        self.left = units

    def spend(self, units: int) -> bool:
        """Take `units` away; False, and nothing taken, when that many are not left."""
        if units > self.left:
            return False
        self.left -= units
        return True


_MOST_NEAR = 20_000
"""Places compared for each half of a magic number; chance gives some hundred in 16 MiB."""


def places(contents: bytes, magic: bytes) -> Iterator[int]:
    """The offsets of `magic` in `contents`, rising, overlapping ones too."""
    at = contents.find(magic)
    while at >= 0:
        yield at
        at = contents.find(magic, at + 1)


def near_places(contents: bytes, magic: bytes) -> list[int]:
    """Rising offsets where `magic`, of four bytes or more, has exactly one bit wrong.

    One wrong bit leaves one half intact, so only the places of each half are compared in full.
    """
    size, half = len(magic), len(magic) // 2
    wanted = int.from_bytes(magic, "big")
    found: set[int] = set()
    for skip, part in ((0, magic[:half]), (half, magic[half:])):
        for place in itertools.islice(places(contents, part), _MOST_NEAR):
            at = place - skip
            there = contents[at : at + size] if at >= 0 else b""
            if len(there) == size and (int.from_bytes(there, "big") ^ wanted).bit_count() == 1:
                found.add(at)
    return sorted(found)


def places_or_near(contents: bytes, magic: bytes) -> list[int]:
    """Rising offsets where `magic` is, with one bit wrong at the most."""
    return sorted({*places(contents, magic), *near_places(contents, magic)})


def mended(raw: bytes, good: Callable[[bytes], bool], budget: Budget) -> bytes | None:
    """`raw` with the one bit flipped that makes it `good`, or None where no single bit does.

    Spends one unit of `budget`; None when that is used up.
    """
    if not budget.spend(1):
        return None
    trial = bytearray(raw)
    for index in range(len(raw)):
        for bit in range(8):
            trial[index] ^= 1 << bit
            if good(bytes(trial)):
                return bytes(trial)
            trial[index] ^= 1 << bit
    return None


def is_blank(contents: bytes, start: int = 0, end: int | None = None) -> bool:
    """Whether there is nothing but FFh from `start` to `end`; True where the contents do not
    reach."""
    part = contents[start:end]
    return part.count(0xFF) == len(part)


def outside(offsets: Iterable[int], packed: Sequence[Span]) -> Iterator[int]:
    """Those of `offsets` that are in none of the `packed` ranges (sorted, without overlap)."""
    starts = [start for start, _ in packed]
    for at in offsets:
        index = bisect.bisect_right(starts, at) - 1
        if index < 0 or at >= packed[index][1]:
            yield at


def one_by_one(
    offsets: Iterable[int], read: Callable[[int], Finding | None], trusted: int | None = None
) -> Iterator[Finding]:
    """What `read` recognises at rising `offsets`; nothing that starts within the one before, of
    which only `trusted` bytes count where that is given and the item is not VERIFIED."""
    done = 0
    for at in offsets:
        finding = read(at) if at >= done else None
        if finding is not None:
            yield finding
            sure = trusted is None or finding.verdict is Verdict.VERIFIED
            done = finding.end if sure else at + (trusted or 0)


_State = TypeVar("_State")


@dataclass(slots=True)
class NodeRun(Generic[_State]):
    """Neighbouring nodes of a file system in the same state, by their starts; `gaps` are the bytes
    between them."""

    state: _State
    start: int
    end: int
    nodes: list[int] = field(default_factory=list)
    gaps: list[Span] = field(default_factory=list)


def node_runs(
    offsets: Iterable[int],
    read: Callable[[int], tuple[_State, int] | None],
    joined: Callable[[int, int], bool],
    whole: _State,
    header: int,
) -> Iterator[NodeRun[_State]]:
    """Runs of the nodes that `read` recognises at rising `offsets`, as (state, length).

    Two of one state belong together where the bytes between them are `joined`. Of a node that is
    not `whole` only the `header` counts: its length may be of no meaning.
    """
    run: NodeRun[_State] | None = None
    done = 0
    for at in offsets:
        node = read(at) if at >= done else None
        if node is None:
            continue
        state, length = node
        if run is not None:
            run.end = min(run.end, at)
            if state != run.state or not joined(run.end, at):
                yield run
                run = None
        if run is None:
            run = NodeRun(state, at, at)
        if run.end < at:
            run.gaps.append((run.end, at))
        run.nodes.append(at)
        run.end = at + length
        done = run.end if state == whole else at + header
    if run is not None:
        yield run


def runs_of(marked: npt.NDArray[np.bool_], apart: int = 1) -> list[Span]:
    """The runs of True in `marked`: (first index, index after the last). Two with fewer than
    `apart` False between them are one."""
    edges = np.flatnonzero(np.diff(marked, prepend=False, append=False))
    if not len(edges):
        return []
    gaps = np.flatnonzero(edges[2::2] - edges[1:-1:2] >= apart)
    firsts, lasts = edges[np.append(0, 2 * gaps + 2)], edges[np.append(2 * gaps + 1, -1)]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


# Checksums ---------------------------------------------------------------------------------------

Data = bytes | bytearray | memoryview


@dataclass(frozen=True, slots=True)
class Variant:
    """One CRC: polynomial with its top bit, register start, bit order, final inversion mask.

    `check` is the CRC of the nine ASCII digits "123456789".
    """

    polynomial: int
    start: int
    reflected: bool
    inversion: int
    check: int


VARIANTS = {
    "CRC-16/XMODEM": Variant(0x11021, 0x0000, False, 0x0000, 0x31C3),
    "CRC-16/ARC": Variant(0x18005, 0x0000, True, 0x0000, 0xBB3D),
    "CRC-32/ISO-HDLC": Variant(0x104C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    "CRC-32/BZIP2": Variant(0x104C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF, 0xFC891918),
    "CRC-32/ISCSI": Variant(0x11EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xE3069283),
    "CRC-32/JAMCRC": Variant(0x104C11DB7, 0xFFFFFFFF, True, 0x00000000, 0x340BC6D9),
}


@functools.cache
def crc(name: str) -> Callable[[Data], int]:
    """The function that computes the variant called `name`; KeyError when there is none."""
    variant = VARIANTS[name]
    compute: Callable[[Data], int] = crcmod.mkCrcFun(
        variant.polynomial,
        # crcmod takes the start value as it would look after the final inversion.
        initCrc=variant.start ^ variant.inversion,
        rev=variant.reflected,
        xorOut=variant.inversion,
    )
    return compute


def crc32_plain(data: Data) -> int:
    """CRC-32 from zero and without inversion, as the Linux kernel's `crc32(0, …)` in JFFS2."""
    return zlib.crc32(data, 0xFFFFFFFF) ^ 0xFFFFFFFF


def crc32_uninverted(data: Data) -> int:
    """CRC-32/JAMCRC: from all ones, without the final inversion, as in UBI and UBIFS."""
    return zlib.crc32(data) ^ 0xFFFFFFFF
