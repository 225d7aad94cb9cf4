"""Runs of whole 4 KiB sectors that hold no format: erased, zeros, or bytes that look random."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from spiflash.dump.coverage import entropy, histogram
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats.search import runs_of
from spiflash.spans import SECTOR, Span, merged


def find_blank(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of whole blank sectors, as long as possible."""
    sectors = len(contents) // SECTOR
    data = np.frombuffer(contents, dtype=np.uint8, count=sectors * SECTOR)
    blank = (data.reshape(sectors, SECTOR) == 0xFF).all(axis=1)
    for first, last in runs_of(blank):
        yield Finding(
            first * SECTOR,
            (last - first) * SECTOR,
            "blank",
            "blank",
            Verdict.BLANK,
            ("every byte is FFh",),
            (("sectors", str(last - first)),),
        )


_LEAST_DENSE = 16 << 10
_DENSE = 7.9
"""Bits a byte of a sector: random bytes give 7.95, machine code 5 to 7 (common practice)."""


def find_zeros(contents: bytes, claimed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of whole sectors of zeros outside the `claimed` ranges."""
    data = _sectors(contents)
    for start, end in _runs((data == 0).all(axis=1), claimed):
        yield _noted(start, end, "zeros", "zeros", "every byte is 00h")


def find_dense(contents: bytes, claimed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of 16 KiB or more whose every sector looks random: packed or encrypted."""
    data = _sectors(contents)
    free = _free(len(data), claimed)
    dense = np.zeros(len(data), dtype=bool)
    chosen = np.flatnonzero(free)
    dense[chosen] = [entropy(histogram(data[index])) > _DENSE for index in chosen]
    for start, end in _runs(dense, claimed):
        if end - start >= _LEAST_DENSE:
            said = f"entropy above {_DENSE} bits a byte in every sector: compressed or encrypted"
            yield _noted(start, end, "dense", "bytes without pattern", said)


def _noted(start: int, end: int, kind: str, title: str, said: str) -> Finding:
    details = (("sectors", str((end - start) // SECTOR)),)
    return Finding(start, end - start, kind, title, Verdict.NOTED, (said,), details)


def _sectors(contents: bytes) -> npt.NDArray[np.uint8]:
    count = len(contents) // SECTOR
    return np.frombuffer(contents, np.uint8, count * SECTOR).reshape(count, SECTOR)


def _free(count: int, claimed: Sequence[Span]) -> npt.NDArray[np.bool_]:
    free = np.ones(count, dtype=bool)
    for start, end in merged(list(claimed)):
        free[start // SECTOR : -(-end // SECTOR)] = False
    return free


def _runs(chosen: npt.NDArray[np.bool_], claimed: Sequence[Span]) -> Iterator[Span]:
    chosen = chosen & _free(len(chosen), claimed)
    for first, last in runs_of(chosen):
        yield first * SECTOR, last * SECTOR
