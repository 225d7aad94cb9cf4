"""What each sector holds, and how random it looks: the figures behind map and entropy strip."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.archive.record import AgreementRecord
from spiflash.dump.finding import Finding, Verdict
from spiflash.spans import merged


class Holds(enum.Enum):
    """What a sector holds, most doubtful first."""

    DAMAGED = "damaged"
    UNRECOGNISED = "unproven"
    CONSISTENT = "consistent"
    VERIFIED = "vouched"
    BLANK = "blank"


_LEVELS = tuple(Holds)
# Where findings overlap, a byte counts for the last of these: a failed checksum outweighs one
# that held, and either says more than a structure that makes sense.
_RISING = (Verdict.CONSISTENT, Verdict.BLANK, Verdict.VERIFIED, Verdict.DAMAGED)
_TITLES_PER_SECTOR = 3
_TITLED_FINDINGS = 500  # the longest ones; a hostile dump can hold any number


@dataclass(frozen=True, slots=True)
class Sector:
    """One sector: what it mostly holds, bytes by kind, what the passes say, what is in it.

    `counts` has only kinds that occur. `agreement` is "stable", "settled", "unstable" or
    "changed".
    `titles` are those of at most three findings (untrusted text).
    """

    start: int
    length: int
    holds: Holds
    counts: tuple[tuple[Holds, int], ...]
    agreement: str
    titles: tuple[str, ...]


def sectors(
    contents: bytes, findings: Sequence[Finding], agreement: AgreementRecord
) -> tuple[Sector, ...]:
    """All sectors of `contents` in order.

    A sector with one damaged byte counts as damaged; otherwise what most of its bytes that are
    not blank hold decides, the more doubtful in a tie.
    """
    size = agreement.sector_size
    count = -(-len(contents) // size)
    kinds = _kinds(contents, findings)
    padded = np.full(count * size, len(_LEVELS), dtype=np.uint8)  # beyond the end: no kind
    padded[: len(kinds)] = kinds
    rows = padded.reshape(count, size)
    counts = np.stack([(rows == level).sum(axis=1) for level in range(len(_LEVELS))], axis=1)

    titles = _titles(findings, size, count)
    says_of = {
        **dict.fromkeys(agreement.settled, "settled"),
        **dict.fromkeys(agreement.unstable, "unstable"),
        **dict.fromkeys(agreement.changed, "changed"),
    }
    result = []
    for index, row in enumerate(counts.tolist()):
        start = index * size
        result.append(
            Sector(
                start=start,
                length=min(size, len(contents) - start),
                holds=_decide(row),
                counts=tuple((kind, n) for kind, n in zip(_LEVELS, row, strict=True) if n),
                agreement=says_of.get(start, "stable"),
                titles=tuple(titles[index]),
            )
        )
    return tuple(result)


def _kinds(contents: bytes, findings: Sequence[Finding]) -> NDArray[np.uint8]:
    """For each byte the index into `_LEVELS`."""
    values = np.frombuffer(contents, dtype=np.uint8)
    kinds = np.where(
        values == 0xFF,
        np.uint8(_LEVELS.index(Holds.BLANK)),
        np.uint8(_LEVELS.index(Holds.UNRECOGNISED)),
    )
    claims = [claim for each in findings for claim in each.claims()]
    for verdict in _RISING:
        level = _LEVELS.index(Holds(verdict.value))
        # Merged, so that a flood of overlapping findings marks no byte twice.
        for start, end in merged([span for span, said in claims if said is verdict]):
            kinds[max(start, 0) : max(end, 0)] = level
    return kinds


def _decide(row: list[int]) -> Holds:
    counts = dict(zip(_LEVELS, row, strict=True))
    if counts[Holds.DAMAGED]:
        return Holds.DAMAGED
    used = (Holds.UNRECOGNISED, Holds.CONSISTENT, Holds.VERIFIED)
    if not any(counts[kind] for kind in used):
        return Holds.BLANK
    return max(used, key=lambda kind: counts[kind])


def _titles(findings: Sequence[Finding], size: int, count: int) -> list[list[str]]:
    titles: list[list[str]] = [[] for _ in range(count)]
    named = sorted(
        (each for each in findings if each.verdict is not Verdict.BLANK and each.length > 0),
        key=lambda each: -each.length,
    )
    for finding in named[:_TITLED_FINDINGS]:
        for index in range(max(finding.start, 0) // size, min(-(-finding.end // size), count)):
            if len(titles[index]) < _TITLES_PER_SECTOR:
                titles[index].append(finding.title)
    return titles


def entropy(contents: bytes, columns: int) -> tuple[float, ...]:
    """Shannon entropy of consecutive equal stretches of `contents`, in bits a byte (0–8).

    At most `columns` stretches, none of less than 256 bytes but the last. A stretch of n bytes
    cannot show more than log2(n) bits.
    """
    step = max(256, -(-len(contents) // columns))
    values = np.frombuffer(contents, dtype=np.uint8)
    result = []
    for start in range(0, len(values), step):
        counts = np.bincount(values[start : start + step])
        shares = counts[counts > 0] / counts.sum()
        result.append(abs(float(-(shares * np.log2(shares)).sum())))
    return tuple(result)
