"""Erased sectors: 4 KiB, the smallest unit that most parts erase, with every byte FFh."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from spiflash.dump.finding import Finding, Span, Verdict

SECTOR = 4096


def find_blank(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of whole blank sectors, as long as possible."""
    sectors = len(contents) // SECTOR
    data = np.frombuffer(contents, dtype=np.uint8, count=sectors * SECTOR)
    blank = (data.reshape(sectors, SECTOR) == 0xFF).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], blank, [False])).astype(np.int8)))
    for first, last in edges.reshape(-1, 2).tolist():
        yield Finding(
            first * SECTOR,
            (last - first) * SECTOR,
            "blank",
            "blank",
            Verdict.BLANK,
            ("every byte is FFh",),
            (("sectors", str(last - first)),),
        )
