"""What differences between readings mean: noise, weak cells, or contents that changed. Pure.

Noise on a contact strikes anywhere. A cell that has lost charge, or a pattern that a driver cannot
follow, reads wrong at its own place again and again. The rules for weak bits:

* a bit that was seen to differ is read many more times. When it differs again, although noise at
  the rate seen elsewhere would hardly strike the same place twice, it is *weak*: `weak_bits`.
  A reading in which many bits of a page differ that do not differ again is one event (a contact
  that opened for a moment, contents that changed) and counts for none of them;
* the majority of its readings is the value of a weak bit, as long as the minority stays at or
  below 5 %. Above that the bit is unstable, and no figure makes it certain;
* where some weak bits were seen, others were read alike each time by chance. How many is estimated
  from those that were in the minority just once and just twice in the whole passes: A. Chao,
  Biometrics 43 (1987) 783–791, bias-corrected. The estimate is too low where cells differ much
  among themselves.

A board's processor that is not held in reset goes on writing its settings and logs while the chip
is read, or the clip is moved to a twin. Both leave pages that earlier passes read in one way and
everything since in another. The rules for changed contents:

* a pass *holds* the final contents of a page when it differs from them in no more bits than noise
  explains;
* a page *changed* when the first passes do not hold it and later ones do. One pass that does not,
  with passes before and after it that do, was disturbed there;
* a whole image of the board at one moment needs two whole passes that hold every page: what was
  read only once since the last change may be half of an older and half of a newer state;
* what two passes read alike, and neither the passes after them nor the readings since, is no
  change of contents: the result depends on how it is read, and nothing is settled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.jobs.reading.evidence import PAGE, bits_by_page, poisson_bounds

MINORITY = 0.05
"""Share of its readings in which a bit may differ from the others and still be believed."""

UNLIKELY = 0.01
"""Chance, over all bits seen to differ, below which noise does not explain that one of them
differs again."""

EVENT = 8
"""Bits of a page that differ in one reading and not again, above which that is one event."""

STRETCH = 64
"""Differing bits of a page above which the contact is at fault rather than cells."""


@dataclass(slots=True)
class Flips:
    """One bit that was seen to differ: its address (8 × byte + bit 0–7), in how many of all
    readings it was a one, and the same for the readings after the passes."""

    bit: int
    ones: int
    readings: int
    fresh_ones: int = 0
    fresh: int = 0

    def take(self, one: bool) -> None:
        """One more reading after the passes."""
        self.ones += one
        self.readings += 1
        self.fresh_ones += one
        self.fresh += 1

    @property
    def value(self) -> bool:
        """What most readings say."""
        return 2 * self.ones > self.readings

    @property
    def minority(self) -> int:
        """Readings that say something else."""
        return min(self.ones, self.readings - self.ones)

    @property
    def again(self) -> int:
        """Readings after the passes that say something else than most, but for the one that made
        the bit noticed where no pass did."""
        other = self.fresh - self.fresh_ones if self.value else self.fresh_ones
        return other if self.minority > other else max(0, other - 1)

    @property
    def unstable(self) -> bool:
        """Whether it differs too often for its majority to be believed. Once is no more than
        what made it noticed."""
        return self.minority > max(1, MINORITY * self.readings)


def flips_in(
    start: int, readings: Sequence[bytes], passes: int, likely: bytes, page: int
) -> list[Flips]:
    """The bits of a place, from address `start` on, on which its readings differ.

    The first `passes` readings are those of the passes. Readings of a page in which more than
    `EVENT` bits differ from `likely` that differ in no other reading, or in none after the
    passes, are left out.
    """
    true = np.unpackbits(np.frombuffer(likely, np.uint8), bitorder="little")
    seen = np.stack(
        [np.unpackbits(np.frombuffer(each, np.uint8), bitorder="little") for each in readings]
    )
    wrong = seen != true
    alone = wrong & ((wrong.sum(axis=0) == 1) | ~wrong[passes:].any(axis=0))
    steps = np.arange(0, len(true), 8 * page)
    event = np.add.reduceat(alone, steps, axis=1) > EVENT
    counted = ~np.repeat(event, np.diff(np.append(steps, len(true))), axis=1)
    places = np.flatnonzero((wrong & counted).any(axis=0))
    ones, fresh = seen[:, places].astype(bool), counted[:, places]
    return [
        Flips(
            8 * start + int(place),
            int((ones[:, i] & fresh[:, i]).sum()),
            int(fresh[:, i].sum()),
            int((ones[passes:, i] & fresh[passes:, i]).sum()),
            int(fresh[passes:, i].sum()),
        )
        for i, place in enumerate(places)
    ]


def by_page(flips: Sequence[Flips], page: int) -> list[list[Flips]]:
    """The same, one list for each page that has any."""
    pages: dict[int, list[Flips]] = {}
    for each in flips:
        pages.setdefault(each.bit // (8 * page), []).append(each)
    return list(pages.values())


def weak_bits(flips: Sequence[Flips], rate: float) -> list[Flips]:
    """Those that differed again after the passes although noise of `rate` per bit and reading
    (at its upper bound) does not explain it."""
    return [
        each
        for each in flips
        if each.again and len(flips) * _at_least(each.again, each.fresh * rate) < UNLIKELY
    ]


def _at_least(count: int, mean: float) -> float:
    """The chance of a Poisson count of `count` (above 0) or more."""
    if mean <= 0:
        return 0.0
    term = math.exp(-mean + count * math.log(mean) - math.lgamma(count + 1))
    # The terms fall at least by half from twice the mean on; below it the chance is no small one.
    return 1.0 if count < 2 * mean else min(1.0, 2 * term)


def noise_rate(flips: Sequence[Flips], bits: int, rate: float) -> float:
    """Upper bound of the noise while places were read again: `bits` were read in all, and what
    differed there only once after the passes may be noise; at least `rate`."""
    lone = sum(each.minority == 1 and each.fresh_ones not in (0, each.fresh) for each in flips)
    return max(rate, poisson_bounds(lone)[1] / bits) if bits else rate


def unseen(readings: Sequence[bytes], bits: Sequence[int]) -> float:
    """How many more weak bits there are, by the whole passes: `bits` are those that are known.

    Chao's estimate f1·(f1-1) / 2·(f2+1) of cells that all passes read alike, f1 and f2 being the
    bits in the minority just once and just twice.
    """
    if not bits:
        return 0.0
    places = np.array(bits)
    ones = np.zeros(len(places), dtype=np.int64)
    for each in readings:
        data = np.frombuffer(each, np.uint8)
        ones += data[places >> 3] >> (places & 7) & 1
    minority = np.minimum(ones, len(readings) - ones)
    once, twice = int((minority == 1).sum()), int((minority == 2).sum())
    return once * (once - 1) / (2 * (twice + 1))


LEAST = 4
"""Bits of a page that differ, at least, where contents changed; fewer are settled one by one."""

CHANGE_CHANCE = 1e-3
"""Chance of so many wrong bits in any page of the chip below which noise does not explain them."""

WHOLE = 2
"""Whole passes that must hold the final contents."""


Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Changes:
    """`changed` are the addresses of pages that earlier passes read otherwise; `contrary` those of
    pages where the result depends on how they are read; `whole` how many passes hold the final
    contents of all changed pages, `disturbed` how many pages a single pass read wrong."""

    changed: tuple[int, ...]
    contrary: tuple[int, ...]
    whole: int
    disturbed: int

    @property
    def torn(self) -> bool:
        """Whether too few whole passes were taken since the last change."""
        return bool(self.changed) and self.whole < WHOLE


def changed_bits(pages: int, rate: float) -> int:
    """Bits of a page that must differ for noise of `rate` a bit not to explain it."""
    mean, bits = 8 * PAGE * rate, LEAST
    while bits < 8 * PAGE and pages * _tail(bits, mean) >= CHANGE_CHANCE:
        bits += 1
    return bits


def _tail(count: int, mean: float) -> float:
    """Upper bound for the chance of a Poisson count of `count` or more (Chernoff)."""
    if count <= mean:
        return 1.0
    return math.exp(count - mean - count * math.log(count / mean)) if mean > 0 else 0.0


def find_changes(passes: Sequence[bytes], final: bytes, rate: float) -> Changes:
    """Compare whole passes, in the order in which they were taken, with the `final` contents;
    `rate` is the upper bound of the error rate per bit."""
    true = np.frombuffer(final, np.uint8)
    least = changed_bits(len(final) // PAGE, rate)
    off: Flags = np.stack(
        [bits_by_page(np.frombuffer(each, np.uint8) ^ true) >= least for each in passes]
    )
    held = ~off
    since = np.logical_or.accumulate(held, axis=0)  # whether this pass or one before holds it
    before = off & ~since
    after = off & since
    changed = before.any(axis=0) & held.any(axis=0)
    holding = [int(held[:, page].sum()) for page in np.flatnonzero(changed)]
    contrary = set(_repeated(passes, after))
    # Passes before the change that read it alike only show that it was stable until then.
    return Changes(
        tuple(int(page) * PAGE for page in np.flatnonzero(changed) if int(page) not in contrary),
        tuple(page * PAGE for page in sorted(contrary)),
        min(holding, default=len(passes)),
        int((after.any(axis=0)).sum()),
    )


def _repeated(passes: Sequence[bytes], after: Flags) -> list[int]:
    """Pages of which a pass that does not hold them, although one before does, reads just what
    another pass that does not hold them reads, but for a few bits."""
    found = []
    for page in np.flatnonzero(after.any(axis=0)):
        part = slice(int(page) * PAGE, (int(page) + 1) * PAGE)
        for late in np.flatnonzero(after[:, page]):
            mine = np.frombuffer(passes[int(late)][part], np.uint8)
            others = [each[part] for number, each in enumerate(passes) if number != late]
            alike = [bits_by_page(mine ^ np.frombuffer(o, np.uint8))[0] < LEAST for o in others]
            if any(alike):
                found.append(int(page))
                break
    return found


def latest_alone(passes: Sequence[bytes]) -> tuple[int, ...]:
    """Addresses of pages that the last pass reads unlike every pass before it, by `LEAST` bits or
    more: it was disturbed, or they changed."""
    last = np.frombuffer(passes[-1], np.uint8)
    alone: Flags = np.ones(len(last) // PAGE, dtype=bool)
    for each in passes[:-1]:
        alone &= bits_by_page(np.frombuffer(each, np.uint8) ^ last) >= LEAST
    return tuple(int(page) * PAGE for page in np.flatnonzero(alone))
