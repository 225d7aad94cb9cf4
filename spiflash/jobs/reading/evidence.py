"""How sure several readings of the same bits are: the figures and how they come about. Pure.

Each of n passes reads the same N bits. A bit on which passes differ is seen, and read again; a
bit that all passes read wrong alike is not. What is bounded here is the expected number of
such shared wrong bits.

* Rate. With an error rate p a bit is seen to differ with the chance g(p) = 1-(1-p)^n-p^n. The
  number D of differing bits gives exact Poisson bounds for N·g (F. Garwood, Biometrika 28
  (1936) 437–442), and these give bounds for p. Errors are rare, so that Poisson in place of
  binomial only widens the bounds.
* Passes of unequal quality do no harm: by the inequality of the arithmetic and the geometric
  mean the product of their rates is at most the n-th power of the mean rate, which is what D
  measures.
* Bits of unequal quality do: n passes share N·p^n wrong bits only where every bit is hit
  alike. Two kinds of unevenness are therefore allowed for, and the worse one counts. In the
  data: errors may strike only ones, only zeros or only bits unlike the bit before (what a
  slow line does), a share f of all bits; they then share N·p^n·f^(1-n). In place: errors may
  gather in places. At every scale from a sector to the chip, each window in which
  anything differed is given its own rate, the upper bound from its own D, and the windows
  without differences are taken together.
* Bursts (a contact that opens, a command garbled) make stretches wrong as a whole, possibly
  alike in two passes. From the first one that is seen, sectors are counted like bits.

No figure here says anything about what is wrong in every reading alike by its nature (a stuck
data line, a wrapped address): those are looked for by `line_tests`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from spiflash.spans import SECTOR

LIMIT = 1e-6
"""Expected number of shared wrong bits below which a reading counts as verified."""

PAGE = 256
"""Bytes: the finest place at which differences are counted."""

CONFIDENCE = 0.95

NONE_SEEN = 3.0
"""Upper 95 % bound of a Poisson mean of which no event was seen (F. Garwood, Biometrika 28
(1936) 437–442)."""

BURST_BITS = 24
"""Differing bits within one page from which they count as one event: at a rate of 1e-4 a page
read five times has one such bit on average."""

LARGEST = 1e15
"""Bits, at most, that are named as a stretch: more than any chip has, whatever was seen."""

LEAST_SHARE = 1 / 64
"""Kinds of bits rarer than this are not taken for the only ones that go wrong."""

_BITS = np.array([bin(value).count("1") for value in range(256)], dtype=np.uint8)
_CHANGES = np.array([bin((v ^ v >> 1) & 0x7F).count("1") for v in range(256)], dtype=np.uint8)

Counts = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


def gamma_below(shape: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(shape, x); relative error about 1e-12.

    Series below the mean, continued fraction above it (Abramowitz and Stegun, 6.5.29 and
    6.5.31, the latter evaluated by Lentz's method).
    """
    if x <= 0:
        return 0.0
    front = math.exp(shape * math.log(x) - x - math.lgamma(shape))
    if x < shape + 1:
        term = total = 1 / shape
        place = shape
        while abs(term) > abs(total) * 1e-16:
            place += 1
            term *= x / place
            total += term
        return min(1.0, total * front)
    tiny = 1e-300
    b = x + 1 - shape
    c, d = 1 / tiny, 1 / b
    result, i = d, 0
    while True:
        i += 1
        a = -i * (i - shape)
        b += 2
        d = a * d + b
        d = 1 / (d if abs(d) > tiny else tiny)
        c = b + a / c
        c = c if abs(c) > tiny else tiny
        result *= d * c
        if abs(d * c - 1) < 1e-15:
            return 1 - min(1.0, front * result)


@lru_cache(maxsize=65536)
def poisson_bounds(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided bounds for the mean of a Poisson count; (0, 3.69) for nothing at 95 %.

    Raises ValueError for a negative count or a confidence outside 0–1.
    """
    if count < 0 or not 0 < confidence < 1:
        raise ValueError("a count is at least 0, a confidence between 0 and 1")
    tail = (1 - confidence) / 2

    def where(shape: int, value: float) -> float:
        spread = 10 * math.sqrt(shape) + 10
        low, high = max(0.0, shape - spread), shape + spread
        return _where(lambda x: gamma_below(shape, x), value, low, high, 1e-10)

    return where(count, tail) if count else 0.0, where(count + 1, 1 - tail)


def _where(
    rising: Callable[[float], float], value: float, low: float, high: float, precision: float
) -> float:
    """The x > 0 from `low` to `high` at which a rising function takes a value, by halving."""
    for _ in range(200):
        middle = (low + high) / 2
        if rising(middle) < value:
            low = middle
        else:
            high = middle
        if high - low < precision * high:
            break
    return high


def rate_from_differing(share: float, passes: int) -> float:
    """The error rate at which a `share` of all bits differs between `passes` passes; 0.5 for
    shares that no smaller rate gives."""
    if share <= 0:
        return 0.0

    def seen(rate: float) -> float:
        # The power sum written so that it does not lose a small rate.
        return -math.expm1(passes * math.log1p(-rate)) - rate**passes

    return _where(seen, share, 0.0, 0.5, 1e-12)


@dataclass(frozen=True, slots=True)
class Rate:
    """A raw bit error rate: estimate and 95 % bounds."""

    estimate: float
    low: float
    high: float


def bit_rate(differing: int, bits: int, passes: int) -> Rate:
    """The rate per bit and pass, from the number of bits on which passes differ."""
    low, high = poisson_bounds(differing)
    return Rate(
        rate_from_differing(differing / bits, passes),
        rate_from_differing(low / bits, passes),
        rate_from_differing(high / bits, passes),
    )


def differing_bits(readings: Sequence[bytes]) -> Counts:
    """For each page of 256 bytes, the number of bits that not all readings agree on.

    The readings have one length, a multiple of 256.
    """
    first = np.frombuffer(readings[0], dtype=np.uint8)
    differs = np.zeros(len(first), dtype=np.uint8)
    for other in readings[1:]:
        differs |= first ^ np.frombuffer(other, dtype=np.uint8)
    return bits_by_page(differs)


def bits_by_page(data: npt.NDArray[np.uint8]) -> Counts:
    """For each page of 256 bytes, the number of bits that are set in it. Few are, usually."""
    counts = np.zeros(len(data) // PAGE, dtype=np.int64)
    places = np.flatnonzero(data)
    np.add.at(counts, places // PAGE, _BITS[data[places]])
    return counts


def rarest_share(contents: bytes) -> float:
    """The share of the rarest kind of bit that errors could be confined to: ones, zeros, or
    bits unlike the bit before. At least `LEAST_SHARE`; kinds that do not occur are left out."""
    data = np.frombuffer(contents, dtype=np.uint8)
    tally = np.bincount(data, minlength=256)
    bits = 8 * len(data)
    ones = int(tally @ _BITS)
    changes = int(tally @ _CHANGES) + int(np.count_nonzero((data[:-1] ^ data[1:] >> 7) & 1))
    shares = [count / bits for count in (ones, bits - ones, changes) if count]
    return max(LEAST_SHARE, min(shares))


def shared_bits(pages: Counts, passes: int, reread: Flags, share: float) -> float:
    """Bound for the expected number of bits that all passes read wrong alike, outside of the
    pages that are read again.

    `pages` are the differing bits by page, `reread` tells which pages are read again, `share`
    is that of the rarest kind of bit. The worst scale of unevenness counts.
    """
    page_bits = 8 * PAGE
    trusted = np.where(reread, 0, page_bits)
    total = page_bits * len(pages)
    upper = poisson_bounds(int(pages.sum()))[1]
    rate = rate_from_differing(min(1.0, upper / total), passes)
    worst = float(trusted.sum()) * rate**passes * share ** (1 - passes)
    width = SECTOR // PAGE
    while width < len(pages):
        worst = max(worst, _shared_in_windows(pages, trusted, passes, width))
        width *= 2
    return worst + _shared_in_bursts(pages, passes)


def _shared_in_windows(pages: Counts, trusted: Counts, passes: int, width: int) -> float:
    """Each window of `width` pages with its own rate; the quiet ones share one."""
    starts = np.arange(0, len(pages), width)
    seen = np.add.reduceat(pages, starts)
    left = np.add.reduceat(trusted, starts)
    lengths = 8 * PAGE * np.minimum(width, len(pages) - starts)
    quiet = seen == 0
    total = 0.0
    if quiet.any():
        bits = int(lengths[quiet].sum())
        total += float(left[quiet].sum()) * (poisson_bounds(0)[1] / (passes * bits)) ** passes
    for count in np.unique(seen[~quiet]):
        here = seen == count
        upper = poisson_bounds(int(count))[1]
        rates = np.minimum(1.0, upper / (passes * lengths[here]))
        total += float((left[here] * rates**passes).sum())
    return total


def burst_sectors(pages: Counts) -> int:
    """How many sectors hold a page that differs in so many bits that it is one event."""
    per_sector = SECTOR // PAGE
    starts = np.arange(0, len(pages), per_sector)
    return int(np.count_nonzero(np.maximum.reduceat(pages, starts) >= BURST_BITS))


def _shared_in_bursts(pages: Counts, passes: int) -> float:
    """Sectors that all passes read wrong alike, once stretches are seen to fail as a whole."""
    sectors = -(-len(pages) * PAGE // SECTOR)
    bursts = burst_sectors(pages)
    if not bursts:
        return 0.0
    rate = min(1.0, poisson_bounds(bursts)[1] / (passes * sectors))
    return sectors * rate**passes


def smallest_stretch(differing: int, passes: int) -> float:
    """Bits over which undetected errors must be spread for `LIMIT` to hold, given how many
    differ: q errors a bit in m bits share m·q^n, and m·q·n is bounded by what was seen."""
    upper = poisson_bounds(differing)[1]
    return float(min(LARGEST, ((upper / passes) ** passes / LIMIT) ** (1 / (passes - 1))))


def wrongly_settled(bits: int, rate: float, row: int, readings: int) -> float:
    """Expected number of wrong bits in a stretch of `bits` that was accepted after `row` equal
    readings, the last of `readings`, at a `rate` per bit: any row of that many might have
    been the one that was accepted."""
    return (max(readings - row, 0) + 1) * bits * min(1.0, rate) ** row
