"""How much of a dump its own checksums prove, and runs of whole 4 KiB sectors that hold no format:
erased, zeros, or bytes that look random.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats import runs_of
from spiflash.spans import SECTOR, Sized, Span, merged
from spiflash.text import counted

_NOTHING = (Verdict.NOTED, Verdict.BLANK)
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
    claimed = [s for f in findings for s, v in f.verdicts() if v not in _NOTHING]
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
    data: npt.NDArray[np.uint8], chosen: npt.NDArray[np.bool_] | None = None
) -> npt.NDArray[np.int64]:
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


def entropy(counts: npt.NDArray[np.int64]) -> float:
    """Bits a value, from 0 to 8 for bytes; `counts` says how often each value occurs."""
    shares = counts[counts > 0] / counts.sum()
    return abs(float((shares * np.log2(shares)).sum()))


def levels(size: int, findings: Iterable[Finding]) -> npt.NDArray[np.uint8]:
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


def find_blank(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of whole blank sectors, as long as possible."""
    for first, last in runs_of((sectors_of(contents) == 0xFF).all(axis=1)):
        start, end = first * SECTOR, last * SECTOR
        yield _sectors(start, end, "blank", "blank", "every byte is FFh", Verdict.BLANK)


_LEAST_DENSE = 16 << 10
_DENSE = 7.9
"""Bits a byte of a sector: random bytes give 7.95, machine code 5 to 7 (common practice)."""


def find_zeros(contents: bytes, claimed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of whole sectors of zeros outside the `claimed` ranges."""
    zero = (sectors_of(contents) == 0).all(axis=1)
    for first, last in runs_of(zero & _free(len(zero), claimed)):
        start, end = first * SECTOR, last * SECTOR
        yield _sectors(start, end, "zeros", "zeros", "every byte is 00h")


def find_dense(contents: bytes, claimed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of 16 KiB or more whose every sector looks random: packed or encrypted."""
    data = sectors_of(contents)
    dense = _free(len(data), claimed)
    free = np.flatnonzero(dense)
    dense[free] = [entropy(histogram(data[index])) > _DENSE for index in free]
    for first, last in runs_of(dense):
        start, end = first * SECTOR, last * SECTOR
        if end - start >= _LEAST_DENSE:
            said = f"entropy above {_DENSE} bits a byte in every sector: compressed or encrypted"
            yield _sectors(start, end, "dense", "bytes without pattern", said)


def _sectors(
    start: int, end: int, kind: str, title: str, said: str, verdict: Verdict = Verdict.NOTED
) -> Finding:
    details = (("sectors", str((end - start) // SECTOR)),)
    return Finding(start, end - start, kind, title, verdict, (said,), details)


def sectors_of(contents: bytes) -> npt.NDArray[np.uint8]:
    """The whole sectors, a row each."""
    count = len(contents) // SECTOR
    return np.frombuffer(contents, np.uint8, count * SECTOR).reshape(count, SECTOR)


def _free(count: int, claimed: Sequence[Span]) -> npt.NDArray[np.bool_]:
    free = np.ones(count, dtype=bool)
    for start, end in claimed:
        free[start // SECTOR : -(-end // SECTOR)] = False
    return free
