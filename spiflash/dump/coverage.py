"""How much of a dump its own checksums prove, how full each region is, and whether contents fit a
chip of another size.
"""

from __future__ import annotations

import bisect
import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.finding import Finding, Verdict, damaged_spans
from spiflash.dump.formats import is_blank, runs_of
from spiflash.dump.layout import Layout, Region
from spiflash.spans import SECTOR, Sized, Span, merged
from spiflash.text import counted

_EMPTY = (Verdict.NOTED, Verdict.BLANK)
"""What does not count as contents: a note on how the bytes look is no format."""

_MOST_ISLANDS = 1000
_PIECE = 1 << 20


class Level(enum.IntEnum):
    """The best that findings say about a byte. Damage comes last: where one checksum is OK
    and another fails, the byte does not count as proven."""

    UNRECOGNISED = 0
    CONSISTENT = 1
    BLANK = 2
    VERIFIED = 3
    DAMAGED = 4


def percent(part: int, whole: int) -> str:
    """A share to a tenth of a per cent, rounded down: "100.0 %" means all of it."""
    tenths = part * 1000 // max(whole, 1)
    return f"{tenths // 10}.{tenths % 10} %"


@dataclass(frozen=True, slots=True)
class Coverage:
    """Numbers of bytes; the five parts add up to `total`.

    `blank` counts erased sectors that no checksum covers; `consistent` what fits its format but
    has no checksum; `unrecognised` the rest. Of these, `unchecked` have a checksum that was not
    computed.
    """

    total: int
    blank: int
    verified: int
    damaged: int
    consistent: int
    unrecognised: int
    unchecked: int = 0

    @property
    def used(self) -> int:
        """The bytes that are not blank."""
        return self.total - self.blank

    @property
    def no_checksum(self) -> int:
        """The bytes that are not blank and that no checksum covers."""
        return self.consistent + self.unrecognised - self.unchecked

    @property
    def headline(self) -> str:
        """One line about the bytes that are not blank.

        Rounded to a tenth of a per cent so that it never claims too much: "100.0 % checksum OK" and
        "0.0 % no checksum" mean every single byte.
        """
        if self.total == 0:
            return "empty"
        if self.used == 0:
            return "all blank"
        without = -(self.no_checksum * -1000 // self.used)
        share = percent(self.consistent, self.used)
        fit = f" ({share} fit their format)" if self.consistent else ""
        left = -(self.unchecked * -1000 // self.used)
        unchecked = f", {left / 10:.1f} % NOT CHECKED" if self.unchecked else ""
        return (
            f"{percent(self.verified, self.used)} checksum OK, {counted(self.damaged, 'byte')} "
            f"{'fails' if self.damaged == 1 else 'fail'} a checksum{unchecked}, "
            f"{without / 10:.1f} % no checksum{fit}"
        )


def coverage(contents: bytes, findings: Iterable[Finding]) -> Coverage:
    """Count the bytes of `contents` by the best that `findings` say about each."""
    findings = tuple(findings)
    painted = levels(len(contents), findings)
    counts = histogram(painted).tolist()
    unchecked = merged(f.span for f in findings if f.verdict is Verdict.UNCHECKED)
    return Coverage(
        len(contents),
        blank=counts[Level.BLANK],
        verified=counts[Level.VERIFIED],
        damaged=counts[Level.DAMAGED],
        consistent=counts[Level.CONSISTENT],
        unrecognised=counts[Level.UNRECOGNISED],
        unchecked=sum(
            int(np.count_nonzero(painted[start:end] == Level.UNRECOGNISED))
            for start, end in unchecked
        ),
    )


@dataclass(frozen=True, slots=True)
class Island(Sized):
    """Data in which no format was recognised: `length` bytes from `start`, whole sectors.

    `entropy` is in bits a byte: packed or encrypted data are close to 8, tables and code
    between 4 and 7 (common practice, no source).
    """

    start: int
    length: int
    entropy: float


def islands(contents: bytes, findings: Iterable[Finding]) -> tuple[Island, ...]:
    """Every run of 4 KiB sectors with bytes that are neither recognised nor blank nor zero, in
    rising order; the first thousand."""
    data = np.frombuffer(contents, dtype=np.uint8)
    free = (data != 0xFF) & (data != 0x00)
    claimed = [s for f in findings for s, v in f.verdicts() if v not in _EMPTY]
    for start, end in merged(claimed):
        free[max(start, 0) : end] = False
    sectors = np.logical_or.reduceat(free, np.arange(0, len(free), SECTOR))
    found = []
    for first, last in runs_of(sectors)[:_MOST_ISLANDS]:
        start, end = first * SECTOR, min(last * SECTOR, len(contents))
        bits = entropy(histogram(data[start:end], free[start:end]))
        found.append(Island(start, end - start, round(bits, 1)))
    return tuple(found)


def histogram(
    data: NDArray[np.uint8], chosen: NDArray[np.bool_] | None = None
) -> NDArray[np.int64]:
    """How often each of the 256 values occurs in `data`, where `chosen` is true.

    In pieces: counting takes eight bytes for each byte, too much memory for a whole dump.
    """
    counts = np.zeros(256, dtype=np.int64)
    for low in range(0, len(data), _PIECE):
        part = data[low : low + _PIECE]
        if chosen is not None:
            part = part[chosen[low : low + _PIECE]]
        counts += np.bincount(part, minlength=256)
    return counts


def entropy(counts: NDArray[np.int64]) -> float:
    """Bits a value, from 0 to 8 for bytes; `counts` says how often each value occurs."""
    shares = counts[counts > 0] / counts.sum()
    return abs(float((shares * np.log2(shares)).sum()))


def levels(size: int, findings: Iterable[Finding]) -> NDArray[np.uint8]:
    """The `Level` of each of `size` bytes. A byte in several findings counts once, for the
    highest."""
    painted = np.zeros(size, dtype=np.uint8)
    ranges: dict[Verdict, list[Span]] = {verdict: [] for verdict in Verdict}
    for finding in findings:
        for (start, end), verdict in finding.verdicts():
            ranges[verdict].append((max(start, 0), end))
    for level in list(Level)[1:]:  # those that are called as verdicts are
        for start, end in merged(ranges[Verdict[level.name]]):
            painted[start:end] = level
    return painted


def sectors_of(contents: bytes) -> NDArray[np.uint8]:
    """The whole sectors, a row each."""
    count = len(contents) // SECTOR
    return np.frombuffer(contents, np.uint8, count * SECTOR).reshape(count, SECTOR)


# Regions -----------------------------------------------------------------------------------------

_TITLES = 4


@dataclass(frozen=True, slots=True)
class Occupancy:
    """How many bytes of a region, in whole 4 KiB sectors, are used.

    A sector is used when it holds anything but FFh, or when a finding covers it: the padding of
    an environment belongs to its checksum. `room` is the unused part at the end, by which the
    contents could grow. `contents` are titles of findings (untrusted), `remarks` say what is
    inconsistent. `damaged` counts bytes that fail a checksum.
    """

    region: Region
    used: int
    free: int
    room: int
    contents: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    damaged: int = 0


def used_sectors(contents: bytes, findings: Sequence[Finding]) -> NDArray[np.bool_]:
    """For each 4 KiB sector whether it is used; a partial one at the end counts as one."""
    padded = contents + b"\xff" * (-len(contents) % SECTOR)
    used: NDArray[np.bool_] = (sectors_of(padded) != 0xFF).any(axis=1)
    reached = 0
    for finding in sorted(findings, key=lambda each: each.start):
        if finding.verdict in _EMPTY or finding.end <= reached:
            continue
        first = max(finding.start, reached) // SECTOR
        used[first : -(-finding.end // SECTOR)] = True
        reached = finding.end
    return used


def occupancy(
    contents: bytes, findings: Sequence[Finding], layout: Layout
) -> tuple[Occupancy, ...]:
    """One entry a region, in the order of the layout."""
    used = used_sectors(contents, findings)
    shown = [each for each in findings if each.verdict not in _EMPTY]
    shown.sort(key=lambda each: (each.start, -each.length))
    damaged = damaged_spans(findings)
    return tuple(_of(region, used, shown, damaged, len(contents)) for region in layout.regions)


def _of(
    region: Region,
    used: NDArray[np.bool_],
    findings: Sequence[Finding],
    damaged: Sequence[Span],
    size: int,
) -> Occupancy:
    sectors = used[region.start // SECTOR : -(-min(region.end, size) // SECTOR)]
    places = np.flatnonzero(sectors)
    taken = min(len(places) * SECTOR, region.length)
    full = min((int(places[-1]) + 1) * SECTOR, region.length) if len(places) else 0
    first = bisect.bisect_left(findings, region.start, key=lambda each: each.start)
    after = bisect.bisect_left(findings, region.end, key=lambda each: each.start)
    outermost: list[Finding] = []
    for finding in findings[first:after]:
        if not outermost or finding.end > outermost[-1].end:
            outermost.append(finding)
    titles = list(dict.fromkeys(each.title for each in outermost))
    more = (f"and {len(titles) - _TITLES} more",) if len(titles) > _TITLES else ()
    return Occupancy(
        region,
        used=taken,
        free=region.length - taken,
        room=region.length - full,
        contents=(*titles[:_TITLES], *more),
        remarks=tuple(_remarks(region, outermost, size)),
        damaged=sum(
            max(min(end, region.end) - max(start, region.start), 0) for start, end in damaged
        ),
    )


def _remarks(region: Region, inside: Sequence[Finding], size: int) -> list[str]:
    found = [
        f"{each.title} at {each.start:06X}h ends after the region, at {each.end - 1:06X}h"
        for each in inside
        if each.end > region.end
    ]
    if region.end > size:
        beyond = counted(region.end - max(size, region.start), "byte")
        found.append(f"{beyond} after the end of the dump")
    return found[:_TITLES]


# Other chips -------------------------------------------------------------------------------------

SMALLEST = 64 << 10
"""Bytes: no smaller chip is suggested."""


@dataclass(frozen=True, slots=True)
class Room:
    """A region, and the bytes at its end that are unused."""

    region: str
    room: int


@dataclass(frozen=True, slots=True)
class Fit:
    """Contents against a chip of `size` bytes.

    `fits` is True when they can be written there, cut if need be. `verdict` says so in a
    sentence. `over` counts used bytes after the end of the chip. `lost` names regions that end
    after it, used or not. `shrink` lists where room could come from, and `enough` says whether
    that would do.
    """

    size: int
    fits: bool
    verdict: str
    over: int = 0
    lost: tuple[str, ...] = ()
    shrink: tuple[Room, ...] = ()
    enough: bool = True


def used_end(contents: bytes, findings: Sequence[Finding]) -> int:
    """The address, a whole number of 4 KiB sectors, after which nothing is used: only blank
    bytes, or zeros that belong to no item, as tools pad an image."""
    places = np.flatnonzero(_held(contents, findings))
    return min((int(places[-1]) + 1) * SECTOR, len(contents)) if len(places) else 0


def _held(contents: bytes, findings: Sequence[Finding]) -> NDArray[np.bool_]:
    """For each 4 KiB sector whether it holds anything that has to be kept."""
    used = used_sectors(contents, findings)
    zero = np.zeros(len(used), dtype=bool)
    zero[: len(contents) // SECTOR] = (sectors_of(contents) == 0).all(axis=1)
    for each in findings:
        if each.verdict not in _EMPTY:
            zero[each.start // SECTOR : -(-each.end // SECTOR)] = False
    held: NDArray[np.bool_] = used & ~zero
    return held


def smallest_chip(contents: bytes, findings: Sequence[Finding]) -> int:
    """Bytes of the smallest chip, a power of two, that holds everything that is used."""
    needed = used_end(contents, findings)
    return max(1 << max(needed - 1, 0).bit_length(), SMALLEST)


def repeats_after(contents: bytes) -> int | None:
    """Bytes after which the contents repeat to the end, a power of two; None when not.

    A chip that is read with too large a size does this: it ignores the higher address bits.
    """
    found = None
    period = len(contents) // 2
    while period >= SMALLEST and 2 * period == (found or len(contents)):
        if contents[:period] != contents[period : 2 * period]:
            break
        found, period = period, period // 2
    return found


def fit(contents: bytes, findings: Sequence[Finding], layout: Layout, size: int) -> Fit:
    """Compare `contents` with a chip of `size` bytes."""
    have = len(contents)
    end = used_end(contents, findings)
    lost = tuple(region.name for region in layout.regions if region.end > size)
    if have == size:
        return Fit(size, True, f"It fits exactly: it has {counted(have, 'byte')}, as the chip.")
    if have < size:
        rest = f"the other {size - have:,} of the chip's {size:,} stay unchanged"
        return Fit(size, True, f"It fits: it has {have:,} bytes; {rest}.")
    if end <= size:
        rest = "blank" if is_blank(contents, end) else "blank or zero"
        text = f"It fits when cut to {size:,} bytes: everything from {end:06X}h on is {rest}."
        return Fit(size, True, text, lost=lost)
    period = repeats_after(contents)
    if period is not None and period <= size:
        text = f"It fits when cut to {period:,} bytes: after that the same bytes repeat, as when a "
        text += "smaller chip is read with too large a size."
        return Fit(size, True, text, lost=lost)
    return _too_large(contents, findings, layout, size, lost)


def _too_large(
    contents: bytes, findings: Sequence[Finding], layout: Layout, size: int, lost: tuple[str, ...]
) -> Fit:
    used = _held(contents, findings)
    over = int(used[size // SECTOR :].sum()) * SECTOR
    taken = int(used.sum()) * SECTOR
    rooms = _rooms(layout, used, len(contents))
    missing = used_end(contents, findings) - size
    enough = sum(room.room for room in rooms) >= missing
    verdict = f"It does not fit: {over:,} used bytes are after the end of the chip."
    if taken > size:
        verdict += f" {taken:,} bytes are used in all, so moving things does not help."
    elif enough:
        verdict += f" Earlier regions would have to shrink by {missing:,} bytes in all."
    else:
        verdict += f" The unused ends of the regions are less than the {missing:,} bytes needed."
    return Fit(size, False, verdict, over, lost, rooms, enough and taken <= size)


def _rooms(layout: Layout, used: NDArray[np.bool_], size: int) -> tuple[Room, ...]:
    """The unused ends of regions and of the gaps between them, largest first. Only what is before
    the last used byte helps, so the last used one does not count."""
    places = np.flatnonzero(used)
    last = int(places[-1]) * SECTOR if len(places) else 0
    rooms = []
    # Of a region and a gap with as much room the region comes first.
    for each in sorted(layout.with_gaps, key=lambda each: each not in layout.regions):
        if each.start <= last < each.end or each.start >= last:
            continue
        held = places[(places >= each.start // SECTOR) & (places < -(-each.end // SECTOR))]
        reached = min((int(held[-1]) + 1) * SECTOR, each.end) if len(held) else each.start
        if min(each.end, size) > reached:
            rooms.append(Room(each.name, min(each.end, size) - reached))
    return tuple(sorted(rooms, key=lambda room: -room.room))
